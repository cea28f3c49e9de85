// A place for a reading by hand: tapped on the drawing, moved by arrow keys, or written into the
// fields; all three say the same. Without this script the fields do, and clicks by the server.

const SNAP = 5; // mm
const FINE = 1; // mm, with shift
const APART = 20; // mm to an old hole
const OUTSIDE = 15; // mm beside the specimen that a thumb may be off
const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };

let form = null;
let maps = [];
let [bay, depth, height, across, round, near] = [];

const number = (field) => (field.value.trim() === "" ? null : Number(field.value.trim().replace(",", ".")));
const within = (mm, most) => Math.min(Math.max(0, mm), most);

// How far the drawing goes, across it and up.
function extent(map) {
  const { height: high, wide } = map.querySelector(".over").dataset;
  return { high: Number(high), wide: Number(wide) };
}

// Where a place is drawn, and what is drawn at one; as Sheet has it in drawing/sheet.py.
function drawn(map, at) {
  const { wet, start } = map.querySelector(".over").dataset;
  if (wet === "side") return at.depth;
  return at.across === null ? 0 : at.across - Number(start);
}

function found(map, x, up) {
  const { wet, start, height: high } = map.querySelector(".over").dataset;
  if (wet === "side") return { depth: x, height: up };
  return { depth: wet === "underside" ? up : Number(high) - up, height: up, across: Number(start) + x };
}

// The hole that is too near, with how far off it is; as core/handplaces.py has it.
function oldHole(map, at) {
  const own = [...map.querySelectorAll(".hole")].map((hole) => {
    const [deep, high, aside] = [hole.dataset.depth, hole.dataset.high, hole.dataset.across].map((mm) => (mm === undefined ? null : Number(mm)));
    const beside = aside !== null && at.across !== null ? at.across - aside : 0;
    const goesOn = hole.dataset.round === round.value.trim() && high === at.height && aside === at.across && at.depth > deep;
    return { off: goesOn ? Infinity : Math.hypot(at.depth - deep, at.height - high, beside), round: hole.dataset.round };
  });
  const nearest = own.reduce((best, hole) => (hole.off < best.off ? hole : best), { off: Infinity });
  return nearest.off < APART ? nearest : null;
}

function show() {
  const at = { depth: number(depth), height: number(height), across: number(across) };
  const known = Number.isFinite(at.depth) && Number.isFinite(at.height) && at.depth !== null && at.height !== null;
  let warning = "";
  for (const map of maps) {
    const own = map.dataset.bay === bay.value;
    const { high, wide } = extent(map);
    const x = drawn(map, at);
    const inside = own && known && x >= 0 && x <= wide && at.height >= 0 && at.height <= high;
    const marker = map.querySelector("g.place");
    const hole = inside ? oldHole(map, at) : null;
    marker.classList.toggle("none", !inside);
    marker.classList.toggle("near", Boolean(hole));
    if (inside) marker.setAttribute("transform", `translate(${x} ${high - at.height})`);
    map.classList.toggle("chosen", own);
    map.querySelector("[data-where]").textContent = inside ? `${at.depth} mm deep, ${at.height} mm high` : "";
    if (hole) warning = `This place is ${Math.round(hole.off)} mm from the hole of round ${hole.round}. A hole changes the wood around it: keep ${APART} mm off old ones.`;
    if (own && known && !inside) warning = `That is outside: ${bay.value} is ${wide} mm ${map.querySelector(".over").dataset.wet === "side" ? "thick" : "wide"} and ${high} mm high.`;
  }
  for (const link of document.querySelectorAll(".baylinks a")) {
    if (link.dataset.bay === bay.value) link.setAttribute("aria-current", "true");
    else link.removeAttribute("aria-current");
  }
  if (near.textContent !== warning) near.textContent = warning;
}

function put(map, x, up) {
  const { high, wide } = extent(map);
  const at = found(map, within(x, wide), within(up, high));
  bay.value = map.dataset.bay;
  depth.value = String(at.depth);
  height.value = String(at.height);
  if (at.across !== undefined) across.value = String(at.across);
  form.dispatchEvent(new Event("input", { bubbles: true }));
}

function tap(map, event) {
  const over = map.querySelector(".over");
  const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(over.getScreenCTM().inverse());
  const { high, wide } = extent(map);
  const [x, up] = [point.x, high - point.y];
  if (x < -OUTSIDE || x > wide + OUTSIDE || up < -OUTSIDE || up > high + OUTSIDE) return;
  const snap = (mm) => SNAP * Math.round(mm / SNAP);
  put(map, snap(x), snap(up));
}

function step(map, event) {
  const way = STEPS[event.key];
  if (!way || event.altKey || event.ctrlKey || event.metaKey) return;
  event.preventDefault(); // the sheet would scroll
  const { high, wide } = extent(map);
  const size = event.shiftKey ? FINE : SNAP;
  const own = map.dataset.bay === bay.value;
  const at = { depth: number(depth), height: number(height), across: number(across) };
  const middle = [SNAP * Math.round(wide / 2 / SNAP), SNAP * Math.round(high / 2 / SNAP)];
  const placed = own && [at.depth, at.height].every((mm) => mm !== null && Number.isFinite(mm));
  const [x, up] = placed ? [drawn(map, at), at.height].map((mm, i) => mm + way[i] * size) : middle;
  put(map, x, up);
}

// Take up the sheet as it stands now: it may have been changed in place.
function setUp() {
  form = document.querySelector("form[action='/hand'][method=post]");
  maps = [...document.querySelectorAll(".map")];
  if (!form) return;
  [bay, depth, height, across, round] = ["bay", "depth", "height", "across", "round"].map((name) => form.elements.namedItem(name));
  near = document.getElementById("near");
  for (const map of maps) {
    map.dataset.on = "";
    map.tabIndex = 0;
    map.setAttribute("role", "application");
    map.setAttribute("aria-label", `Section of ${map.dataset.bay}: arrow keys move the place by 5 mm, with shift by 1 mm; the fields below take it too`);
    map.querySelector("[data-where]").setAttribute("role", "status");
    map.querySelector(".over").addEventListener("click", (event) => tap(map, event));
    map.addEventListener("keydown", (event) => step(map, event));
  }
  for (const link of document.querySelectorAll(".baylinks a")) {
    link.addEventListener("click", (event) => {
      event.preventDefault();
      bay.value = link.dataset.bay;
      show();
    });
  }
  form.addEventListener("input", show);
  form.addEventListener("change", show);
  show();
}

document.addEventListener("changed-in-place", setUp);
document.addEventListener("kept-here", () => form && show()); // emptied: it waits on this phone
setUp();
