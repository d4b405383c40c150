// The answer of POST /v1/triage on the page: verdict and holds, questions, causes, tests, cautions.

import { byId, h, percent, words } from "./dom.js";
import { contributionPicture, movesPicture, verdictSign } from "./pictures.js";

const MOST_CAUSES = 6;

const CALLED = {
  run: "May run",
  run_with_advice: "May run, with advice",
  mend_first: "Mend first",
  stop: "Stop",
};

const kept = (before, draw) => {
  const open = new Set([...before.querySelectorAll("details[open]")].map((d) => d.dataset.key));
  draw();
  for (const details of before.querySelectorAll("details")) details.open = open.has(details.dataset.key);
};

/** Draws answers, and tells what is answered to the question that is marked. */
export class AnswerView {
  #answered; #labels; #marked = 0; #answer = null; #seen = "";

  /** `answered(question, state)` is called for each answer; `labels` maps ids of causes to labels. */
  constructor(answered, labels) {
    this.#answered = answered;
    this.#labels = labels;
    byId("ask").addEventListener("keydown", (event) => this.#key(event));
  }

  get answer() { return this.#answer; }

  /** Draws an answer; `blank` while nothing is taken down, when a verdict would only speak of cars at large. */
  show(answer, blank) {
    this.#answer = answer;
    this.#marked = 0;
    if (blank) this.#noVerdict();
    else this.#verdict();
    this.#questions();
    this.#causes();
    this.#tests();
    this.#cautions();
    byId("stamp").textContent = `Knowledge base ${answer.kb.version} (${answer.kb.revision}), `
      + `decision ${answer.decision_id}`;
    return blank ? null : this.#spoken();
  }

  #noVerdict() {
    const box = byId("verdict");
    box.className = "verdict";
    this.#seen = "";
    box.replaceChildren(h("div", { class: "word" }, h("p", {}, h("strong", {}, "No verdict yet"), " ",
      h("span", {}, "Nothing is taken down."))));
  }

  /** Says beside the verdict that it is not up to date; the next answer takes that away. */
  stale(why) {
    const box = byId("verdict");
    box.querySelector(".stale")?.remove();
    box.prepend(h("p", { class: "stale" }, why));
  }

  /** What a screen reader is told when verdict or holds have changed. */
  #spoken() {
    const { verdict, holds } = this.#answer;
    const text = `Verdict: ${CALLED[verdict.verdict]}. ${holds.map((hold) => `Hold: ${hold.why}`).join(" ")}`;
    if (text === this.#seen) return null;
    this.#seen = text;
    return text;
  }

  #verdict() {
    const { verdict, holds, conflicts, unmatched_codes: unmatched, method } = this.#answer;
    const box = byId("verdict");
    box.className = `verdict is-${verdict.verdict}`;
    const reasons = verdict.reasons.filter((reason) => !reason.startsWith("Hold: "));
    box.replaceChildren(
      h("div", { class: "word" },
        verdictSign(verdict.verdict),
        h("p", {}, h("strong", {}, CALLED[verdict.verdict]), " ", h("span", {}, verdict.headline)),
        holds.length > 0 && h("p", { class: "held" }, holds.length === 1 ? "1 hold" : `${holds.length} holds`)),
      ...(holds.length ? [h("ul", { class: "holds" }, holds.map((hold) => h("li", {},
        verdictSign(hold.verdict),
        h("p", {}, h("strong", {}, `Hold, ${words(hold.verdict)}: `), hold.why,
          h("small", {}, ` Lifted when: ${hold.lifted_by}`)))))] : []),
      h("details", { "data-key": "why" }, h("summary", {}, "Why this verdict"),
        h("ul", {}, reasons.map((reason) => h("li", {}, reason))),
        !method.exact && h("p", {}, "Some probabilities are bounds, not exact sums.")),
      ...conflicts.map((c) => h("p", { class: "conflict" }, `They disagree: ${c.message}`)),
      ...(unmatched.length ? [h("p", { class: "conflict" }, `Nothing is known here of ${unmatched.join(", ")}.`)] : []));
  }

  #questions() {
    const questions = this.#answer.next_questions ?? [];
    const held = byId("ask").contains(document.activeElement);
    byId("ask").replaceChildren(...(questions.length
      ? questions.map((question, i) => this.#question(question, i))
      : [h("p", { class: "hint" }, "No question would change anything now. See the tests.")]));
    if (held) this.#focus();
  }

  #question(question, i) {
    const marked = i === this.#marked;
    const give = (state) => () => this.#answered(question, state);
    return h("div", {
      class: `question${marked ? " marked" : ""}`, role: "group", "data-at": i,
      tabindex: marked ? 0 : -1, "aria-label": `Question: ${question.question} Y yes, N no, U nobody knows.`,
    },
    h("p", { class: "read-out" }, question.question),
    h("div", { class: "answers" },
      h("button", { type: "button", class: "yes", tabindex: marked ? 0 : -1, onclick: give("present") }, "Yes", h("kbd", {}, "Y")),
      h("button", { type: "button", class: "no", tabindex: marked ? 0 : -1, onclick: give("absent") }, "No", h("kbd", {}, "N")),
      h("button", { type: "button", tabindex: marked ? 0 : -1, onclick: give("unknown") }, "Not known", h("kbd", {}, "U"))),
    marked && movesPicture(question, this.#answer.causes ?? [], this.#labels));
  }

  #key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const questions = this.#answer?.next_questions ?? [];
    const states = { y: "present", n: "absent", u: "unknown" };
    const state = states[event.key.toLowerCase()];
    if (state && questions[this.#marked]) {
      event.preventDefault();
      this.#answered(questions[this.#marked], state);
      return;
    }
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (step && questions.length) {
      event.preventDefault();
      this.#marked = (this.#marked + step + questions.length) % questions.length;
      this.#questions();
      this.#focus();
    }
  }

  #focus() {
    byId("ask").querySelector(".question.marked")?.focus({ preventScroll: false });
  }

  #causes() {
    const all = this.#answer.causes ?? [];
    const raised = all.filter((c) => c.probability >= 0.01 && c.probability > 1.2 * c.prior);
    const shown = (raised.length ? raised : all.slice(0, 1)).slice(0, MOST_CAUSES);
    const list = byId("causes");
    const anythingKnown = all.some((c) => c.for.length + c.against.length > 0);
    kept(list, () => list.replaceChildren(...(anythingKnown ? shown : []).map((cause) => this.#cause(cause))));
    if (!anythingKnown) {
      list.replaceChildren(h("li", { class: "hint" }, "Nothing is taken down yet that speaks for a cause."));
    }
  }

  #cause(cause) {
    const span = cause.low === undefined ? "" : ` (between ${percent(cause.low)} and ${percent(cause.high)})`;
    const why = contributionPicture(cause);
    const bar = h("span", { class: "bar", "aria-hidden": "true" }, h("span", { class: `fill ${cause.consequence}` }));
    bar.firstChild.style.width = `${Math.max(1, 100 * cause.probability)}%`;
    return h("li", {},
      h("div", { class: "line" },
        h("span", { class: "share" }, percent(cause.probability)),
        h("span", { class: "name" }, cause.label,
          h("span", { class: `means ${cause.consequence}` }, words(cause.consequence)))),
      bar,
      h("p", { class: "why" }, [...cause.for.slice(0, 3).map((c) => ["+", c]), ...cause.against.slice(0, 2).map((c) => ["−", c])]
        .map(([sign, c]) => `${sign} ${c.label}${c.state === "absent" ? " (not there)" : ""}`).join("; "), span),
      h("details", { "data-key": cause.id },
        h("summary", {}, "Why, and what mends it"),
        why,
        h("p", {}, `If ignored: ${cause.if_ignored}`),
        cause.fixes.length > 0 && h("ul", {}, cause.fixes.map((fix) => h("li", {}, `${fix.label}, about ${fix.minutes} min`)))));
  }

  #tests() {
    const { next_tests: tests = [], withheld_tests: withheld = [], cautions = [] } = this.#answer;
    const caution = new Map(cautions.map((c) => [c.id, c.label]));
    const list = byId("tests");
    list.replaceChildren(...tests.map((test) => h("li", {},
      h("p", { class: "line" }, h("strong", {}, test.label),
        h("span", { class: "how" }, [test.required_by.length ? "required" : null, test.confirms.length ? "confirms" : null,
          `${test.minutes} min`, test.place, test.skill].filter(Boolean).join(", "))),
      test.cautions.length > 0 && h("p", { class: "take-care" }, `Take care: ${test.cautions.map((c) => caution.get(c) ?? words(c)).join("; ")}`),
      test.check_first.map((first) => h("p", { class: "take-care" }, `First: ${first}`)))),
    ...withheld.map((test) => h("li", { class: "withheld" }, h("strong", {}, `Not now: ${test.label}. `), test.because.join("; "))));
    if (tests.length + withheld.length === 0) list.replaceChildren(h("li", { class: "hint" }, "No test is called for."));
  }

  #cautions() {
    byId("care").replaceChildren(...(this.#answer.cautions ?? []).map((c) => h("li", {},
      h("strong", {}, `${c.label}. `), c.wording, h("small", {}, ` ${c.defers_to}`))));
  }
}
