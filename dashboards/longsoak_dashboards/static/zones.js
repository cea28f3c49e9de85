// Times in the reader's own zone, with UTC one touch away. The server writes each time in UTC into
// <time datetime>; this shows it in the browser's zone in the same short form, and says in the title
// block which zone that is. Without this script everything is in UTC, and says so.

const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
const CHOICE = "times"; // in localStorage, "utc" where the reader asked for that
const TURN = 3 * 3600e3; // ms; no clock is put back or on by more

const local = Intl.DateTimeFormat().resolvedOptions().timeZone || "UTC";
let utc = chosen() === "utc";
let opened = performance.now(); // when what is shown came

function chosen() {
  try {
    return localStorage.getItem(CHOICE);
  } catch {
    return null; // a browser that keeps nothing
  }
}

// The zone that times are shown in now.
export const zone = () => (utc ? "UTC" : local);

// Now by the server's clock, ms: a reader's own may be wrong.
export function now() {
  const at = Date.parse(document.querySelector("main")?.dataset.now ?? "");
  return Number.isNaN(at) ? Date.now() : at + performance.now() - opened;
}

const formats = new Map();

function fields(ms, where) {
  if (!formats.has(where)) {
    const all = { year: "numeric", month: "numeric", day: "numeric", hour: "numeric", minute: "numeric", second: "numeric" };
    formats.set(where, new Intl.DateTimeFormat("en-u-ca-iso8601-nu-latn", { ...all, hourCycle: "h23", timeZone: where }));
  }
  const parts = formats.get(where).formatToParts(ms);
  return Object.fromEntries(parts.map((part) => [part.type, Number(part.value)]));
}

// What a wall clock there shows, as if it were UTC, ms.
function wall(ms, where) {
  const { year, month, day, hour, minute, second } = fields(ms, where);
  return Date.UTC(year, month - 1, day, hour, minute, second);
}

const ahead = (ms, where) => wall(ms, where) - Math.floor(ms / 1000) * 1000;

// The moments at which a wall clock there shows this: none where it was put on, two where put back.
function moments(shows, where) {
  const found = [before(shows, where), shows - ahead(near(shows, where) + TURN, where)];
  return [...new Set(found)].filter((ms) => wall(ms, where) === shows).sort((a, b) => a - b);
}

// About then, and then if the clock had not been turned yet.
const near = (shows, where) => shows - ahead(shows, where);
const before = (shows, where) => shows - ahead(near(shows, where) - TURN, where);

// "CEST", "EDT", "UTC+5:30"
export function zoneWords(ms = now(), where = zone()) {
  if (where === "UTC") return "UTC";
  for (const language of ["en-GB", "en-US"]) {
    const parts = new Intl.DateTimeFormat(language, { timeZone: where, timeZoneName: "short" }).formatToParts(ms);
    const name = parts.find((part) => part.type === "timeZoneName").value;
    if (!name.startsWith("GMT")) return name;
    if (language === "en-US") return name === "GMT" ? "UTC" : name.replace("GMT", "UTC");
  }
}

const two = (number) => String(number).padStart(2, "0");

// A time as the sheets write it: "14:02" today, "23 Sep 14:02", "23 Sep 2025 14:02"; as `form` says
// also "day" (22 Sep 2026), "date" (22 Sep) or "second" (23 Sep 2026, 12:04:31). A time that the
// wall clock shows twice, in the night it is put back, says which one it is.
export function shown(ms, form = "moment", where = zone()) {
  const [at, today] = [fields(ms, where), fields(now(), where)];
  const date = `${at.day} ${MONTHS[at.month - 1]}`;
  if (form === "date") return date;
  if (form === "day") return `${date} ${at.year}`;
  const twice = moments(wall(ms, where), where).length > 1 ? ` ${zoneWords(ms, where)}` : "";
  const clock = `${two(at.hour)}:${two(at.minute)}`;
  if (form === "second") return `${date} ${at.year}, ${clock}:${two(at.second)}${twice}`;
  const year = at.year === today.year ? "" : ` ${at.year}`;
  const same = !year && at.month === today.month && at.day === today.day;
  return `${same ? "" : `${date}${year} `}${clock}${twice}`;
}

function set(element, words) {
  if (element.textContent !== words) element.textContent = words;
}

function show() {
  for (const time of document.querySelectorAll("time[datetime], [data-utc]:not(input)")) {
    const ms = Date.parse(time.getAttribute("datetime") ?? time.dataset.utc);
    if (Number.isNaN(ms)) continue;
    set(time, (time.dataset.before ?? "") + shown(ms, time.dataset.form));
    if (time.localName === "time") time.title = zone() === "UTC" ? `${shown(ms, "second", local)} ${local}` : `${shown(ms, "second", "UTC")} UTC`;
  }
  for (const place of document.querySelectorAll("[data-zone]")) set(place, zoneWords());
  const place = document.getElementById("times");
  if (place && local !== "UTC") {
    let key = place.querySelector("button");
    if (!key) {
      place.innerHTML = '<span></span> <button type="button" id="times-switch"></button>';
      key = place.querySelector("button");
      key.addEventListener("click", turn);
    }
    set(place.querySelector("span"), utc ? "UTC" : local.replaceAll("_", " "));
    set(key, utc ? "show local" : "show UTC");
  }
  for (const input of document.querySelectorAll("input[data-utc]")) ask(input);
}

function turn() {
  utc = !utc;
  try {
    localStorage.setItem(CHOICE, utc ? "utc" : "local");
  } catch {
    // It holds for this sheet.
  }
  show();
  document.dispatchEvent(new Event("zone-changed"));
}

// A time that a person types is meant in the zone that is shown, which its label says, and is sent
// as UTC. Which UTC that is stands beside it while it is typed.
const typed = (input) => Date.parse(`${input.value}Z`);

export function meant(input) {
  const shows = typed(input);
  const where = input.dataset.in ?? "UTC";
  // Twice: the first one. Never, in the night the clock is put on: as if it had not been yet.
  return moments(shows, where)[0] ?? before(shows, where);
}

// As a field holds it.
export const field = (ms, where = zone()) => new Date(wall(ms, where)).toISOString().slice(0, 16);

function ask(input) {
  if (input.value && (input.dataset.in ?? "UTC") !== zone()) input.value = field(meant(input), zone());
  input.dataset.in = zone();
  let beside = document.getElementById(`${input.id}-utc`);
  if (!beside) {
    beside = document.createElement("small");
    [beside.id, beside.className] = [`${input.id}-utc`, "utc"];
    input.after(beside);
    input.setAttribute("aria-describedby", beside.id);
    input.addEventListener("input", () => ask(input));
  }
  set(beside, input.value && zone() !== "UTC" ? `that is ${shown(meant(input), "second", "UTC").slice(0, -3)} UTC` : "");
}

document.addEventListener("formdata", (event) => {
  for (const input of event.target.querySelectorAll("input[data-utc]")) {
    if (input.name && input.value) event.formData.set(input.name, field(meant(input), "UTC"));
  }
});

document.addEventListener("changed-in-place", () => {
  opened = performance.now();
  show();
});
show();
