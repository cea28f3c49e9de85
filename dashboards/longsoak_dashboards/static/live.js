// Keeps an open sheet up to date: the server says when the record has grown, the sheet is fetched
// again and its work and title block are changed in place. Without this script a reload does it.

import { now, shown } from "./zones.js";

const TEST_AGAIN = 100; // ms after an event, so that a burst of scans is one fetch
const WAITING = 1000; // ms between looks while something asked is not taken yet
const HELD = 700; // ms until a change is tried again that would have disturbed the reader
const PATIENCE = 8000; // ms for one fetch
const AGAIN = 2000; // ms until a stream that was refused is asked for anew

let lost = null; // when the connection went, ms by the server's clock; null while there is one
let live = false; // whether there was one yet
let seen = false; // whether the stream told yet what this page already shows
let lastFetch = 0;
let timer = null;
let fetching = false;

function state() {
  const [words, time] = [document.createElement("span"), document.createElement("time")];
  if (lost === null) return live ? "live" : "as it was when opened";
  time.dateTime = new Date(lost).toISOString();
  time.textContent = shown(lost);
  words.append("not connected since ", time);
  return words;
}

function say() {
  for (const place of document.querySelectorAll("[data-live]")) {
    place.replaceChildren(state());
    place.classList.toggle("look", lost !== null || !live);
  }
}

// For a reader who hears the sheet: only what matters, and once.
function announce(words) {
  document.getElementById("announced").textContent = words;
}

export function disconnected() {
  if (lost !== null) return;
  lost = now();
  say();
  announce(`Not connected since ${shown(lost)}. What is shown stays as it was.`);
}

function connected() {
  if (lost !== null) {
    announce("Connected again.");
    seen = true; // whatever the stream tells first is news, even where it had told nothing before
  }
  [lost, live] = [null, true];
  say();
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
  if (link) return `${element.closest("nav") ? "nav " : ""}a[href="${CSS.escape(link)}"]`;
  if (element.localName === "summary") return `#${CSS.escape(element.parentElement.id)} > summary`;
  return null;
}

// The buttons that do and say the same, in their order: one whose words changed is another one.
function alike(button) {
  const where = `main form[action="${CSS.escape(button.form.getAttribute("action"))}"] button`;
  return [...document.querySelectorAll(where)].filter((b) => b.textContent === button.textContent);
}

// The number of the newest alarm that nobody has acknowledged, and what it is called.
const alarm = () => document.querySelector("#sheet-list [data-newest]")?.dataset ?? { newest: "0" };

// What became of something asked is told in the same element for as long as the sheet is open, so
// that it is heard when it changes and only then; an age in it that counts on is no news.
function tell(kept, fresh) {
  const plain = (told) => {
    const words = told.cloneNode(true);
    for (const age of words.querySelectorAll("[data-age]")) age.remove();
    return words.textContent;
  };
  const ages = [...fresh.querySelectorAll("[data-age]")];
  if (plain(kept) !== plain(fresh)) kept.innerHTML = fresh.innerHTML;
  else kept.querySelectorAll("[data-age]").forEach((age, place) => age.setAttribute("data-age", ages[place].dataset.age));
  kept.className = fresh.className;
  fresh.replaceWith(kept);
}

// Changes some parts of the sheet to those of another, and leaves the reader where he was.
export function swap(page, parts = ["main", "#title-block", "#sheet-list"]) {
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
  const newest = Number(alarm().newest);
  const told = document.getElementById("told");

  for (const part of parts) {
    const [old, fresh] = [document.querySelector(part), page.querySelector(part)];
    if (old && fresh) old.replaceWith(document.adoptNode(fresh));
  }
  const answer = document.getElementById("told");
  if (told && answer) tell(told, answer);
  document.title = page.title;
  say();
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

  if (Number(alarm().newest) > newest) announce(`New alarm: ${alarm().title}`);
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
    const place = document.querySelector("main").dataset.of || location.href;
    // As a sheet: whoever may not see it any more is led to the login sheet.
    const asked = { cache: "no-store", headers: { Accept: "text/html" }, signal: AbortSignal.timeout(PATIENCE) };
    const answer = await fetch(place, asked);
    if (!answer.ok) throw new Error(`status ${answer.status}`);
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
  const due = waiting || lost !== null ? 0 : lastFetch + every - performance.now();
  timer = setTimeout(refresh, Math.max(least, due));
}

function listen() {
  const stream = new EventSource("/events");
  stream.addEventListener("open", connected);
  stream.addEventListener("record", () => {
    // The first event tells what this page already shows, unless the connection was made anew.
    if (seen) {
      document.dispatchEvent(new Event("news"));
      later(TEST_AGAIN);
    }
    seen = true;
  });
  stream.addEventListener("error", () => {
    disconnected();
    if (stream.readyState !== EventSource.CLOSED) return;
    // It was refused: whoever was logged out meanwhile is shown the login sheet.
    later(TEST_AGAIN);
    setTimeout(listen, AGAIN);
  });
  addEventListener("pagehide", () => stream.close());
}

addEventListener("pageshow", (event) => {
  if (event.persisted) location.reload();
});
document.addEventListener("visibilitychange", () => {
  if (!document.hidden) later(0);
});
lastFetch = performance.now();
say();
listen();
if (document.querySelector("main[data-waiting]")) later(WAITING);
