// The walk: stages and points in order, four answers each, a note and photographs.

import { byId, h, words } from "./dom.js";

const ANSWERS = { good: "Good", advise: "Advise", mend: "Mend", not_checked: "Not checked" };
const STATES = { open: "to do", waits: "waits", withheld: "withheld" };
const TYPES = "image/jpeg,image/png,image/webp";

/** Draws the walk of a case and sends its answers. */
export class Walk {
  #ask; #say; #changed; #label;
  #case = null; #inspection = null; #photographs = []; #open = null;
  #typed = new Map(); #pictures = new Map();

  /** `ask` sends; `changed(told)` is called with what the walk says after each change. */
  constructor({ ask, say, changed, label }) {
    this.#ask = ask;
    this.#say = say;
    this.#changed = changed;
    this.#label = label;
    byId("plan-form").addEventListener("submit", (event) => {
      event.preventDefault();
      this.#plan(byId("minutes").value);
    });
    byId("ten").addEventListener("click", () => {
      byId("minutes").value = "10";
      this.#plan("10");
    });
  }

  get inspection() { return this.#inspection; }

  /** Reads the walk of a case and draws it. */
  async load(id) {
    if (id !== this.#case) {
      this.#case = id;
      this.#open = null;
      this.#typed.clear();
    }
    const [inspection, list] = [await this.#ask(`/v1/cases/${id}/inspection`), await this.#ask(`/v1/cases/${id}/photographs`)];
    if (!inspection || id !== this.#case) return;
    this.#photographs = list?.photographs ?? [];
    this.#show(inspection);
  }

  #points() { return this.#inspection.stages.flatMap((stage) => stage.points); }

  #show(inspection) {
    this.#inspection = inspection;
    const points = this.#points();
    if (!points.some((point) => point.id === this.#open)) this.#open = points.find((point) => point.state === "open")?.id ?? null;
    byId("minutes").value = inspection.budget ?? "";
    const later = inspection.left_for_later.length;
    byId("left").textContent = `${points.filter((p) => p.state === "answered").length} of ${points.length} points answered. `
      + (later ? `${later} points are left for later. ` : "")
      + (inspection.left_out.length ? `${inspection.left_out.length} cannot matter for this car.` : "");
    const cautions = new Map(inspection.cautions.map((caution) => [caution.id, caution]));
    byId("stages").replaceChildren(...inspection.stages.map((stage) => h("section", { class: "stage", "aria-label": stage.label },
      h("h2", {}, stage.label), h("p", {}, stage.position, h("small", {}, ` ${stage.minutes} min to get there.`)),
      this.#care(stage.cautions, cautions),
      stage.points.map((point) => this.#point(point, cautions)))));
    this.#changed(inspection);
  }

  #care(ids, cautions) {
    return ids.filter((id) => cautions.has(id)).map((id) => h("details", { class: "take-care" },
      h("summary", {}, cautions.get(id).label), h("p", {}, `${cautions.get(id).wording} ${cautions.get(id).defers_to}`)));
  }

  #point(point, cautions) {
    const mark = point.answer ? ANSWERS[point.answer] : STATES[point.state];
    const open = point.id === this.#open;
    const box = h("div", { class: `point is-${point.answer ?? point.state}`, id: `point-${point.id}` },
      h("button", {
        type: "button", "aria-expanded": String(open), "aria-controls": `body-${point.id}`,
        onclick: () => this.#unfold(open ? null : point.id),
      }, h("span", { class: "mark" }, mark), h("span", {}, point.label), h("small", {}, ` ${words(point.spot)}`)),
      open ? this.#body(point, cautions) : h("div", { id: `body-${point.id}`, hidden: true }));
    return box;
  }

  #body(point, cautions) {
    const typed = this.#typed.get(point.id) ?? { note: point.note ?? "", seen: null };
    this.#typed.set(point.id, typed);
    const held = point.state === "withheld" || point.state === "waits";
    const labelOf = (id) => this.#points().find((p) => p.id === id)?.label ?? words(id);
    const choices = [...new Set([...Object.keys(point.sets.mend), ...Object.keys(point.sets.advise)])];
    return h("div", { class: "body", id: `body-${point.id}` },
      h("p", { class: "good" }, point.good),
      h("ol", {}, point.by_hand.map((step) => h("li", {}, step))),
      point.limits.length > 0 && h("ul", { class: "dots" }, point.limits.map((limit) => h("li", {}, limit.text))),
      h("small", {}, `${point.minutes} min, ${words(point.skill)}.`,
        point.added_by.length ? ` Called for by: ${point.added_by.map(this.#label).join(", ")}.` : ""),
      this.#care(point.cautions, cautions),
      point.state === "waits" && h("p", { class: "why" }, `First: ${point.waits_for.map(labelOf).join(", ")}.`),
      point.state === "withheld" && h("p", { class: "why" }, `Not now. ${point.because.join(". ")}.`),
      !held && choices.length > 1 && h("fieldset", {}, h("legend", {}, "If it is not good, what was seen"),
        choices.map((finding) => h("label", { class: "tick" }, h("input", {
          type: "checkbox", checked: typed.seen?.has(finding) ?? false,
          onchange: (event) => {
            typed.seen ??= new Set();
            typed.seen[event.target.checked ? "add" : "delete"](finding);
          },
        }), this.#label(finding)))),
      h("label", { for: `note-${point.id}` }, "Note"),
      h("textarea", { id: `note-${point.id}`, rows: 2, maxlength: 2000, oninput: (event) => { typed.note = event.target.value; } }, typed.note),
      h("div", { class: "say" }, Object.entries(ANSWERS).filter(([id]) => !held || id === "not_checked").map(([id, text]) =>
        h("button", { type: "button", class: id === point.answer ? "is-mine" : null, onclick: () => this.#answer(point, id) }, text))),
      h("label", { for: `photo-${point.id}` }, "Photograph"),
      h("input", { id: `photo-${point.id}`, type: "file", accept: TYPES, capture: "environment", onchange: (event) => this.#photograph(point, event.target) }),
      h("div", {}, this.#photographs.filter((one) => one.point === point.id).map((one) => this.#thumbnail(one, point))));
  }

  #thumbnail(one, point) {
    const image = h("img", { alt: one.caption ?? `Photograph: ${point.label}` });
    const known = this.#pictures.get(one.id);
    if (known) image.src = known;
    else {
      fetch(`/v1/cases/${this.#case}/photographs/${one.id}?small=true`).then(async (response) => {
        if (!response.ok) return;
        image.src = URL.createObjectURL(await response.blob());
        this.#pictures.set(one.id, image.src);
      }, () => {});
    }
    return image;
  }

  #unfold(id) {
    this.#open = id;
    this.#show(this.#inspection);
    byId(`point-${id}`)?.querySelector("button").focus({ preventScroll: true });
  }

  async #answer(point, answer) {
    const typed = this.#typed.get(point.id);
    const said = { point: point.id, answer };
    if (typed.note.trim()) said.note = typed.note.trim();
    if (typed.seen?.size && (answer === "mend" || answer === "advise")) {
      said.findings = Object.fromEntries([...typed.seen].map((finding) => [finding, "present"]));
    }
    const kept = await this.#ask(`/v1/cases/${this.#case}/checks`, { door: "desk", answers: [said] });
    if (!kept) return;
    this.#typed.delete(point.id);
    const order = kept.progress.points;
    const here = order.findIndex((one) => one.id === point.id);
    this.#open = [...order.slice(here + 1), ...order.slice(0, here)].find((one) => one.state === "open")?.id ?? null;
    const added = kept.progress.added.length;
    this.#say(`${point.label}: ${ANSWERS[answer]}. ${kept.progress.verdict.headline}${added ? ` ${added} points added.` : ""}`);
    await this.load(this.#case);
    byId(`point-${this.#open}`)?.scrollIntoView({ block: "start" });
    byId(`point-${this.#open}`)?.querySelector("button").focus({ preventScroll: true });
  }

  async #photograph(point, field) {
    const file = field.files[0];
    if (!file) return;
    const kept = await this.#ask(`/v1/cases/${this.#case}/photographs?point=${point.id}`, file);
    if (!kept) return;
    this.#photographs = [...this.#photographs, kept];
    this.#say("The photograph is kept.");
    this.#show(this.#inspection);
  }

  async #plan(minutes) {
    const kept = await this.#ask("/v1/inspections", { case: this.#case, ...(minutes && { minutes: Number(minutes) }) });
    if (kept) this.#show(kept.inspection);
  }
}
