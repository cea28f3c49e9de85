// What is drawn of readings, worked out without a screen: points, stretches without a gap, scales,
// and where words go. The server's drawing does the same in Python (drawing/, view/scales.py).

export const PASS = 1, NOT_EVALUATED = 2, SUSPECT = 3, FAIL = 4, MISSING = 9;
export const WORDS = { [PASS]: "pass", [NOT_EVALUATED]: "not evaluated", [SUSPECT]: "suspect", [FAIL]: "fail", [MISSING]: "missing" };
const NEAR = 2; // times the height of what is measured: a limit further off would flatten it
const MOST_TICKS = 4;
export const LINE = 14; // px from one line of words to the next

// The points of one probe as /api/1/readings tells them: `t` is where a point stands, `from` when
// its interval begins, `level` the height it is drawn at, null where there is nothing to draw.
export function pointsOf(probe, line, interval, gaps) {
  const percent = (value) => (value === null || !line.nominal ? value : 100 * (value / line.nominal - 1));
  const found = [];
  for (let i = 0; i < probe.time_ms.length; i++) {
    const [low, mean, high] = [probe.low[i], probe.mean[i], probe.high[i]].map(percent);
    const u = probe.standard_uncertainty[i];
    const bound = probe.bound[i];
    found.push({
      t: middle(probe.time_ms[i], interval, gaps),
      from: probe.time_ms[i],
      low, mean, high, bound,
      u: u === null || bound ? null : line.nominal ? (100 * u) / line.nominal : u,
      flag: probe.flag[i],
      level: bound === "at least" ? high : bound === "at most" ? low : mean,
    });
  }
  return found;
}

// The middle of an interval, but never inside a gap.
function middle(from, interval, gaps) {
  const t = from + interval / 2;
  const gap = gaps.find((g) => g.from < t && t < g.to);
  if (!gap) return t;
  return from <= gap.from ? gap.from : gap.to;
}

// Stretches with values and without a gap; nothing is ever drawn between two of them.
export function runsOf(points, patience, interval, gaps) {
  const runs = [];
  let run = [];
  for (const point of points) {
    const last = run.at(-1);
    if (point.level === null || (last && apart(last, point, patience, interval, gaps))) {
      if (run.length) runs.push(run);
      run = [];
    }
    if (point.level !== null) run.push(point);
  }
  if (run.length) runs.push(run);
  return runs;
}

function apart(one, other, patience, interval, gaps) {
  if (other.from - one.from > patience + interval) return true;
  return gaps.some((gap) => {
    const at = (gap.from + gap.to) / 2;
    return gap.to - gap.from > patience && one.from + interval / 2 <= at && at < other.from + interval / 2;
  });
}

// A scale round some points and limits, with ends on round figures: view/scales.py.
export function scaleOf(points, limits, least) {
  const values = limits.filter((l) => l.always).map((l) => l.value);
  for (const p of points) {
    if (p.low !== null) values.push(p.low - 2 * (p.u ?? 0), p.high + 2 * (p.u ?? 0));
  }
  if (values.length) {
    const [low, high] = ends(values);
    const far = NEAR * Math.max(high - low, least);
    values.push(...limits.map((l) => l.value).filter((v) => low - far <= v && v <= high + far));
  }
  return roundScale(values, least);
}

function ends(values) {
  let [low, high] = [Infinity, -Infinity];
  for (const v of values) {
    if (v < low) low = v;
    if (v > high) high = v;
  }
  return [low, high];
}

export function roundScale(values, least) {
  let [low, high] = values.length ? ends(values) : [0, least];
  const lowest = low;
  if (high - low < least) {
    const centre = (low + high) / 2;
    [low, high] = [centre - least / 2, centre + least / 2];
    if (values.length && lowest >= 0 && low < 0) [low, high] = [0, high - low];
  }
  const rough = (high - low) / MOST_TICKS;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((f) => f * power).find((s) => s >= rough - 1e-12);
  const [first, last] = [Math.floor(low / step + 1e-9), Math.ceil(high / step - 1e-9)];
  const ticks = [];
  for (let i = first; i <= last; i++) ticks.push(i * step);
  return { low: first * step, high: last * step, ticks };
}

// Where the middles of blocks of words go so that none covers another: drawing/beside.py.
export function spread(wanted, sizes, low, high) {
  const within = (top, size) => Math.max(low, Math.min(top, high - size));
  const order = wanted.map((_, i) => i).sort((a, b) => wanted[a] - wanted[b] || a - b);
  const pools = [];
  for (const i of order) {
    let pool = { blocks: [i], size: sizes[i], top: within(wanted[i] - sizes[i] / 2, sizes[i]) };
    while (pools.length && pools.at(-1).top + pools.at(-1).size > pool.top) {
      const before = pools.pop();
      const size = before.size + pool.size;
      const [many, more] = [before.blocks.length, pool.blocks.length];
      const top = (before.top * many + (pool.top - before.size) * more) / (many + more);
      pool = { blocks: [...before.blocks, ...pool.blocks], size, top: within(top, size) };
    }
    pools.push(pool);
  }
  const found = [];
  for (const pool of pools) {
    let top = pool.top;
    for (const i of pool.blocks) {
      found[i] = top + sizes[i] / 2;
      top += sizes[i];
    }
  }
  return found;
}

// Words in lines as wide as there is room; what has none ends in an ellipsis.
export function inLines(words, fits, most = 2) {
  let lines = [""];
  for (const word of words.split(" ")) {
    const joined = `${lines.at(-1)} ${word}`.trim();
    if (!lines.at(-1) || fits(joined)) lines[lines.length - 1] = joined;
    else lines.push(word);
  }
  if (lines.length > most) lines = [...lines.slice(0, most - 1), lines.slice(most - 1).join(" ")];
  return lines.map((line) => {
    let cut = line;
    while (cut.length > 1 && !fits(cut)) cut = `${cut.replace(/…$/, "").slice(0, -1)}…`;
    return cut;
  });
}

// A value in words, without its unit: "17.8", "over 28.0", "none", "16.1 to 18.4".
export function valueWords(point, panel) {
  if (!point || point.level === null) return "none";
  if (panel.states) return panel.states[point.level > 0.5 ? 1 : 0] || "not pressed";
  const sign = panel.lines[0].nominal && point.level > 0 ? "+" : "";
  const shown = (value) => value.toFixed(panel.decimals);
  if (point.bound) return `${point.bound === "at least" ? ">" : "<"} ${shown(point.level)}`;
  return `${sign}${shown(point.level)}`;
}

// Its 95 % uncertainty, or how far the values of its interval lie apart; empty if there is neither.
export function spreadWords(point, panel) {
  if (!point || point.level === null || point.bound || panel.states) return "";
  const own = point.u ? `± ${(2 * point.u).toFixed(panel.decimals)}` : "";
  const [low, high] = [point.low, point.high].map((v) => v.toFixed(panel.decimals));
  return low === high ? own : [own, `${low} to ${high}`].filter(Boolean).join(", ");
}

// The point nearest to a time among those in order; null if there is none.
export function nearest(points, t) {
  let [low, high] = [0, points.length];
  while (low < high) {
    const at = (low + high) >> 1;
    if (points[at].t < t) low = at + 1;
    else high = at;
  }
  const [before, after] = [points[low - 1], points[low]];
  if (!before || !after) return before ?? after ?? null;
  return t - before.t <= after.t - t ? before : after;
}
