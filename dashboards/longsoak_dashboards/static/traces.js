// The traces sheet with a browser's help: charts in place of the drawings that came with it, finer
// readings wherever one looks closer, and the address as the exact view. Without this script the
// drawings stay, and links and the form lead to any view.

import { drawAxis } from "./traceaxis.js";
import { Chart } from "./tracechart.js";
import { scaleOf } from "./tracedata.js";
import { reach } from "./tracereach.js";
import { fillTables } from "./tracetable.js";
import { timeWords, utcWords } from "./tracetime.js";

const SHORTEST = 1000; // ms that are drawn at least
const SETTLED = 200; // ms after the last zoom until finer readings are fetched
const FEWEST = 300, MOST = 2000; // points of a line that are asked for
const AT_NOW = 0.01; // of the time drawn: an end so near to now is now
const AGAIN = 500; // ms between two looks for what is newest

const rfc3339 = (t) => new Date(t).toISOString();

class Traces {
  constructor(plan) {
    this.key = keyOf(plan);
    this.plan = plan;
    this.served = plan; // as the sheet it lies on tells it
    this.view = { since: plan.since, until: plan.until, hours: plan.hours, endsNow: plan.endsNow };
    this.end = plan.end;
    this.trail = [];
    this.notes = [];
    this.pointed = null;
    this.words = ""; // what was said of it
    this.fetched = 0;
    this.asked = 0;
    this.charts = plan.panels.map((panel, i) => new Chart(panel, i, this));
    for (const chart of this.charts) reach(chart.root, this.#hands(chart));
  }

  // Put the charts into the sheet as it is now: it may have been fetched anew.
  mount(plan = this.plan) {
    this.served = plan;
    const stack = document.querySelector("#stack");
    this.charts.forEach((chart, i) => chart.mount(stack.querySelector(`figure[data-panel="${i}"]`)));
    stack.classList.add("drawn");
    const tools = document.querySelector("#tools");
    tools.hidden = false;
    tools.addEventListener("click", (event) => this.#press(event.target.closest("button")?.dataset.do));
    const png = document.querySelector("#as-png");
    png.hidden = false;
    png.addEventListener("click", () => this.#png(png));
    const values = document.querySelector("#values");
    values.addEventListener("toggle", () => this.#tables());
    const choose = document.querySelector("#choose");
    choose.addEventListener("toggle", () => this.#still());
    this.fit();
    this.#still();
    this.#told();
    this.#tables();
    for (const chart of this.charts) chart.cursor(this.pointed);
    this.#say(this.words);
  }

  redraw() {
    for (const chart of this.charts) chart.redraw();
  }

  fit() {
    for (const chart of this.charts) chart.fit();
    this.#axes();
  }

  #hands(chart) {
    return {
      timeAt: (x) => {
        const box = chart.root.getBoundingClientRect();
        return this.view.since + ((x - box.left) / box.width) * (this.view.until - this.view.since);
      },
      point: (t) => this.point(t),
      leave: () => this.leave(),
      show: (since, until, done) => this.show(since, until, done),
      nearer: (factor, t) => this.nearer(factor, t),
      shift: (part) => this.shift(part),
      back: () => this.back(),
      all: () => this.all(),
      step: (by) => this.#step(chart, by),
      line: (by) => {
        chart.active = (chart.active + by + chart.panel.lines.length) % chart.panel.lines.length;
        this.#step(chart, 0);
      },
      end: (last) => this.#toEnd(chart, last),
    };
  }

  #press(what) {
    const does = { in: () => this.nearer(2), out: () => this.nearer(0.5), earlier: () => this.shift(-0.5), later: () => this.shift(0.5), back: () => this.back(), all: () => this.all() };
    does[what]?.();
  }

  // Show the time from `since` to `until`. While it still moves it is not `done`, and only then
  // does it get a place in the address and on the way back; null stays where it is.
  show(since, until, done) {
    this.before ??= this.view;
    if (since !== null) {
      const first = Math.min(this.plan.first, this.before.since);
      const length = Math.min(Math.max(until - since, SHORTEST), this.end - first);
      const from = Math.min(Math.max(since, first), this.end - length);
      const endsNow = this.end - (from + length) < AT_NOW * length;
      this.view = { since: from, until: endsNow ? this.end : from + length, hours: null, endsNow };
      this.#draw();
    }
    if (!done) return;
    this.trail.push(this.before);
    this.before = null;
    this.#settle();
  }

  nearer(factor, t = this.pointed ?? (this.view.since + this.view.until) / 2) {
    const { since, until } = this.view;
    this.show(t - (t - since) / factor, t + (until - t) / factor, true);
  }

  shift(part) {
    const by = part * (this.view.until - this.view.since);
    this.show(this.view.since + by, this.view.until + by, true);
  }

  back() {
    const before = this.trail.pop();
    if (!before) return;
    this.view = before.endsNow ? this.#upToNow(before) : before;
    this.#draw();
    this.#settle();
  }

  all() {
    this.trail.push(this.view);
    this.view = { since: Math.min(this.plan.first, this.end - SHORTEST), until: this.end, hours: "all", endsNow: true };
    this.#draw();
    this.#settle();
  }

  #upToNow(view) {
    const moves = view.hours !== null && view.hours !== "all";
    return { ...view, since: moves ? this.end - (view.until - view.since) : view.since, until: this.end };
  }

  // The cursor at a time, over all drawings.
  point(t) {
    this.pointed = t;
    for (const chart of this.charts) chart.cursor(t);
    const shown = this.charts.flatMap((c) => c.panel.lines.map((_, i) => c.at(i, t)?.t)).filter((x) => x !== undefined);
    const near = shown.reduce((a, b) => (Math.abs(b - t) < Math.abs(a - t) ? b : a), shown[0] ?? t);
    this.#say(`${timeWords(near)} (${utcWords(near)})`);
  }

  leave() {
    if (this.pointed === null) return;
    this.pointed = null;
    for (const chart of this.charts) chart.cursor(null);
    this.#say("");
  }

  #step(chart, by) {
    const { points, name } = chart.panel.lines[chart.active];
    const inside = points.filter((p) => p.t >= this.view.since && p.t <= this.view.until);
    if (!inside.length) return this.#say(`${name}: nothing in this time.`);
    const at = inside.indexOf(chart.at(chart.active, this.pointed ?? this.view.until));
    const place = this.pointed === null ? inside.length - 1 : Math.min(Math.max((at < 0 ? inside.length - 1 : at) + by, 0), inside.length - 1);
    this.point(inside[place].t);
    const odd = place === 0 ? ", the first here" : place === inside.length - 1 ? ", the last here" : "";
    this.#say(`${chart.sentence(chart.active, inside[place].t)}, ${timeWords(inside[place].t)} (${utcWords(inside[place].t)})${odd}`);
  }

  #toEnd(chart, last) {
    this.pointed = last ? this.view.until : this.view.since;
    this.#step(chart, 0);
  }

  #say(words) {
    this.words = words;
    const place = document.querySelector("#said");
    if (place.textContent !== words) place.textContent = words;
  }

  // What came of readings on each unit's common scale.
  #draw() {
    const kinds = new Map();
    for (const { panel } of this.charts) kinds.set(panel.kind, [...(kinds.get(panel.kind) ?? []), panel]);
    for (const [kind, panels] of kinds) {
      const points = panels.flatMap((p) => p.lines.flatMap((l) => l.points.filter((x) => x.t >= this.view.since && x.t <= this.view.until)));
      const limits = panels.flatMap((p) => p.limits);
      const scale = panels[0].states ? { low: 0, high: 1, ticks: [0, 1] } : scaleOf(points, limits, panels[0].least);
      if (!points.some((p) => p.level !== null) && !panels[0].states && !limits.some((l) => l.always)) scale.ticks = [];
      for (const chart of this.charts) if (chart.panel.kind === kind) chart.redraw(scale);
    }
    this.#axes();
  }

  #axes() {
    for (const place of document.querySelectorAll("#stack .axis-of")) drawAxis(place, this.view, this.notes);
  }

  // Once the time stands: the address, the links, and readings as fine as they are.
  #settle() {
    const address = `/traces?${this.#query()}`;
    if (address !== location.pathname + location.search) history.replaceState(history.state, "", address);
    this.#told();
    clearTimeout(this.due);
    this.due = setTimeout(() => this.load(), SETTLED);
  }

  #query() {
    const { since, until, hours, endsNow } = this.view;
    const times = hours !== null ? [`hours=${hours}`] : [`from=${encodeURIComponent(rfc3339(since))}`, ...(endsNow ? [] : [`to=${encodeURIComponent(rfc3339(until))}`])];
    return [...this.plan.query, ...times].join("&");
  }

  #told() {
    document.querySelector("#picture").href = `/traces/picture.svg?${this.#query()}`;
    document.querySelector("#numbers").href = `/api/1/readings?${this.#readings()}&format=csv&points=all`;
    document.querySelector('#tools [data-do="back"]').disabled = !this.trail.length;
    const { since, until, hours, endsNow } = this.view;
    const other = hours === null && (since !== this.served.since || (until !== this.served.until && !endsNow));
    const moved = hours !== this.served.hours || other;
    document.querySelector("#lead").hidden = moved;
    let place = document.querySelector("#drawn-now");
    if (!place) {
      place = Object.assign(document.createElement("span"), { id: "drawn-now" });
      document.querySelector("#lead").after(place);
    }
    place.textContent = moved ? `${timeWords(since)} to ${endsNow ? "now" : timeWords(until)}.` : "";
  }

  #readings() {
    const names = this.plan.panels.flatMap((panel) => panel.lines.map((line) => `probe=${encodeURIComponent(line.probe)}`));
    const [from, to] = [this.view.since, this.view.until].map((t) => encodeURIComponent(rfc3339(t)));
    return [...new Set(names), `from=${from}`, `to=${to}`, ...(this.plan.aside ? [] : ["aside=without"])].join("&");
  }

  // Fetch what is drawn; an answer that was overtaken by another question is dropped.
  async load() {
    const number = ++this.asked;
    const names = this.plan.panels.some((panel) => panel.lines.length);
    if (!names) return;
    const points = Math.round(Math.min(Math.max(this.charts[0].root.clientWidth, FEWEST), MOST));
    this.fetched = performance.now();
    const [from, to] = [this.view.since, this.view.until].map((t) => encodeURIComponent(rfc3339(t)));
    try {
      const [readings, around] = await Promise.all([
        get(`/api/1/readings?${this.#readings()}&points=${points}`),
        get(`/traces/around.json?from=${from}&to=${to}`),
      ]);
      if (number !== this.asked) return;
      this.#take(readings, around);
    } catch {
      // The stream says that there is no connection, and what was drawn stays.
    }
  }

  #take(readings, around) {
    const found = new Map(readings.probes.map((probe) => [probe.probe, probe]));
    const gaps = readings.gaps.map((gap) => ({ from: Date.parse(gap.from), to: Date.parse(gap.to), words: gap.words }));
    this.notes = around.notes;
    for (const chart of this.charts) chart.take(found, readings.interval_ms, { gaps, contacts: around.contacts }, around.asides, this.plan.aside);
    document.querySelector("#stack").dataset.raw = readings.raw;
    this.#draw();
    this.#tables();
    for (const chart of this.charts) chart.cursor(this.pointed);
  }

  // The record has grown: go on to now, if that is where the drawing ends.
  async news() {
    if (this.looking || document.hidden) return;
    this.looking = true;
    try {
      const now = await get("/api/1/latest");
      this.end = Math.max(Date.parse(now.now), now.last_scan ? Date.parse(now.last_scan) : 0);
      if (this.view.endsNow && !this.before) {
        this.view = this.#upToNow(this.view);
        const each = (this.view.until - this.view.since) / FEWEST;
        if (performance.now() - this.fetched >= Math.min(each, 300_000)) await this.load();
        else this.#append(now);
      }
    } catch {
      // As above: the stream says it.
    } finally {
      setTimeout(() => (this.looking = false), AGAIN);
    }
  }

  // What was read last, behind the readings that were fetched.
  #append(now) {
    const latest = new Map(now.probes.map((probe) => [probe.probe, probe]));
    for (const chart of this.charts) chart.append(latest);
    this.#draw();
  }

  #tables() {
    const place = document.querySelector("#values");
    if (place.open && this.asked) fillTables(place, this.charts, this.view);
  }

  // While somebody chooses, the sheet must not be changed under the hand.
  #still() {
    document.querySelector("main").toggleAttribute("data-still", document.querySelector("#choose").open);
  }

  async #png(button) {
    button.disabled = true;
    try {
      const image = new Image();
      image.src = document.querySelector("#picture").href;
      await image.decode();
      const canvas = Object.assign(document.createElement("canvas"), { width: 2 * image.naturalWidth, height: 2 * image.naturalHeight });
      canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
      const blob = await new Promise((done) => canvas.toBlob(done, "image/png"));
      const link = Object.assign(document.createElement("a"), { href: URL.createObjectURL(blob), download: "traces.png" });
      link.click();
      setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
    } catch {
      this.#say("The picture could not be made: the rig does not answer.");
    } finally {
      button.disabled = false;
    }
  }
}

async function get(address) {
  const answer = await fetch(address, { cache: "no-store" });
  if (!answer.ok) throw new Error(`${answer.status}`);
  return answer.json();
}

const keyOf = (plan) => JSON.stringify([plan.query, plan.panels]);
const planOf = () => JSON.parse(document.querySelector("#plan").textContent);

if (globalThis.uPlot && document.querySelector("#plan")) {
  let traces = new Traces(planOf());
  traces.mount();
  traces.load();
  document.addEventListener("changed-in-place", () => {
    const plan = planOf();
    if (keyOf(plan) !== traces.key) {
      traces = new Traces(plan);
      traces.load();
    }
    traces.mount(plan);
  });
  document.addEventListener("news", () => traces.news());
  new ResizeObserver(() => traces.fit()).observe(document.querySelector("main"));
  for (const query of ["(prefers-color-scheme: dark)", "(forced-colors: active)"]) {
    matchMedia(query).addEventListener("change", () => traces.redraw());
  }
}
