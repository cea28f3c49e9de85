// Draws one panel of the traces onto its canvas: the same marks as in the server's drawing.

import { FAIL, LINE, MISSING, NOT_EVALUATED, SUSPECT, inLines, spread } from "./tracedata.js";

const DASHES = [[], [6, 3], [1.5, 2.5], [9, 3, 2, 3], [14, 4], [4, 3, 1, 3, 1, 3]];
const SHAPE_EVERY = 40; // px between two shapes of one line
const GAP_WORDS = 120; // px that the words of a gap take
const NARROWEST = 0.004; // of the width: a gap that is drawn

// The pens of the sheet as they are now: they change with the paper.
export function pens() {
  const style = getComputedStyle(document.documentElement);
  const of = (name) => style.getPropertyValue(`--${name}`).trim();
  return { paper: of("paper"), ink: of("ink"), ink2: of("ink-2"), pencil: of("pencil"), red: of("red"), rule: of("rule"), edge: of("edge"), lettering: of("lettering") };
}

// The shapes of the flags, from the drawings the sheet brings along.
function shapeOf(flag) {
  const part = document.querySelector(`#m${flag} .mark, #m${flag} path`);
  return new Path2D(part?.getAttribute("d") ?? "");
}

// `panel` is the plan's, with what was worked out of its readings: scale, runs, points, asides;
// `around` are gaps and contacts. Lengths below are px of the sheet: the canvas is scaled to them.
export function draw(u, panel, around, beside) {
  const { ctx } = u;
  const ratio = globalThis.uPlot.pxRatio;
  const pen = pens();
  const left = u.bbox.left / ratio;
  const width = u.bbox.width / ratio;
  const height = panel.height;
  const [min, max] = [u.scales.x.min, u.scales.x.max];
  const x = (t) => left + ((t - min) / (max - min)) * width;
  const y = (v) => u.bbox.top / ratio + (1 - (v - panel.scale.low) / (panel.scale.high - panel.scale.low)) * (u.bbox.height / ratio);
  const frame = { ctx, pen, x, y, left, width, right: left + width, height, min, max };
  ctx.save();
  ctx.scale(ratio, ratio);
  ctx.font = `12px ${pen.lettering}`;
  ctx.lineJoin = "round";
  ctx.save();
  ctx.beginPath();
  ctx.rect(left, 0, width, height);
  ctx.clip();
  contacts(frame, panel, around.contacts);
  grid(frame, panel);
  gaps(frame, panel, around.gaps);
  asides(frame, panel);
  limits(frame, panel);
  for (const line of panel.lines) for (const run of line.runs) band(frame, run);
  panel.lines.forEach((line, i) => line.runs.forEach((run) => stroke(frame, run, line, DASHES[i % DASHES.length])));
  for (const line of panel.lines) shapes(frame, line);
  ctx.restore();
  rule(frame, left, height - 0.5, frame.right, height - 0.5, pen.ink, 0.8);
  ticks(frame, panel);
  words(frame, panel, beside);
  if (!panel.lines.some((line) => line.runs.length)) say(frame, panel.nothing, left + width / 2, height / 2, pen.ink2, "center");
  ctx.restore();
}

function rule({ ctx }, x1, y1, x2, y2, colour, weight, dash = []) {
  ctx.strokeStyle = colour;
  ctx.lineWidth = weight;
  ctx.setLineDash(dash);
  ctx.beginPath();
  ctx.moveTo(x1, y1);
  ctx.lineTo(x2, y2);
  ctx.stroke();
  ctx.setLineDash([]);
}

// Words with an edge of paper round them, so that what they lie on does not cross them.
function say({ ctx, pen }, text, x, y, colour, align = "left") {
  ctx.textAlign = align;
  ctx.lineWidth = 3;
  ctx.strokeStyle = pen.paper;
  ctx.strokeText(text, x, y);
  ctx.fillStyle = colour;
  ctx.fillText(text, x, y);
}

function grid(frame, panel) {
  for (const tick of panel.scale.ticks) rule(frame, frame.left, frame.y(tick), frame.right, frame.y(tick), frame.pen.rule, 1);
}

function ticks(frame, panel) {
  panel.scale.ticks.forEach((tick, i) => {
    const text = panel.states ? panel.states[i] : String(Number(tick.toPrecision(6)));
    say(frame, text, frame.left - 6, frame.y(tick) + 4, frame.pen.ink2, "right");
  });
  if (panel.unit) say(frame, panel.unit, frame.left - 6, 10, frame.pen.ink2, "right");
}

function contacts(frame, panel, found) {
  const { ctx, pen } = frame;
  for (const contact of found) {
    const [left, right] = [frame.x(contact.from), frame.x(contact.to)];
    if (right < frame.left || left > frame.right) continue;
    ctx.save();
    ctx.beginPath();
    ctx.rect(left, 0, Math.max(right - left, NARROWEST * frame.width), frame.height);
    ctx.clip();
    ctx.globalAlpha = 0.55;
    const [from, to] = [Math.max(left, frame.left), Math.min(right, frame.right) + 2];
    const first = Math.floor((from - frame.height) / 5) * 5;
    for (let at = first; at < to; at += 5) rule(frame, at, frame.height, at + frame.height, 0, pen.red, 1.1);
    ctx.restore();
    if (panel.first) {
      const end = Math.min(right, frame.right) > frame.right - 60;
      say(frame, contact.words, end ? Math.max(left, frame.left) - 4 : right + 4, 11, pen.red, end ? "right" : "left");
    }
  }
}

function gaps(frame, panel, found) {
  const { ctx, pen } = frame;
  let free = frame.left;
  for (const gap of found) {
    const [left, right] = [Math.max(frame.x(gap.from), frame.left), Math.min(frame.x(gap.to), frame.right)];
    if (right - left < NARROWEST * frame.width) continue;
    ctx.strokeStyle = pen.edge;
    ctx.lineWidth = 1;
    ctx.setLineDash([1, 3]);
    ctx.strokeRect(left, 1, right - left, frame.height - 2);
    ctx.setLineDash([]);
    if (!panel.first) continue;
    const before = right + GAP_WORDS > frame.right;
    const start = before ? left - GAP_WORDS : right;
    if (start < free) continue;
    free = before ? left : right + GAP_WORDS;
    say(frame, gap.words, before ? left - 4 : right + 4, frame.height - 14, pen.ink2, before ? "right" : "left");
  }
}

function asides(frame, panel) {
  const y = frame.height - 3.5;
  for (const [from, to] of panel.asides) {
    const [left, right] = [Math.max(frame.x(from), frame.left), Math.min(frame.x(to), frame.right)];
    if (left >= right) continue;
    rule(frame, left, y, right, y, frame.pen.red, 1);
    for (const at of [left, right]) rule(frame, at, y - 4, at, y + 3, frame.pen.red, 1);
    if (right - left > 70) say(frame, "set aside", left + 5, y - 4, frame.pen.red);
  }
}

const seen = (frame, value) => frame.y(value) >= 0 && frame.y(value) <= frame.height;

function limits(frame, panel) {
  for (const limit of panel.limits) {
    const y = frame.y(limit.value);
    if (seen(frame, limit.value)) rule(frame, frame.left, y, frame.right, y, frame.pen.pencil, 0.8, [6, 3]);
  }
}

// The 95 % band round lowest and highest; none past the end of a curve.
function band({ ctx, pen, x, y }, run) {
  let piece = [];
  const fill = () => {
    if (piece.length > 1) {
      ctx.beginPath();
      for (const p of piece) ctx.lineTo(x(p.t), y(p.high + 2 * p.u));
      for (const p of piece.toReversed()) ctx.lineTo(x(p.t), y(p.low - 2 * p.u));
      ctx.closePath();
      ctx.fillStyle = pen.ink;
      ctx.globalAlpha = 0.1;
      ctx.fill();
      ctx.globalAlpha = 1;
    }
    piece = [];
  };
  for (const point of run) {
    if (point.u === null) fill();
    else piece.push(point);
  }
  fill();
}

function stroke({ ctx, pen, x, y }, run, line, dash) {
  const doubtful = (p) => p.flag === SUSPECT;
  const begin = (red) => {
    ctx.beginPath();
    ctx.strokeStyle = red ? pen.red : pen.ink;
    ctx.lineWidth = red ? 1.1 : 1.9;
    ctx.setLineDash(red ? [5, 3] : dash);
  };
  if (run.length === 1) {
    begin(doubtful(run[0]));
    ctx.setLineDash([]);
    ctx.moveTo(x(run[0].t) - 0.7, y(run[0].level));
    ctx.lineTo(x(run[0].t) + 0.7, y(run[0].level));
    ctx.stroke();
    return;
  }
  let red = null;
  for (let i = 1; i < run.length; i++) {
    const [a, b] = [run[i - 1], run[i]];
    const now = doubtful(a) || doubtful(b);
    if (now !== red) {
      if (red !== null) ctx.stroke();
      begin(now);
      ctx.moveTo(x(a.t), y(a.level));
      red = now;
    }
    if (line.stepped) ctx.lineTo(x(b.t), y(a.level));
    ctx.lineTo(x(b.t), y(b.level));
  }
  ctx.stroke();
  ctx.setLineDash([]);
}

// Flag shapes along a line, thinned out; carets where it lies beyond its curve.
function shapes(frame, line) {
  const { ctx, pen, x, y, height } = frame;
  const last = { [SUSPECT]: -Infinity, [FAIL]: -Infinity, [MISSING]: -Infinity };
  for (const p of line.points) {
    if (p.t < frame.min || p.t > frame.max || !(p.flag in last)) continue;
    // A point with a value of its own isn't marked for a single bad poll among them.
    if (p.level !== null && p.flag !== SUSPECT) continue;
    const at = x(p.t);
    if (at - last[p.flag] < SHAPE_EVERY) continue;
    last[p.flag] = at;
    mark(ctx, pen, p.flag, at, p.level === null ? height - 9 : Math.max(y(p.level) - 11, 8));
  }
  let caret = -Infinity;
  for (const p of line.runs.flat()) {
    const at = x(p.t);
    if (!p.bound || at - caret < SHAPE_EVERY) continue;
    caret = at;
    const sign = p.bound === "at least" ? -1 : 1;
    const top = y(p.level);
    ctx.strokeStyle = pen.ink;
    ctx.lineWidth = 1.6;
    ctx.beginPath();
    ctx.moveTo(at - 4, top + 4 * sign);
    ctx.lineTo(at, top + 9 * sign);
    ctx.lineTo(at + 4, top + 4 * sign);
    ctx.stroke();
  }
}

export function mark(ctx, pen, flag, x, y) {
  const shape = shapeOf(flag);
  ctx.save();
  ctx.translate(x, y);
  ctx.lineJoin = "round";
  if (flag === FAIL) {
    ctx.strokeStyle = pen.paper;
    ctx.lineWidth = 4.5;
    ctx.stroke(shape);
  } else {
    ctx.fillStyle = pen.paper;
    ctx.fill(shape);
  }
  ctx.strokeStyle = flag === NOT_EVALUATED ? pen.ink : pen.red;
  ctx.lineWidth = 1.6;
  if (flag === MISSING) ctx.setLineDash([2.6, 2.2]);
  ctx.stroke(shape);
  ctx.restore();
}

// The names of lines and limits beside the drawing, where they cross nothing.
function words(frame, panel, beside) {
  const { ctx, pen, y, height } = frame;
  if (panel.lines.length < 2 && !panel.limits.length) return; // its title names it
  const fits = (text) => ctx.measureText(text).width <= beside - 12;
  const rows = [];
  for (const line of panel.lines) {
    const end = line.runs.flat().findLast((p) => p.t >= frame.min && p.t <= frame.max);
    if (end) rows.push([y(end.level), inLines(line.name, fits), pen.ink]);
  }
  for (const limit of panel.limits) {
    if (seen(frame, limit.value)) rows.push([y(limit.value), inLines(limit.words, fits), pen.pencil]);
  }
  const sizes = rows.map(([, lines]) => LINE * lines.length);
  const middles = spread(rows.map(([at]) => at), sizes, 0, height);
  rows.forEach(([at, lines, colour], i) => {
    rule(frame, frame.right + 1, at, frame.right + 7, middles[i], colour, 0.8);
    const first = middles[i] - sizes[i] / 2 + LINE - 3.5;
    lines.forEach((text, n) => say(frame, text, frame.right + 10, first + LINE * n, colour));
  });
}
