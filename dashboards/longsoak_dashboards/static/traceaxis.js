// The time axes below the drawings: in the reader's zone, with what the logbook says as marks.

import { ticksOf, utcWords, zoneWords, timeWords } from "./tracetime.js";

const APART = 44; // px between two marks, so that a thumb hits one
const TICK = 56; // px that a tick and its words take
const LETTER = 7; // px, about

const SVG = "http://www.w3.org/2000/svg";

function part(name, attributes, text) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text) element.textContent = text;
  return element;
}

// Draw the axis into `place` for a time from `since` to `until`; `notes` are the logbook's.
export function drawAxis(place, { since, until }, notes) {
  const width = place.clientWidth || 300;
  const at = (t) => ((t - since) / (until - since)) * 100;
  const svg = part("svg", { class: "axis", width: "100%", height: 26, "aria-hidden": "true" });
  svg.append(part("line", { class: "thin", x1: 0, x2: "100%", y1: 1, y2: 1 }));
  let free = -Infinity; // px, from where on there is room for words
  for (const { t, words } of ticksOf(since, until, Math.max(2, Math.floor(width / TICK)))) {
    const x = `${at(t)}%`;
    svg.append(part("line", { class: "thin", x1: x, x2: x, y1: 1, y2: 7 }));
    const [middle, half] = [(at(t) * width) / 100, words.length * LETTER / 2];
    const last = middle + half > width;
    const left = middle - (last ? 2 * half : half);
    if (left < free) continue;
    svg.append(part("text", { x, y: 20, "text-anchor": last ? "end" : "middle" }, words));
    free = left + 2 * half + LETTER;
  }
  const marks = groups(notes.filter((n) => n.at >= since && n.at <= until), (APART / width) * (until - since)).map((group) => {
    const link = document.createElement("a");
    const [first, last] = [group[0], group.at(-1)];
    const numbers = group.map((n) => n.number);
    const [low, high] = [Math.min(...numbers), Math.max(...numbers)];
    link.className = "note-mark hand";
    link.href = group.length === 1 ? first.address : `/logbook?upto=${high}#entry-${high}`;
    link.textContent = low === high ? low : high - low === 1 ? `${low}, ${high}` : `${low}–${high}`;
    link.title = group.map((n) => `${n.number}: ${n.words}`).join("\n");
    link.setAttribute("aria-label", `Logbook ${group.map((n) => `${n.number}, ${n.words}`).join("; ")}, ${timeWords(first.at)}${first === last ? "" : " and later"}`);
    link.style.left = `${at(first.at)}%`;
    return link;
  });
  place.classList.toggle("has-notes", marks.length > 0);
  place.replaceChildren(svg, ...marks);
  const zone = place.parentElement.querySelector(".utc");
  const name = zoneWords(since, until);
  zone.textContent = name === "UTC" ? "UTC" : `${name}; ends ${utcWords(until)}`;
}

function groups(notes, near) {
  const found = [];
  for (const note of notes) {
    const last = found.at(-1);
    if (last && note.at - last[0].at < near) last.push(note);
    else found.push([note]);
  }
  return found;
}
