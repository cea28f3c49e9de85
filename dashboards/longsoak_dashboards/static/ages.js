// Ages on an open sheet go on, whether the rig answers or not: each counts from what the server said
// it was, by how long the sheet has lain here. A clock of the reader's that is wrong changes nothing.

const EVERY = 5000; // ms
const AGE = "data-age"; // s, when the sheet was made

let began = since();

function since() {
  return { steady: performance.now(), wall: Date.now() };
}

// s; a machine that slept counts by its wall clock, for the steady one may have slept as well.
function passed() {
  const at = since();
  return Math.max(at.steady - began.steady, at.wall - began.wall, 0) / 1000;
}

// As `age_words` of the server says it.
export function ageWords(seconds) {
  if (seconds < 100) return `${Math.round(seconds)} s`;
  const minutes = Math.round(seconds / 60);
  if (minutes < 60) return `${minutes} min`;
  if (minutes < 48 * 60) return `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")}`;
  return `${Math.round(seconds / 86400)} days`;
}

function count() {
  if (document.querySelector("main[data-at]")) return; // a time in the past, and ages as of then
  const more = passed();
  for (const age of document.querySelectorAll(`[${AGE}]`)) {
    const words = ageWords(Number(age.getAttribute(AGE)) + more);
    if (age.textContent !== words) age.textContent = words;
  }
}

document.addEventListener("changed-in-place", () => {
  began = since();
});
setInterval(count, EVERY);
