// The vehicle facts: all of them at hand, what is known first seen.

import { byId, h } from "./dom.js";

/** Draws a field for each vehicle fact of the knowledge base and sets it in the call. */
export class CarView {
  #call; #fields = new Map();

  constructor(call, facts) {
    this.#call = call;
    byId("facts").replaceChildren(...facts.map((fact) => this.#row(fact)));
    this.show();
  }

  /** Shows what the call holds. */
  show() {
    for (const [id, field] of this.#fields) {
      const value = this.#call.vehicle[id];
      const text = value === undefined ? "" : String(value);
      if (field !== document.activeElement || field.tagName === "SELECT") field.value = text;
      field.closest(".fact").classList.toggle("is-known", value !== undefined);
    }
  }

  #row({ id, label, entry }) {
    const field = this.#field(id, entry);
    field.id = `fact-${id}`;
    this.#fields.set(id, field);
    return h("div", { class: "fact", title: entry.question },
      h("label", { for: field.id }, label, entry.unit ? h("small", {}, ` ${entry.unit}`) : null), field);
  }

  #field(id, entry) {
    const set = (value) => this.#call.setVehicle(id, value);
    if (entry.type === "number") {
      return h("input", {
        type: "number", min: entry.minimum, max: entry.maximum, step: "any", inputmode: "decimal",
        onchange: (event) => {
          const field = event.target;
          if (!field.checkValidity()) { field.reportValidity(); return; }
          set(field.value === "" ? null : Number(field.value));
        },
      });
    }
    const choices = entry.type === "yes_no" ? { true: "Yes", false: "No" } : entry.choices;
    return h("select", {
      onchange: (event) => {
        const value = event.target.value;
        set(value === "" ? null : entry.type === "yes_no" ? value === "true" : value);
      },
    }, h("option", { value: "" }, "not known"),
    Object.entries(choices).map(([value, text]) => h("option", { value }, text)));
  }
}
