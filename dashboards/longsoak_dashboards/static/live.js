// Keeps an open sheet up to date: the server says when the record has grown, the sheet is fetched
// again and its work and title block are changed in place. Without this script a reload does it.

const TEST_AGAIN = 250; // ms after an event, so that a burst of scans is one fetch
const WAITING = 1000; // ms between looks while something asked is not taken yet
const HELD = 700; // ms until a change is tried again that would have disturbed the reader

let state = "as it was when opened";
let lastFetch = 0;
let timer = null;
let fetching = false;

const time = () => `${new Date().toISOString().slice(11, 16)} UTC`;

export function say(words) {
  state = words;
  for (const place of document.querySelectorAll("[data-live]")) {
    if (place.textContent !== words) place.textContent = words;
    place.classList.toggle("look", words !== "live");
  }
}

// Changing text under a reader's selection, or an open menu, takes it away from them.
function busy() {
  const chosen = getSelection();
  const main = document.querySelector("main");
  const selected = chosen && !chosen.isCollapsed && main.contains(chosen.anchorNode);
  const menu = document.activeElement?.localName === "select" && main.contains(document.activeElement);
  const dragged = main.querySelector("input[type=range]:active");
  return Boolean(selected || menu || dragged);
}

function address(element) {
  if (!element || element === document.body || !element.closest("main, footer")) return null;
  if (element.id) return `#${CSS.escape(element.id)}`;
  if (element.dataset?.probe) return `[data-probe="${CSS.escape(element.dataset.probe)}"]`;
  const link = element.getAttribute("href");
  if (link) return `a[href="${CSS.escape(link)}"]`;
  if (element.localName === "summary") return `#${CSS.escape(element.parentElement.id)} > summary`;
  return null;
}

// The buttons that do and say the same, in their order: one whose words changed is another one.
function alike(button) {
  const where = `main form[action="${CSS.escape(button.form.getAttribute("action"))}"] button`;
  return [...document.querySelectorAll(where)].filter((b) => b.textContent === button.textContent);
}

// Changes some parts of the sheet to those of another, and leaves the reader where he was.
export function swap(page, parts = ["main", "#title-block"]) {
  const focused = document.activeElement;
  const focus = address(focused);
  const pressed = focused?.localName === "button" && focused.form && focused.closest("main");
  const place = pressed ? alike(focused).indexOf(focused) : -1;
  const lettered = focused?.localName === "input" && focused.selectionStart !== null;
  const caret = lettered ? [focused.selectionStart, focused.selectionEnd] : null;
  const open = [...document.querySelectorAll("main details[open][id]")].map((d) => d.id);
  const written = [...document.querySelectorAll("main :is(input, select)[id]")]
    .filter((i) => i.type !== "range" && (i.localName === "select" || i.value !== i.defaultValue))
    .map((i) => [i.id, i.value]);
  const scrolled = [...document.querySelectorAll("main .wide[id]")].map((w) => [w.id, w.scrollLeft]);
  const [x, y] = [scrollX, scrollY];

  for (const part of parts) {
    const [old, fresh] = [document.querySelector(part), page.querySelector(part)];
    if (old && fresh) old.replaceWith(document.adoptNode(fresh));
  }
  document.title = page.title;
  say(state);
  document.dispatchEvent(new Event("changed-in-place"));

  for (const id of open) document.getElementById(id)?.setAttribute("open", "");
  for (const [id, value] of written) {
    const input = document.getElementById(id);
    if (input && value) input.value = value;
  }
  for (const [id, left] of scrolled) document.getElementById(id)?.scrollTo({ left });
  if (focus && focused !== document.activeElement) {
    const again = document.querySelector(focus);
    again?.focus({ preventScroll: true });
    if (caret && again?.localName === "input" && again.selectionStart !== null) again.setSelectionRange(...caret);
  }
  if (pressed) alike(focused)[place]?.focus({ preventScroll: true });
  scrollTo({ left: x, top: y, behavior: "instant" });
}

async function refresh() {
  timer = null;
  if (fetching) return later(TEST_AGAIN);
  if (document.hidden) return; // looked up again once it is seen
  if (document.querySelector("main[data-still]")) return; // a form is filled in on it
  if (document.querySelector("main[data-at]")) return; // another time than now is shown
  if (busy()) return later(HELD);
  fetching = true;
  try {
    // A sheet shown as the answer to a form has no address of its own to fetch.
    const place = location.pathname.startsWith("/alarms/") ? "/alarms" : location.href;
    // As a sheet: whoever may not see it any more is led to the login sheet.
    const answer = await fetch(place, { cache: "no-store", headers: { Accept: "text/html" } });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    if (document.querySelector("main[data-at]")) return; // meanwhile
    if (page.querySelector("main") && !busy()) {
      swap(page);
      lastFetch = performance.now();
    } else {
      later(HELD);
    }
  } catch {
    later(WAITING); // the stream says that it is not connected
  } finally {
    fetching = false;
  }
  if (document.querySelector("main[data-waiting]")) later(WAITING);
}

function later(least) {
  if (timer !== null) return;
  const every = 1000 * Number(document.querySelector("main")?.dataset.every || 1);
  const waiting = document.querySelector("main[data-waiting]");
  const due = waiting ? 0 : lastFetch + every - performance.now();
  timer = setTimeout(refresh, Math.max(least, due));
}

function listen() {
  const stream = new EventSource("/events");
  let first = true;
  stream.addEventListener("open", () => say("live"));
  stream.addEventListener("record", () => {
    // The first event tells what this page already shows, unless the connection was made anew.
    if (!first) {
      document.dispatchEvent(new Event("news"));
      later(TEST_AGAIN);
    }
    first = false;
  });
  stream.addEventListener("error", () => {
    if (state === "live" || state === "as it was when opened") say(`not connected since ${time()}`);
    if (stream.readyState !== EventSource.CLOSED) return;
    // It was refused: whoever was logged out meanwhile is shown the login sheet.
    later(TEST_AGAIN);
    setTimeout(listen, 2000);
  });
  addEventListener("pagehide", () => stream.close());
  addEventListener("pageshow", (event) => {
    if (event.persisted) location.reload();
  });
}

document.addEventListener("visibilitychange", () => {
  if (!document.hidden) later(0);
});
lastFetch = performance.now();
say(state);
listen();
if (document.querySelector("main[data-waiting]")) later(WAITING);
