// What is heard in the words being typed: candidate lines, one of them marked.

import { byId, h, percent } from "./dom.js";

const MOST_SHOWN = 9;

/** The list below the words. Lines that stand for the same words as a better one come last. */
export class HeardList {
  #call; #lines = []; #marked = 0; #field;

  constructor(call, field) {
    this.#call = call;
    this.#field = field;
  }

  get empty() { return this.#lines.length === 0; }

  /** Takes a new answer of POST /v1/phrases. */
  show(answer) {
    const marked = this.#lines[this.#marked]?.key;
    this.#lines = this.#linesOf(answer).slice(0, MOST_SHOWN);
    const again = this.#lines.findIndex((line) => line.key === marked);
    this.#marked = this.#marked > 0 && again > 0 ? again : 0;
    this.#draw();
    this.#tellUnheard(answer);
  }

  clear() {
    this.#lines = [];
    this.#marked = 0;
    this.#draw();
    byId("unheard").hidden = true;
  }

  mark(step) {
    if (this.empty) return;
    this.#marked = (this.#marked + step + this.#lines.length) % this.#lines.length;
    this.#draw();
  }

  /** Takes the marked line down, as heard or the other way round; returns what was taken, or null. */
  takeMarked(turned) {
    const line = this.#lines[this.#marked];
    return line ? this.#take(line, turned) : null;
  }

  #take(line, turned) {
    this.#lines = this.#lines.filter((other) => other !== line);
    this.#marked = 0;
    this.#draw();
    return line.take(turned);
  }

  #linesOf(answer) {
    if (!answer) return [];
    const call = this.#call;
    const cars = answer.vehicle
      .filter((fact) => call.vehicle[fact.fact] !== fact.value)
      .map((fact) => ({
        key: `car ${fact.fact}`,
        head: `${fact.label}: ${fact.value_label}`,
        sign: "car",
        said: fact.said,
        take: () => {
          call.setVehicle(fact.fact, fact.value);
          return `${fact.label}: ${fact.value_label}`;
        },
      }));
    const codes = answer.trouble_codes
      .filter((code) => !call.codes.includes(code))
      .map((code) => ({
        key: `code ${code}`,
        head: `Trouble code ${code}`,
        sign: "code",
        said: code,
        take: () => {
          call.takeCode(code);
          return `Trouble code ${code}`;
        },
      }));
    const findings = answer.findings
      .filter((f) => call.state(f.finding) === undefined)
      .map((f) => ({
        key: f.finding,
        head: f.label,
        sign: f.state,
        score: f.score,
        second: Boolean(f.rival_of),
        said: f.words.join(" … "),
        take: (turned) => {
          const state = turned === (f.state === "present") ? "absent" : "present";
          call.take({ id: f.finding, label: f.label }, state);
          return `${f.label}: ${state === "present" ? "there" : "not there"}`;
        },
      }));
    const first = findings.filter((line) => !line.second);
    const second = findings.filter((line) => line.second);
    return [...first, ...cars, ...codes, ...second];
  }

  #draw() {
    const list = byId("heard");
    list.replaceChildren(...this.#lines.map((line, i) => this.#row(line, i)));
    const current = this.empty ? null : `heard-${this.#marked}`;
    if (current) this.#field.setAttribute("aria-activedescendant", current);
    else this.#field.removeAttribute("aria-activedescendant");
  }

  #row(line, i) {
    const isFinding = line.sign === "present" || line.sign === "absent";
    const tag = { present: "there", absent: "not there", car: "car", code: "code" }[line.sign];
    const press = (turned) => (event) => {
      event.preventDefault();
      this.#take(line, turned);
      this.#field.focus();
    };
    return h("li", {
      id: `heard-${i}`,
      role: "option",
      "aria-selected": String(i === this.#marked),
      class: `${line.second ? "second" : ""} ${line.sign}`,
    },
    h("span", { class: "tag" }, tag),
    h("span", { class: "head" }, line.head, h("small", {}, ` heard in: ${line.said}`)),
    isFinding && h("span", { class: "score", title: "How sure" }, percent(line.score)),
    h("span", { class: "takes", "aria-hidden": "true" },
      h("span", { class: "take", onpointerdown: press(false) }, isFinding ? `Take: ${tag}` : "Take"),
      isFinding && h("span", { class: "take no", onpointerdown: press(true) },
        line.sign === "present" ? "Not there" : "There")));
  }

  #tellUnheard(answer) {
    const box = byId("unheard");
    box.hidden = !answer?.nothing_matched || answer.vehicle.length + answer.trouble_codes.length > 0;
    if (box.hidden) return;
    const near = answer.nearest.map((f) => f.label).join("; ");
    box.replaceChildren(
      "Nothing is heard in these words yet. Ask: ", h("strong", {}, answer.ask ?? ""),
      near ? h("small", {}, ` Nearest: ${near}.`) : "");
  }
}
