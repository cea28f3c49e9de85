// A top-up on the phone beside the bucket: what the rig says of the water, a few times a second, as
// a number, a word, a colour and a sound. Without this script the sheet is loaded again and again.

const SILENCE = 2500; // ms without a word from the rig, after which nobody knows the level
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
  if (found && found.textContent !== words) found.textContent = words;
}

function show(said) {
  for (const place of ["word", "big", "unit", "poured", "clearance", "age", "note"]) set(place, said[place]);
  guide.dataset.tone = said.tone;
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
  if (level) level.textContent = said.level;
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

function listen() {
  stream = new EventSource(guide.dataset.live);
  stream.addEventListener("pour", (event) => {
    heard = performance.now();
    show(JSON.parse(event.data));
  });
}

setInterval(() => {
  if (stream && performance.now() - heard > SILENCE) lost();
  const kind = TONES[tone];
  if (kind && performance.now() >= nextBeep) {
    beep(kind.pitch, kind.length);
    nextBeep = performance.now() + kind.every;
  }
}, 60);

if (guide?.dataset.live) {
  addEventListener("pointerdown", hear);
  addEventListener("keydown", hear);
  hear();
  listen();
  // Only where the page is served with TLS; a phone goes dark otherwise unless it is touched.
  navigator.wakeLock?.request("screen").catch(() => {});
  addEventListener("pagehide", () => stream?.close());
}
