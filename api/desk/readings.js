// Readings: a small form for each measure, its result, and what it implies taken down in the call.

import { byId, h, percent } from "./dom.js";
import { Refusal, send } from "./service.js";

const STATE = { present: "there", absent: "not there", unknown: "not decided" };
const REFERENCE = { gauge: " gauge", absolute: " abs" };

/** A number as people write it: four figures. */
export function figure(value) {
  if (value === 0) return "0";
  const size = Math.abs(value);
  if (size >= 1e6 || size < 1e-4) return value.toExponential(2);
  return String(Number(value.toPrecision(4)));
}

/** The section with the form; `measures` come from GET /v1/measures when it is opened first. */
export class Readings {
  #call; #refused; #measures = new Map(); #answer = null; #asked = 0;

  /** `refused(error)` takes what is not about the readings; it gives true when the same may be tried again. */
  constructor(call, refused) {
    this.#call = call;
    this.#refused = refused;
    byId("readings-box").addEventListener("toggle", () => this.#open());
    byId("measure").addEventListener("change", () => this.#draw());
  }

  async #open() {
    if (!byId("readings-box").open || this.#measures.size) return;
    const answer = await this.#try(() => send("/v1/measures"));
    if (!answer) return;
    for (const measure of answer.measures) this.#measures.set(measure.id, measure);
    byId("measure").replaceChildren(...answer.measures.map((m) => h("option", { value: m.id }, m.label)));
    this.#draw();
  }

  async #try(work) {
    for (;;) {
      try {
        return await work();
      } catch (error) {
        if (error instanceof Refusal && error.status === 422) throw error;
        if (!await this.#refused(error)) return null;
      }
    }
  }

  get #measure() { return this.#measures.get(byId("measure").value); }

  #draw() {
    const measure = this.#measure;
    this.#answer = null;
    byId("measured").replaceChildren();
    byId("measure-form").replaceChildren(
      h("p", { class: "asks" }, measure.asks),
      h("img", { class: "scheme", src: measure.picture, alt: `Scheme: ${measure.label}`, width: 320, height: 180 }),
      ...measure.cautions.map((c) => h("p", { class: "take-care" }, h("strong", {}, `${c.label}. `), c.wording,
        h("small", {}, ` ${c.defers_to}`))),
      h("form", { novalidate: true, onsubmit: (event) => { event.preventDefault(); this.#calculate(); } },
        measure.inputs.map((input) => this.#row(input)),
        h("div", { class: "answers" },
          h("button", { class: "yes" }, "Calculate"),
          h("button", { type: "button", onclick: () => this.#fill() }, "Fill in an example"))));
  }

  #row(input) {
    const id = `reading-${input.name}`;
    const helps = [`${id}-help`, `${id}-wrong`];
    const field = Object.keys(input.choices ?? {}).length
      ? h("select", { id, name: input.name, "aria-describedby": helps.join(" ") },
        h("option", { value: "" }, input.default ? `as a rule: ${input.choices[input.default]}` : "choose"),
        Object.entries(input.choices).map(([value, text]) => h("option", { value }, text)))
      : h("input", {
        id, name: input.name, type: "text", autocomplete: "off", spellcheck: "false", maxlength: 2000,
        placeholder: input.default ?? input.example, "aria-describedby": helps.join(" "),
      });
    const hints = [
      input.needed && !input.default ? "Needed." : null,
      input.choices && Object.keys(input.choices).length ? null : `As ${input.example}${input.many ? ", several" : ""}.`,
      input.default && !Object.keys(input.choices ?? {}).length ? `Taken as ${input.default} if left out.` : null,
      input.help || null,
    ].filter(Boolean);
    return h("div", { class: "reading" },
      h("label", { for: id }, input.label),
      field,
      h("small", { id: helps[0] }, hints.join(" ")),
      h("p", { id: helps[1], class: "wrong", role: "alert" }));
  }

  #fill() {
    for (const [name, text] of Object.entries(this.#measure.example)) {
      const field = byId(`reading-${name}`);
      if (field) field.value = text;
    }
  }

  async #calculate() {
    const measure = this.#measure;
    const mine = ++this.#asked;
    const fields = [...byId("measure-form").querySelectorAll("input, select")];
    const readings = {};
    for (const field of fields) {
      field.removeAttribute("aria-invalid");
      byId(`${field.id}-wrong`).textContent = "";
      if (field.value.trim()) readings[field.name] = field.value.trim();
    }
    let answer;
    try {
      answer = await this.#try(() => send(`/v1/measures/${measure.id}`, { readings }));
    } catch (refusal) {
      if (mine === this.#asked) this.#wrong(refusal);
      return;
    }
    if (answer && mine === this.#asked && this.#measure === measure) this.#show(answer);
  }

  #wrong(refusal) {
    byId("measured").replaceChildren();
    let first = null;
    const others = [];
    for (const issue of refusal.details?.errors ?? []) {
      const name = issue.field.split(".")[1];
      const field = name && byId(`reading-${name}`);
      const accepted = issue.accepted?.length ? ` Accepted: ${issue.accepted.join(", ")}.` : "";
      const text = `${issue.message}.${accepted}`;
      if (!field) { others.push(text); continue; }
      field.setAttribute("aria-invalid", "true");
      byId(`${field.id}-wrong`).textContent = text;
      first ??= field;
    }
    if (others.length || !first) {
      byId("measured").replaceChildren(h("p", { class: "wrong", role: "alert" }, others.join(" ") || refusal.message));
    }
    first?.focus();
  }

  #show(answer) {
    this.#answer = answer;
    const { findings, measurements } = answer.facts;
    const takes = findings.length + measurements.length > 0;
    byId("measured").replaceChildren(
      ...answer.says.map((said) => h("p", { class: "said" }, said)),
      h("table", { class: "results" }, h("caption", { class: "unseen" }, `Results: ${answer.label}`),
        h("tbody", {}, answer.results.map((r) => h("tr", {}, h("th", { scope: "row" }, r.label),
          h("td", {}, `${figure(r.value)}${r.plus_minus ? ` ± ${figure(r.plus_minus)}` : ""} ${r.unit}${REFERENCE[r.reference] ?? ""}`))))),
      ...(answer.findings.length ? [h("ul", { class: "implied" }, answer.findings.map((f) => h("li", { class: f.state },
        h("span", { class: "tag" }, STATE[f.state]), h("span", { class: "head" }, f.label),
        h("small", {}, `${f.state === "unknown" ? `${percent(f.strength)} beyond its limit` : `${percent(f.strength)} sure of the reading`}. ${f.because}`))))] : []),
      ...answer.caveats.map((c) => h("p", { class: "hint" }, c)),
      ...(takes ? [h("div", { class: "answers" }, h("button", { type: "button", class: "yes", onclick: () => this.#take() }, "Take down"))] : []),
      h("details", {}, h("summary", {}, "What it rests on"),
        h("ul", {}, answer.formulas.map((f) => h("li", {}, h("code", {}, f.text), ` ${f.source.title}`)),
          answer.assumes.map((a) => h("li", {}, a)))));
  }

  #take() {
    const labels = new Map(this.#answer.findings.map((f) => [f.id, f.label]));
    const findings = this.#answer.facts.findings.map(({ id, state }) => ({ id, label: labels.get(id) ?? id, state }));
    this.#call.takeAll(findings, this.#answer.facts.measurements);
    byId("announce").textContent = `Taken down: ${findings.length} findings and ${this.#answer.facts.measurements.length} readings.`;
  }
}
