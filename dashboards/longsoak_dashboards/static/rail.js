// The time rail: shows the section as it was at another time, in place, and plays through months.
// Without this script its links and its form open the same addresses.

import { disconnected, swap } from "./live.js";
import { field, meant, shown as moment, zone, zoneWords } from "./zones.js";

const PARTS = [
  ...["main > h1", "#lead", "#drawings", "#beside", "#all", "#title-block"],
  ...["#rail-picture", "#rail-back", "#rail-forth", "#rail-home", "#rail-lists"],
];
const SETTLES = 90; // ms a thumb rests before its place is fetched

let wanted = null; // the time that is to be shown, ms, or "now"
let timer = null;
let playing = null; // what is played, or nothing
let under_way = null; // what stops the fetch that runs

const form = () => document.getElementById("rail");
const range = () => document.getElementById("rail-range");
const step = () => Number(document.getElementById("rail-step").value);
const first = () => Number(form().dataset.first);
const now = () => Number(form().dataset.now);
const shown = () => Number(document.querySelector("main").dataset.at ?? now());
const written = (ms) => new Date(ms).toISOString();
const address = (to) => (to === "now" ? "/" : `/?at=${written(to)}`);
const within = (ms) => (ms >= now() ? "now" : Math.max(first(), Math.round(ms)));

// Until the sheet of the new time is there, the old one stands; live updates wait from the first
// touch on, or they would take the thumb's place away.
function mark(to) {
  const main = document.querySelector("main");
  if (to !== "now") {
    main.dataset.at = to;
    return;
  }
  delete main.dataset.at;
  history.replaceState(null, "", "/"); // at once: live updates go on, and fetch this address
}

function go(to, { after = 0 } = {}) {
  wanted = to;
  mark(to);
  range().value = to === "now" ? now() : to;
  say();
  clearTimeout(timer);
  timer = setTimeout(fetchWanted, after);
}

const words = (ms) => `${moment(ms)} ${zoneWords(ms)}`;

const say = () => range().setAttribute("aria-valuetext", "at" in document.querySelector("main").dataset ? words(shown()) : "now");

function fill(ms) {
  const input = document.getElementById("rail-at");
  [input.value, input.dataset.in] = [field(ms), zone()];
  input.dispatchEvent(new Event("input")); // which UTC that is, is said beside it
}

async function fetchWanted() {
  const to = wanted;
  under_way?.abort();
  under_way = new AbortController();
  try {
    const answer = await fetch(address(to), { cache: "no-store", signal: under_way.signal });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    if (wanted !== to) return;
    if (!page.getElementById("drawings")) throw new Error("no section");
    const place = form().getBoundingClientRect().top;
    swap(page, PARTS);
    // What stands above grows and shrinks by a line: the control stays under its thumb.
    scrollBy({ top: form().getBoundingClientRect().top - place, behavior: "instant" });
    wire();
    if (to === "now") {
      const fresh = page.getElementById("rail-range");
      if (fresh) hold(Number(fresh.min), Number(fresh.max));
    }
    fill(to === "now" ? now() : to);
    history.replaceState(null, "", address(to));
    if (playing === null) tell(to === "now" ? "now" : `as it was, ${words(to)}`);
  } catch (error) {
    if (error.name === "AbortError") return;
    stop();
    tell("The rig does not answer. What is shown is older than the time that was asked for.");
    disconnected();
  }
}

function hold(least, most) {
  Object.assign(form().dataset, { first: least, now: most });
  Object.assign(range(), { min: least, max: most, value: most });
}

function tell(sentence) {
  document.getElementById("rail-said").textContent = sentence;
}

function play() {
  if (playing !== null) return stop();
  const from = document.querySelector("main").dataset.at === undefined ? first() : shown();
  playing = Symbol("one way through");
  document.getElementById("rail-play").textContent = "stop";
  tell("playing");
  run(from, playing);
}

// The next picture comes no sooner than its pace, and never before the last one is there.
async function run(from, own) {
  for (let at = from; playing === own; at += step()) {
    const begun = performance.now();
    clearTimeout(timer);
    wanted = within(at);
    mark(wanted);
    range().value = wanted === "now" ? now() : wanted;
    await fetchWanted();
    if (playing !== own) return;
    if (wanted === "now") return stop();
    const pace = Number(document.getElementById("rail-pace").value);
    const rest = Math.max(0, pace - (performance.now() - begun));
    await new Promise((done) => setTimeout(done, rest));
  }
}

function stop() {
  if (playing === null) return;
  playing = null;
  const button = document.getElementById("rail-play");
  if (button) button.textContent = "play";
  tell(`stopped at ${document.querySelector("main").dataset.at ? words(shown()) : "now"}`);
}

function keys(event) {
  const far = { PageUp: 10, PageDown: -10, ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1 };
  if (event.key === " ") play();
  else if (event.key in far) {
    stop();
    go(within(shown() + far[event.key] * step()), { after: SETTLES });
  } else if (event.key === "Home" || event.key === "End") {
    stop();
    go(event.key === "Home" ? first() : "now");
  } else return;
  event.preventDefault();
}

function follow(event, to) {
  if (event.ctrlKey || event.metaKey || event.shiftKey || event.button) return;
  event.preventDefault();
  stop();
  go(to());
}

// What was swapped in is new: it is listened to again. What has a listener keeps it.
function wire() {
  const slider = range();
  if (!slider) return;
  say();
  for (const place of document.querySelectorAll("#rail [hidden]")) place.hidden = false;
  if (!slider.dataset.wired) {
    slider.dataset.wired = "yes";
    slider.addEventListener("input", () => {
      stop();
      go(within(Number(slider.value)), { after: SETTLES });
    });
    slider.addEventListener("keydown", keys);
    form().addEventListener("submit", (event) => {
      const asked = meant(document.getElementById("rail-at"));
      if (Number.isNaN(asked)) return;
      event.preventDefault();
      stop();
      go(within(asked));
    });
  }
  const links = {
    "rail-earlier": () => within(shown() - step()),
    "rail-later": () => within(shown() + step()),
    "rail-now": () => "now",
  };
  for (const [id, to] of Object.entries(links)) {
    const link = document.getElementById(id);
    if (link) link.onclick = (event) => follow(event, to);
  }
  document.getElementById("rail-play").onclick = play;
}

document.addEventListener("changed-in-place", wire);
document.addEventListener("zone-changed", wire);
wire();
