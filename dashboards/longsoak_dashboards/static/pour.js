// A top-up on the phone beside the bucket: what the rig says of the water, a few times a second, as
// a number, a word, a colour and a sound. Without this script the sheet is loaded again and again.

import { localised } from "./figures.js";

const SILENCE = 2500; // ms without a word from the rig, after which nobody knows the level
const CALM_AFTER = 4000; // ms that the water is given at least, and
const SETTLES = 60000; // at most, to settle once the can has stopped
const TONES = {
  slow: { every: 900, length: 90, pitch: 760 },
  stop: { every: 260, length: 170, pitch: 1320 },
};

const guide = document.querySelector(".guide");
let sound = null;
let tone = "";
let nextBeep = 0;
let heard = performance.now();
let stream = null;
let stopped = null; // when somebody said so
let last = { heights: {} };

function beep(pitch, length) {
  if (!sound || sound.state !== "running") return;
  const [voice, loud] = [sound.createOscillator(), sound.createGain()];
  voice.frequency.value = pitch;
  voice.type = "square"; // a sine is lost beside running water
  loud.gain.value = 0.25;
  voice.connect(loud).connect(sound.destination);
  voice.start();
  voice.stop(sound.currentTime + length / 1000);
}

// A browser lets a page sound only after a finger has touched it.
function hear() {
  sound ??= window.AudioContext ? new AudioContext() : null;
  sound?.resume();
  document.getElementById("mute")?.toggleAttribute("hidden", sound?.state === "running");
}

function set(place, words) {
  const found = guide.querySelector(`[data-pour="${place}"]`);
  const said = localised(words);
  if (found && found.textContent !== said) found.textContent = said;
}

function show(said) {
  last = said;
  for (const place of ["word", "big", "unit", "poured", "clearance", "age", "note"]) set(place, said[place]);
  guide.dataset.tone = said.tone;
  guide.dataset.wide = said.big.length > 3 ? "1" : "0";
  guide.querySelector("[data-pour=sign]")?.setAttribute("href", `#s-${said.sign}`);
  const column = guide.querySelector(".column");
  for (const [name, share] of Object.entries(said.heights)) {
    for (const part of column.querySelectorAll(`.${name}.at`)) {
      for (const place of part.localName === "line" ? ["y1", "y2"] : ["y"]) part.setAttribute(place, `${share}%`);
    }
    if (name !== "now") continue;
    const water = column.querySelector(".fill");
    water.setAttribute("y", `${share}%`);
    water.setAttribute("height", `${100 - share}%`);
  }
  const level = column.querySelector("text.now");
  if (level) level.textContent = localised(said.level);
  if (said.tone !== tone) {
    tone = said.tone;
    nextBeep = 0;
    if (tone === "stop") navigator.vibrate?.([300, 100, 300, 100, 300]);
    else if (tone === "slow") navigator.vibrate?.(150);
  }
}

function lost() {
  show({
    word: "stop",
    sign: "stop",
    tone: "stop",
    big: "?",
    unit: "no signal: nobody knows how much fits",
    poured: "not known",
    clearance: "not known",
    age: `${Math.round((performance.now() - heard) / 1000)} s ago`,
    note: "Stop pouring, and look at the water yourself.",
    level: "?",
    heights: {},
  });
}

// What has to be drawn off is said until it is.
function settling(said) {
  const note = "It is written down once the water is calm.";
  if (said.over) return { ...said, note: `${said.note} ${note}` };
  return { ...said, word: "settling", sign: "ready", tone: "", note };
}

// Once the can has stopped the water is given time to settle: what the entry tells is then final.
function settle(said) {
  const ago = performance.now() - stopped;
  show(settling(said));
  if ((said.calm && ago > CALM_AFTER) || ago > SETTLES) finish();
}

function finish() {
  const form = guide.querySelector("form.act");
  if (form.dataset.finished) return;
  form.dataset.finished = "1";
  form.elements.ago.value = String(Math.round(performance.now() - stopped));
  form.requestSubmit();
}

// Before keep.js hears of it: a form that is asked to wait is sent by `finish`.
addEventListener(
  "submit",
  (event) => {
    const form = event.target;
    if (!guide || !form.matches(".guide form[data-keep]") || form.dataset.finished) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    if (stopped !== null) return;
    stopped = performance.now();
    tone = "";
    if (performance.now() - heard > SILENCE) setTimeout(finish, 0); // not while a submission is under way
    else show(settling(last));
  },
  { capture: true },
);

function listen() {
  stream = new EventSource(guide.dataset.stream);
  stream.addEventListener("pour", (event) => {
    heard = performance.now();
    const said = JSON.parse(event.data);
    if (stopped === null) show(said);
    else settle(said);
  });
}

setInterval(() => {
  if (stream && performance.now() - heard > SILENCE) {
    if (stopped === null) lost();
    else finish();
  }
  const kind = TONES[tone];
  if (kind && performance.now() >= nextBeep) {
    beep(kind.pitch, kind.length);
    nextBeep = performance.now() + kind.every;
  }
}, 60);

if (guide?.dataset.stream) {
  addEventListener("pointerdown", hear);
  addEventListener("keydown", hear);
  hear();
  listen();
  // Only where the page is served with TLS; a phone goes dark otherwise unless it is touched.
  navigator.wakeLock?.request("screen").catch(() => {});
  addEventListener("pagehide", () => stream?.close());
}
