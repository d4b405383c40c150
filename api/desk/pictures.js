// Two pictures: what speaks for and against a cause, and where an answer would move the causes.

import { percent, s } from "./dom.js";

const WIDTH = 460;
const ROW = 26;

let count = 0;

function picture(height, title, description, ...content) {
  const id = `picture-${++count}`;
  return s("svg", {
    class: "picture", viewBox: `0 0 ${WIDTH} ${height}`, role: "img",
    "aria-labelledby": `${id}-t ${id}-d`,
  }, s("title", { id: `${id}-t` }, title), s("desc", { id: `${id}-d` }, description), content);
}

const cut = (text, most) => (text.length > most ? `${text.slice(0, most - 1)}…` : text);

/** Contributions to a cause as bars from a middle line: for it to the right, against it to the left. */
export function contributionPicture(cause) {
  const rows = [...cause.for, ...cause.against].slice(0, 8);
  if (rows.length === 0) return null;
  const most = Math.max(1, ...rows.map((row) => Math.abs(row.log_odds)));
  const middle = WIDTH / 2;
  const name = (row) => `${row.label}${row.state === "absent" ? " (not there)" : ""}`;
  const told = rows.map((row) => `${name(row)}: ${row.log_odds >= 0 ? "for" : "against"}, `
    + `${Math.abs(row.log_odds).toFixed(1)} nats`).join("; ");
  const bars = rows.map((row, i) => {
    const length = (Math.abs(row.log_odds) / most) * (middle - 60);
    const y = 22 + i * 2 * ROW;
    const right = row.log_odds >= 0;
    return s("g", {},
      s("text", { x: middle, y: y + 12, class: "label", "text-anchor": "middle" }, cut(name(row), 62)),
      s("rect", {
        class: right ? "bar-for" : "bar-against",
        x: right ? middle : middle - length, y: y + 18, width: Math.max(length, 1), height: 16,
      }),
      s("text", {
        x: right ? middle + length + 6 : middle - length - 6, y: y + 31, class: "figure",
        "text-anchor": right ? "start" : "end",
      }, `${right ? "+" : "−"}${Math.abs(row.log_odds).toFixed(1)}`));
  });
  const height = 26 + rows.length * 2 * ROW;
  return picture(height, `What speaks for and against: ${cause.label}`, told,
    s("text", { x: middle - 8, y: 14, class: "axis", "text-anchor": "end" }, "← against"),
    s("text", { x: middle + 8, y: 14, class: "axis" }, "for →"),
    s("line", { x1: middle, x2: middle, y1: 20, y2: height, class: "axis-line" }),
    bars);
}

/** Per leading cause: where it stands now (bar), after yes (full triangle) and after no (open circle). */
export function movesPicture(question, causes, labelOf) {
  const after = (state) => {
    const result = question.results.find((r) => r.state === state);
    return new Map((result?.causes ?? []).map((c) => [c.cause, c.probability]));
  };
  const yes = after("present");
  const no = after("absent");
  const now = new Map(causes.map((c) => [c.id, c.probability]));
  const rows = [...new Set([...yes.keys(), ...no.keys()])]
    .map((id) => {
      const stands = now.get(id) ?? 0;
      return { id, now: stands, yes: yes.get(id) ?? stands, no: no.get(id) ?? stands };
    })
    .filter((row) => Math.max(Math.abs(row.yes - row.now), Math.abs(row.no - row.now)) >= 0.005)
    .sort((a, b) => Math.abs(b.yes - b.no) - Math.abs(a.yes - a.no))
    .slice(0, 4);
  if (rows.length === 0) return null;
  const left = 12;
  const wide = WIDTH - left - 176;
  const x = (share) => left + share * wide;
  const told = rows.map((row) => `${labelOf(row.id)}: now ${percent(row.now)}, `
    + `after yes ${percent(row.yes)}, after no ${percent(row.no)}`).join("; ");
  const drawn = rows.map((row, i) => {
    const y = 30 + i * 2 * ROW;
    const line = y + 26;
    return s("g", {},
      s("text", { x: left, y: y + 10, class: "label" }, cut(labelOf(row.id), 62)),
      s("text", { x: WIDTH - 6, y: line + 5, class: "figure", "text-anchor": "end" },
        `yes ${percent(row.yes)}, no ${percent(row.no)}`),
      s("line", { x1: x(0), x2: x(1), y1: line, y2: line, class: "track" }),
      s("line", { x1: x(row.no), x2: x(row.yes), y1: line, y2: line, class: "move" }),
      s("line", { x1: x(row.now), x2: x(row.now), y1: line - 9, y2: line + 9, class: "now" }),
      s("circle", { cx: x(row.no), cy: line, r: 6, class: "no" }),
      s("path", { d: `M${x(row.yes) - 7} ${line + 6}h14l-7 -13z`, class: "yes" }));
  });
  const height = 30 + rows.length * 2 * ROW + 4;
  const key = (at, mark, text) => s("g", { transform: `translate(${at} 12)` }, mark,
    s("text", { x: 12, y: 4, class: "axis" }, text));
  return picture(height, `How an answer would move the causes: ${question.label}`, told,
    key(left + 4, s("line", { x1: 0, x2: 0, y1: -7, y2: 7, class: "now" }), "now"),
    key(left + 70, s("path", { d: "M-7 6h14l-7 -13z", class: "yes" }), "if yes"),
    key(left + 146, s("circle", { cx: 0, cy: 0, r: 6, class: "no" }), "if no"),
    drawn);
}

const SHAPES = {
  stop: "M10 2h12l8 8v12l-8 8H10l-8-8V10z",
  mend_first: "M16 2 31 29H1z",
  run_with_advice: "M16 2 30 16 16 30 2 16z",
  run: "M16 2a14 14 0 1 0 .01 0z",
};
const SIGNS = { stop: "M8 16h16", mend_first: "M16 11v9m0 3v3", run_with_advice: "M16 9v9m0 3v3", run: "M9 16l5 6 9-11" };

/** The sign of a verdict: its outline alone tells it from the others. */
export function verdictSign(verdict) {
  return s("svg", { class: "sign", viewBox: "0 0 32 32", "aria-hidden": "true" },
    s("path", { d: SHAPES[verdict], class: "outline" }), s("path", { d: SIGNS[verdict], class: "inner" }));
}
