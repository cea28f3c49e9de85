// Times in the reader's zone: round ones for an axis, and in words. The arithmetic is the browser's
// own, so that days of 23 and 25 hours are as long as they are.

const MINUTE = 60_000, HOUR = 60 * MINUTE, DAY = 24 * HOUR;
const SHORT = [1, 2, 5, 10, 15, 30].map((s) => s * 1000);
const STEPS = [...SHORT, ...[1, 2, 5, 10, 15, 30].map((m) => m * MINUTE), HOUR];
const HOURS = [2, 3, 6, 12];
const DAYS = [1, 2, 4, 7, 14];
const MONTHS = [1, 2, 3, 6, 12];
const NAMES = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

const two = (number) => String(number).padStart(2, "0");

// Round times from `since` to `until` with their words, `most` of them at most.
export function ticksOf(since, until, most) {
  const span = until - since;
  const step = STEPS.find((s) => span / s <= most);
  if (step) return even(since, until, step);
  const hours = HOURS.find((h) => span / (h * HOUR) <= most);
  if (hours) return walk(since, until, (d) => new Date(d.getFullYear(), d.getMonth(), d.getDate()), (d, i) => new Date(d.getFullYear(), d.getMonth(), d.getDate(), i * hours));
  const days = DAYS.find((n) => span / (n * DAY) <= most);
  if (days) return walk(since, until, days < 7 ? firstOfMonth : monday, (d, i) => new Date(d.getFullYear(), d.getMonth(), d.getDate() + i * days));
  const months = MONTHS.find((m) => span / (m * 30 * DAY) <= most) ?? 12 * Math.ceil(span / (365 * DAY) / most);
  const start = (d) => new Date(d.getFullYear(), 0, 1);
  return walk(since, until, start, (d, i) => new Date(d.getFullYear(), i * months, 1));
}

const firstOfMonth = (d) => new Date(d.getFullYear(), d.getMonth(), 1);
const monday = (d) => new Date(d.getFullYear(), d.getMonth(), d.getDate() - ((d.getDay() + 6) % 7));

// Steps of up to an hour go on evenly over a change of the clock, from a round local time on.
function even(since, until, step) {
  const d = new Date(since);
  const hour = new Date(since - (d.getMinutes() * MINUTE + d.getSeconds() * 1000 + d.getMilliseconds()));
  const found = [];
  for (let t = hour.getTime(); t <= until; t += step) {
    if (t >= since) found.push({ t, words: words(new Date(t), step < MINUTE) });
  }
  return found;
}

// Longer ones go by the wall: a time there is not that day comes out as the next there is.
function walk(since, until, start, at) {
  const from = start(new Date(since));
  const found = [];
  for (let i = 0; ; i++) {
    const d = at(from, i);
    const t = d.getTime();
    if (t > until) return found;
    if (t >= since && t !== found.at(-1)?.t) found.push({ t, words: words(d, false, at(from, i + 1) - t > 20 * DAY) });
  }
}

function words(d, seconds, monthly = false) {
  if (monthly) return d.getMonth() ? NAMES[d.getMonth()] : `${NAMES[0]} ${d.getFullYear()}`;
  if (d.getHours() + d.getMinutes() + d.getSeconds() === 0) return `${d.getDate()} ${NAMES[d.getMonth()]}`;
  return `${two(d.getHours())}:${two(d.getMinutes())}${seconds ? `:${two(d.getSeconds())}` : ""}`;
}

// A time in the reader's zone: "23 Sep 2026, 14:04:11".
export function timeWords(t) {
  const d = new Date(t);
  return `${d.getDate()} ${NAMES[d.getMonth()]} ${d.getFullYear()}, ${two(d.getHours())}:${two(d.getMinutes())}:${two(d.getSeconds())}`;
}

// The same time of day in UTC, to be named beside: "12:04 UTC".
export const utcWords = (t) => `${new Date(t).toISOString().slice(11, 16)} UTC`;

// How far the reader's clock is ahead of UTC: "UTC+2", "UTC+5:30", "UTC".
function offsetWords(t) {
  const minutes = -new Date(t).getTimezoneOffset();
  if (!minutes) return "UTC";
  const [hours, rest] = [Math.floor(Math.abs(minutes) / 60), Math.abs(minutes) % 60];
  return `UTC${minutes < 0 ? "−" : "+"}${hours}${rest ? `:${two(rest)}` : ""}`;
}

// The zone of an axis: "Europe/Berlin, UTC+1, later UTC+2" where the clock is changed in between.
export function zoneWords(since, until) {
  const zone = Intl.DateTimeFormat().resolvedOptions().timeZone;
  const [first, last] = [offsetWords(since), offsetWords(until)];
  if (zone === "UTC" || (first === "UTC" && last === "UTC" && !zone.includes("/"))) return "UTC";
  return `${zone.replaceAll("_", " ")}, ${first === last ? first : `${first}, later ${last}`}`;
}
