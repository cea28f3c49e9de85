// What is drawn, as tables: made when somebody opens them.

import { WORDS, spreadWords, valueWords } from "./tracedata.js";
import { timeWords, zoneWords } from "./tracetime.js";

const MOST = 1000; // rows of a panel; all readings are in the CSV file

function element(name, text, attributes = {}) {
  const found = document.createElement(name);
  found.textContent = text;
  for (const [key, value] of Object.entries(attributes)) found.setAttribute(key, value);
  return found;
}

export function fillTables(place, charts, { since, until }) {
  const made = charts.flatMap(({ panel }, number) => {
    const title = `${panel.title}, ${panel.note}`;
    const lines = panel.lines.map((line) => new Map(line.points.filter((p) => p.t >= since && p.t <= until).map((p) => [p.from, p])));
    const times = [...new Set(lines.flatMap((line) => [...line.keys()]))].sort((a, b) => a - b);
    const head = element("tr", "");
    head.append(...[`from, ${zoneWords(since, until)}`, ...panel.lines.map((l) => [l.name, l.unit].filter(Boolean).join(", "))].map((words) => element("th", words, { scope: "col" })));
    const rows = times.slice(-MOST).map((t) => {
      const row = element("tr", "");
      row.append(element("th", timeWords(t), { scope: "row" }), ...lines.map((line) => element("td", cell(line.get(t), panel))));
      return row;
    });
    const table = element("table", "");
    table.createTHead().append(head);
    table.createTBody().append(...rows);
    const wide = element("div", "", { class: "wide", id: `table-${number + 1}`, tabindex: 0, role: "region", "aria-label": title });
    wide.append(table);
    const rest = times.length > MOST ? [element("p", `The last ${MOST} of ${times.length}; all are in the CSV file.`, { class: "note" })] : [];
    return [element("h3", title), ...rest, wide];
  });
  place.replaceChildren(place.querySelector("summary"), ...made);
}

function cell(point, panel) {
  if (!point) return "";
  const flag = point.flag === 1 ? "" : WORDS[point.flag];
  if (point.level === null) return flag || "none";
  return [[valueWords(point, panel), spreadWords(point, panel)].filter(Boolean).join(" "), flag].filter(Boolean).join(", ");
}
