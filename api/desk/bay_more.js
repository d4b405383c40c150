// What stands beside the walk: readings, findings of proof tests, words for the owner, the outcome.

import { byId, h } from "./dom.js";

const MOST_LIKELY = 6;

/** The forms below the walk. */
export class More {
  #ask; #say; #added; #labels;
  #case = null; #units = new Map();

  /** `added()` is called when something was added to the case. */
  constructor({ ask, say, added, labels }) {
    this.#ask = ask;
    this.#say = say;
    this.#added = added;
    this.#labels = labels;
    byId("quantity").addEventListener("change", () => { byId("unit").value = this.#units.get(byId("quantity").value) ?? ""; });
    byId("reading-form").addEventListener("submit", (event) => { event.preventDefault(); this.#reading(); });
    byId("finding-form").addEventListener("submit", (event) => { event.preventDefault(); this.#finding(event.submitter?.value ?? "absent"); });
    byId("outcome-form").addEventListener("submit", (event) => { event.preventDefault(); this.#outcome(); });
    for (const button of document.querySelectorAll("[data-for]")) button.addEventListener("click", () => this.#message(button.dataset.for));
    byId("copy").addEventListener("click", () => this.#copy());
  }

  /** Offers the quantities and findings of the knowledge base. */
  offer(quantities) {
    this.#units = new Map(quantities.map((one) => [one.id, one.entry.unit === "dimensionless" ? "" : one.entry.unit]));
    byId("quantity").replaceChildren(...quantities.map((one) => h("option", { value: one.id }, one.label)));
    byId("unit").value = this.#units.get(byId("quantity").value) ?? "";
    byId("findings").replaceChildren(...[...this.#labels().values()].map((label) => h("option", { value: label })));
  }

  /** Turns to a case. */
  open(id) {
    this.#case = id;
    byId("message").hidden = byId("copy").hidden = true;
    byId("settled").textContent = "";
    for (const [link, path] of [["report-html", "report.html"], ["report-pdf", "report.pdf"], ["watch-html", "watch-list.html"], ["watch-pdf", "watch-list.pdf"]]) {
      byId(link).href = `/v1/cases/${id}/${path}`;
    }
  }

  /** Draws what the case holds and what is likely, as they stand. */
  async draw() {
    const id = this.#case;
    const [kept, answer, walk] = [await this.#ask(`/v1/cases/${id}`), await this.#ask(`/v1/cases/${id}/answer`), await this.#ask(`/v1/cases/${id}/inspection`)];
    if (!kept || !answer || !walk || id !== this.#case) return;
    document.title = `${kept.reference ?? "Case"} - Prepull bay`;
    const label = (finding) => this.#labels().get(finding) ?? finding;
    const states = { present: "There", absent: "Not there", unknown: "Not known" };
    const order = { present: 0, unknown: 1, absent: 2 };
    const findings = [...kept.facts.findings].sort((a, b) => order[a.state] - order[b.state]);
    byId("known").replaceChildren(
      ...kept.facts.measurements.map((one) => h("li", {}, h("span", { class: "tag" }, "Reading"), h("span", {}, `${one.quantity.replaceAll("_", " ")}: ${one.value} ${one.unit}`))),
      ...findings.map((one) => h("li", { class: one.state }, h("span", { class: "tag" }, states[one.state]), h("span", { class: "head" }, label(one.id)))));
    byId("home").replaceChildren(...walk.before_you_come.map((check) => h("li", {}, check.text)));
    const ticked = new Set([...byId("likely").querySelectorAll("input:checked")].map((one) => one.value));
    byId("likely").replaceChildren(...(answer.causes ?? []).slice(0, MOST_LIKELY).map((cause) => h("label", { class: "tick" },
      h("input", { type: "checkbox", value: cause.id, checked: ticked.has(cause.id) }), h("span", {}, `${cause.label} (${Math.round(100 * cause.probability)} %)`))));
    byId("stamp").textContent = `Knowledge base ${answer.kb.version} (${answer.kb.revision}), decision ${answer.decision_id}. `
      + "This advises and never certifies: local codes, the vehicle maker's procedures and licensed practice come first.";
  }

  async #reading() {
    const value = Number(byId("value").value.trim().replace(",", "."));
    if (byId("value").value.trim() === "" || !Number.isFinite(value)) { byId("value").focus(); return; }
    const reading = { quantity: byId("quantity").value, value, unit: byId("unit").value.trim() };
    const speed = Number(byId("speed").value);
    if (byId("speed").value.trim() && Number.isFinite(speed)) reading.at = { engine_speed_rpm: speed };
    if (!await this.#observe({ measurements: [reading] })) return;
    byId("value").value = byId("speed").value = "";
    this.#say("The reading is added.");
  }

  async #finding(state) {
    const typed = byId("finding").value.trim().toLowerCase();
    const found = [...this.#labels()].find(([id, label]) => id === typed || label.toLowerCase() === typed);
    if (!found) {
      byId("finding").setCustomValidity("Choose a finding from the list.");
      byId("finding").reportValidity();
      byId("finding").setCustomValidity("");
      return;
    }
    if (!await this.#observe({ findings: [{ id: found[0], state }] })) return;
    byId("finding").value = "";
    this.#say(`${found[1]}: added.`);
  }

  async #observe(facts) {
    const kept = await this.#ask(`/v1/cases/${this.#case}/observations`, { door: "desk", facts });
    if (kept) await this.#added();
    return kept;
  }

  async #message(kind) {
    const told = await this.#ask(`/v1/cases/${this.#case}/message?for=${kind}`);
    if (!told) return;
    byId("message").hidden = byId("copy").hidden = false;
    byId("message").value = (told.subject ? `${told.subject}\n\n` : "") + told.text;
  }

  async #copy() {
    byId("message").select();
    try {
      await navigator.clipboard.writeText(byId("message").value);
      this.#say("Copied.");
    } catch {
      this.#say("Marked: copy it with the keys of your device.");
    }
  }

  async #outcome() {
    const causes = [...byId("likely").querySelectorAll("input:checked")].map((one) => ({ cause: one.value }));
    const minutes = Number(byId("spent").value);
    const kept = await this.#ask(`/v1/cases/${this.#case}/outcomes`, {
      door: "desk", causes, was_run: byId("was-run").checked,
      ...(byId("spent").value.trim() && Number.isFinite(minutes) && { minutes }),
    });
    if (kept) byId("settled").textContent = "Kept. The case is settled; whatever is added opens it again.";
  }
}
