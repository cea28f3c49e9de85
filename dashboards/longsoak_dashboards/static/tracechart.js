// One panel of the traces as a chart: its canvas, its cursor, and the words it is told in.

import { draw } from "./tracedraw.js";
import { WORDS, nearest, pointsOf, runsOf, spreadWords, valueWords } from "./tracedata.js";
import { timeWords } from "./tracetime.js";

const TOP = 20, FOOT = 8; // px: as in the server's drawing
const LEFT = 46; // px left of the drawing, for its figures
const LEAST_DRAG = 5; // px: less was a click

export class Chart {
  // `panel` is the plan's; `sheet` is told what is done with it.
  constructor(panel, number, sheet) {
    this.panel = Object.assign(panel, { first: number === 0, scale: { low: 0, high: 1, ticks: [] }, asides: [], nothing: "" });
    for (const line of panel.lines) Object.assign(line, { points: [], runs: [] });
    this.around = { gaps: [], contacts: [] };
    this.root = document.createElement("div");
    Object.assign(this.root, { className: "chart", id: `chart-${number}`, tabIndex: 0 });
    this.root.setAttribute("role", "application");
    this.root.setAttribute("aria-roledescription", "drawing");
    this.root.setAttribute("aria-label", `${panel.title}, ${panel.note}. Left and right go from reading to reading, up and down from line to line, plus and minus nearer and further.`);
    this.summary = document.createElement("p");
    Object.assign(this.summary, { className: "vh", id: `summary-${number}` });
    this.root.setAttribute("aria-describedby", this.summary.id);
    this.root.style.height = `${panel.height}px`;
    this.sheet = sheet;
    this.plot = null;
    this.active = 0; // the line that keys step along
    this.read = null; // the time the cursor is at
    this.interval = 0; // ms that a point stands for; 0 is a single reading
  }

  // Put it into its figure, in place of the drawing that came with the sheet.
  mount(figure) {
    figure.querySelector(":scope > svg").after(this.root, this.summary);
    this.figure = figure;
    this.latest = [...figure.querySelectorAll("dl > div > dd")].map((dd) => [...dd.childNodes]);
  }

  // How wide the drawing is, and how much room is beside it, px.
  fit() {
    const width = this.root.clientWidth;
    const stack = this.root.closest(".stack").getBoundingClientRect();
    const beside = Math.max(8, Math.floor(stack.right - this.root.getBoundingClientRect().left - width));
    if (!width || (this.plot && this.width === width && this.beside === beside)) return;
    [this.width, this.beside] = [width, beside];
    this.plot?.destroy();
    this.plot = this.make();
  }

  make() {
    const { since, until } = this.sheet.view;
    const hooks = {
      draw: [(u) => draw(u, this.panel, this.around, this.beside)],
      setCursor: [(u) => this.moved(u)],
      setSelect: [(u) => this.dragged(u)],
    };
    const off = { show: false };
    const plot = new globalThis.uPlot({
      width: LEFT + this.width + this.beside,
      height: this.panel.height,
      padding: [TOP, this.beside, FOOT, LEFT],
      legend: off,
      axes: [off, off],
      scales: { x: { time: false, auto: false }, y: { auto: false } },
      series: [{}, { scale: "y", paths: () => null, points: off }],
      cursor: { y: false, points: off, drag: { x: true, y: false, setScale: false }, bind: { dblclick: () => null } },
      hooks,
    }, [[since, until], [null, null]], this.root);
    plot.root.style.left = `${-LEFT}px`;
    plot.setScale("x", { min: since, max: until });
    plot.setScale("y", { min: this.panel.scale.low, max: this.panel.scale.high });
    return plot;
  }

  // Take in readings: what /api/1/readings says of its probes, by their names.
  take(found, interval, around, asides, aside) {
    [this.around, this.interval] = [around, interval];
    for (const line of this.panel.lines) {
      const probe = found.get(line.probe);
      line.points = probe ? pointsOf(probe, line, interval, around.gaps) : [];
      line.runs = runsOf(line.points, line.patience, interval, around.gaps);
    }
    this.panel.asides = merged(this.panel.lines.flatMap((line) => asides[line.probe] ?? []));
    this.panel.nothing = !aside && this.panel.asides.length ? "Set aside after a contact with the water." : "Nothing in this time can be drawn.";
    this.summary.textContent = this.told();
  }

  redraw(scale = this.panel.scale) {
    this.panel.scale = scale;
    const { plot } = this;
    if (!plot) return;
    const { since, until } = this.sheet.view;
    plot.batch(() => {
      plot.setScale("x", { min: since, max: until });
      plot.setScale("y", { min: scale.low, max: scale.high });
    });
    plot.redraw(false, false);
  }

  moved(u) {
    const inside = u.cursor.left >= 0;
    if (inside) this.sheet.point(u.posToVal(u.cursor.left, "x"));
    else this.sheet.leave();
  }

  dragged(u) {
    const { left, width } = u.select;
    if (!width) return;
    u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
    if (width >= LEAST_DRAG) this.sheet.show(u.posToVal(left, "x"), u.posToVal(left + width, "x"), true);
  }

  // Show the cursor at a time, and what was read nearest to it beside the names; null takes it away.
  cursor(t) {
    const left = t === null || !this.plot ? -10 : this.plot.valToPos(t, "x");
    // Without the hook: it was no hand of the reader's that moved it.
    if (this.plot && Math.abs((this.plot.cursor.left ?? -10) - left) > 0.01) this.plot.setCursor({ left, top: 10 }, false);
    this.read = t;
    [...this.figure.querySelectorAll("dl > div > dd")].forEach((dd, i) => {
      dd.replaceChildren(...(t === null ? this.latest[i] : this.words(i, this.at(i, t))));
    });
  }

  // What was read last, behind the readings that were fetched, by the probes' names.
  append(latest) {
    this.panel.lines.forEach((line, i) => {
      const now = latest.get(line.probe);
      if (!now?.time) return;
      const fails = now.flag === 4 || now.value === null;
      const value = fails ? null : now.value;
      const row = { time_ms: [Date.parse(now.time)], low: [value], mean: [value], high: [value], standard_uncertainty: [now.standard_uncertainty], flag: [now.flag], bound: [fails ? null : now.bound] };
      const [point] = pointsOf(row, line, 0, []);
      if (line.points.length && point.t <= line.points.at(-1).t) return;
      line.points.push(point);
      line.runs = runsOf(line.points, line.patience, this.interval, this.around.gaps);
      // The sheet tells of a fail, and of a resistance, what a point does not hold.
      if (now.flag !== 4 && !line.nominal) this.latest[i] = this.words(i, point);
    });
    this.summary.textContent = this.told();
    this.cursor(this.read);
  }

  at(i, t) {
    return nearest(this.panel.lines[i].points, t);
  }

  words(i, point) {
    const value = document.createElement("b");
    value.textContent = valueWords(point, this.panel);
    const spread = document.createElement("small");
    spread.textContent = spreadWords(point, this.panel);
    const unit = !point || point.level === null ? "" : ` ${this.panel.lines[i].unit} `;
    return [value, unit, spread, ...flagged(point)];
  }

  // One line at a time in a sentence: value, uncertainty, flag.
  sentence(i, t) {
    const point = this.at(i, t);
    const line = this.panel.lines[i];
    const unit = point?.level == null ? "" : line.unit;
    const flag = point && point.flag !== 1 ? `, ${WORDS[point.flag]}` : "";
    return `${line.name}: ${[valueWords(point, this.panel), unit, spreadWords(point, this.panel)].filter(Boolean).join(" ")}${flag}`;
  }

  // What it shows, for whoever can't see it.
  told() {
    const { since, until } = this.sheet.view;
    const parts = this.panel.lines.map((line) => {
      const found = line.points.filter((p) => p.level !== null && p.t >= since && p.t <= until);
      if (!found.length) return `${line.name}: nothing that can be drawn`;
      const said = (p, value) => `${valueWords({ ...p, level: p.bound ? p.level : value }, this.panel)} ${line.unit} on ${timeWords(p.t)}`;
      const last = found.at(-1);
      const [low, high] = [found.reduce((a, b) => (b.low < a.low ? b : a)), found.reduce((a, b) => (b.high > a.high ? b : a))];
      const ends = this.panel.states ? [] : [`lowest ${said(low, low.low)}`, `highest ${said(high, high.high)}`];
      return `${line.name}: ${[`latest ${said(last, last.level)}`, ...ends].join(", ")}`;
    });
    return `${this.panel.title}. ${parts.join(". ")}.`;
  }
}

function flagged(point) {
  if (!point || point.flag === 1) return [];
  const place = document.createElement("span");
  place.className = "flag";
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("class", "words");
  svg.setAttribute("viewBox", "-8 -8 16 16");
  const use = document.createElementNS("http://www.w3.org/2000/svg", "use");
  use.setAttribute("href", `#m${point.flag}`);
  svg.append(use);
  const word = document.createElement("span");
  word.textContent = WORDS[point.flag];
  word.classList.toggle("look", point.flag !== 2);
  place.append(svg, word);
  return [" ", place];
}

// Times in their order, those that touch as one.
function merged(times) {
  const found = [];
  for (const [from, to] of [...times].sort((a, b) => a[0] - b[0])) {
    const last = found.at(-1);
    if (last && from <= last[1]) last[1] = Math.max(last[1], to);
    else found.push([from, to]);
  }
  return found;
}
