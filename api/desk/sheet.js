// The sheet for the owner: what was said, what it means, what to do, in plain words, for paper.

import { byId, h, percent } from "./dom.js";

const MEANS = {
  run: "From what you told us, nothing speaks against a full-load run. The car is looked over before it runs all the same.",
  run_with_advice: "From what you told us, the car may run. Something should be seen to soon; it is listed below.",
  mend_first: "From what you told us, something has to be mended or ruled out before the car runs under full load.",
  stop: "From what you told us, please do not drive the car hard, and do not drive it further than you must, until the points below are seen to.",
};

/** Draws the sheet from the call and its answer. */
export function drawSheet(call, answer, known) {
  const { verdict, holds, causes = [], next_tests: tests = [], cautions = [] } = answer;
  const likely = causes.filter((c) => c.probability >= 0.1 && c.for.length > 0).slice(0, 4);
  const there = call.findings.filter((f) => f.state === "present");
  const gone = call.findings.filter((f) => f.state === "absent");
  const blank = call.blank;
  const list = (items) => h("ul", {}, items.map((item) => h("li", {}, item)));
  byId("sheet").replaceChildren(...[
    h("h1", {}, "Before the full-load run"),
    h("p", { class: "date" }, `${new Date().toLocaleString()}. Car: `, known.length ? known.join("; ") : "nothing noted", "."),
    h("h2", {}, blank ? "No verdict: nothing was taken down." : verdict.headline),
    !blank && h("p", {}, MEANS[verdict.verdict]),
    holds.length > 0 && [h("h3", {}, "What holds the run"), list(holds.map((hold) => `${hold.why} Lifted when: ${hold.lifted_by}`))],
    h("h3", {}, "What you told us"),
    there.length + gone.length > 0
      ? list([...there.map((f) => f.label), ...gone.map((f) => `Not there: ${f.label}`), ...call.codes.map((c) => `Trouble code ${c}`)])
      : h("p", {}, "Nothing yet."),
    likely.length > 0 && [h("h3", {}, "What is likely behind it"),
      list(likely.map((c) => `${c.label} (${percent(c.probability)}). If ignored: ${c.if_ignored}`))],
    tests.length > 0 && [h("h3", {}, "What we would test"), list(tests.map((t) => `${t.label}, about ${t.minutes} minutes`))],
    cautions.length > 0 && [h("h3", {}, "Please take care"), list(cautions.map((c) => `${c.label}. ${c.wording}`))],
    h("p", { class: "deferral" }, "This is advice from what was said on the telephone, no certificate and no promise. "
      + "Local codes, the vehicle maker's procedures and licensed practice come first."),
    h("p", { class: "stamp" }, `Knowledge base ${answer.kb.version} (${answer.kb.revision}), decision ${answer.decision_id}`),
  ].flat().filter(Boolean));
}
