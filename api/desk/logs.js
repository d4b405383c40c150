// A recorded log: read it, see what it shows, correct what its columns are, take the findings down.

import { byId, h } from "./dom.js";
import { figure } from "./readings.js";
import { Refusal, send, sendForm } from "./service.js";

const REFERENCES = { "": "not said", gauge: "gauge", absolute: "absolute" };

/** The section for one log at a time. The file stays in the page, so that it can be read again. */
export class Logs {
  #call; #refused; #channels = []; #file = null; #answer = null; #drawn = []; #asked = 0;

  constructor(call, refused) {
    this.#call = call;
    this.#refused = refused;
    byId("log-file").addEventListener("change", (event) => {
      this.#file = event.target.files[0] ?? null;
      if (this.#file) this.#read(null);
    });
    byId("log-mapping").addEventListener("change", async (event) => {
      const text = await event.target.files[0]?.text();
      if (text && this.#file) this.#read(text);
      else if (text) this.#say("Choose the log first, then its saved columns.");
    });
  }

  #say(text, wrong = false) {
    byId("log-state").textContent = text;
    byId("log-state").classList.toggle("wrong", wrong);
  }

  async #read(mapping) {
    const mine = ++this.#asked;
    this.#say(`Reading ${this.#file.name}.`);
    byId("log-shows").setAttribute("aria-busy", "true");
    const form = () => {
      const data = new FormData();
      data.append("file", this.#file, "log");
      if (mapping) data.append("mapping", mapping);
      return data;
    };
    try {
      this.#channels = this.#channels.length ? this.#channels : (await send("/v1/kb/channels?entries=true")).entries;
      const answer = await sendForm("/v1/logs", form());
      if (mine === this.#asked) this.#show(answer);
    } catch (error) {
      if (mine !== this.#asked) return;
      if (error instanceof Refusal && [413, 415, 422].includes(error.status)) {
        const accepted = (error.details?.errors ?? []).flatMap((e) => e.accepted ?? []);
        this.#say(`${error.message}${accepted.length ? ` Accepted: ${accepted.join("; ")}.` : ""}`, true);
      } else if (await this.#refused(error)) this.#read(mapping);
      else this.#say("The log could not be sent. Choose it again to try once more.", true);
    } finally {
      byId("log-shows").removeAttribute("aria-busy");
    }
  }

  #show(answer) {
    this.#answer = answer;
    for (const address of this.#drawn) URL.revokeObjectURL(address);
    this.#drawn = [];
    const present = answer.findings.filter((f) => f.state === "present");
    const absent = answer.findings.filter((f) => f.state === "absent");
    this.#say(`${Math.round(answer.duration_s)} s of log, ${answer.pulls} ${answer.pulls === 1 ? "pull" : "pulls"}: `
      + `${present.length} beyond a limit, ${absent.length} clear.`);
    byId("log-shows").replaceChildren(
      ...answer.questions.map((q) => h("p", { class: "take-care" }, `${q.question} Say it below, under the columns.`)),
      ...(answer.facts.findings.length ? [h("div", { class: "answers" },
        h("button", { type: "button", class: "yes", onclick: () => this.#take() }, "Take down what it shows"))] : []),
      h("ul", { class: "implied" }, present.map((f) => this.#finding(f))),
      ...(absent.length ? [h("details", {}, h("summary", {}, `${absent.length} clear in this log`),
        h("ul", {}, absent.map((f) => h("li", {}, f.label))))] : []),
      ...(answer.caveats.length ? [h("details", { open: answer.caveats.length < 4 }, h("summary", {}, "Mind"),
        h("ul", {}, answer.caveats.map((c) => h("li", {}, c.text))))] : []),
      this.#columns(answer),
      h("details", {}, h("summary", {}, `${answer.not_judged.length} not judged`),
        h("ul", {}, answer.not_judged.map((n) => h("li", {}, `${n.label}: ${n.said}`)))));
  }

  #finding(finding) {
    const unit = finding.unit ? ` ${finding.unit}` : "";
    return h("li", { class: "present" },
      h("span", { class: "tag" }, "there"), h("span", { class: "head" }, finding.label),
      h("small", {}, `${finding.seen} of ${Math.max(finding.seen, finding.chances)} times; ${finding.limit}. ${finding.because}`),
      this.#event(finding.events[0], unit),
      finding.events.length > 1 && h("details", { class: "event" },
        h("summary", {}, `${finding.events.length - 1} more ${finding.events.length === 2 ? "place" : "places"}`),
        finding.events.slice(1).map((event) => this.#event(event, unit))));
  }

  #event(event, unit) {
    return [
      h("p", { class: "event" }, `${event.start_s.toFixed(1)} to ${event.end_s.toFixed(1)} s: ${figure(event.size)}${unit}`
        + `${event.gear ? `, gear ${event.gear}` : ""}`
        + event.evidence.filter((e) => e.name !== "gear").slice(0, 4)
          .map((e) => `, ${e.name} ${figure(e.value)} ${e.unit}`.trimEnd()).join("")),
      event.plot ? this.#plot(event.plot) : null];
  }

  #plot(id) {
    const plot = this.#answer.plots.find((p) => p.id === id);
    if (!plot) return null;
    const address = URL.createObjectURL(new Blob([plot.svg], { type: "image/svg+xml" }));
    this.#drawn.push(address);
    return h("img", { class: "plot", src: address, alt: `Channels over time: ${plot.title}` });
  }

  #columns(answer) {
    const rows = answer.layout.columns.map((column, i) => this.#column(column, i));
    return h("details", { open: answer.questions.length > 0 },
      h("summary", {}, `Columns: ${answer.layout.columns.filter((c) => c.channel).length} of ${answer.layout.columns.length} used`),
      h("div", { class: "columns" }, rows),
      h("div", { class: "answers" },
        h("button", { type: "button", onclick: () => this.#read(this.#corrected()) }, "Read again with these"),
        h("button", { type: "button", onclick: () => this.#save() }, "Save these columns")));
  }

  #column(column, i) {
    const id = `column-${i}`;
    const asks = this.#answer.questions.some((q) => q.column === column.name);
    return h("div", { class: `column${asks ? " asks" : ""}`, role: "group", "aria-label": `Column ${column.name}` },
      h("label", { for: id }, column.name, column.why ? h("small", {}, ` ${column.why}`) : null),
      h("select", { id, "data-column": column.name, "data-part": "channel" },
        h("option", { value: "" }, "not used"),
        this.#channels.map(({ id: channel, label }) => {
          const short = channel.replace(/^logged_/, "");
          return h("option", { value: short, selected: short === column.channel }, label);
        })),
      h("input", { type: "text", value: column.unit ?? "", maxlength: 40, placeholder: "unit", "aria-label": `Unit of ${column.name}`, "data-part": "unit" }),
      h("select", { "aria-label": `Reference of ${column.name}`, "data-part": "reference" },
        Object.entries(REFERENCES).map(([value, text]) => h("option", { value, selected: value === (column.reference ?? "") }, text))));
  }

  #corrected() {
    const columns = [...byId("log-shows").querySelectorAll(".column")].map((row) => {
      const part = (name) => row.querySelector(`[data-part="${name}"]`).value.trim() || null;
      const name = row.querySelector("[data-column]").dataset.column;
      const before = this.#answer.mapping.columns.find((c) => c.column === name) ?? {};
      const channel = part("channel");
      return { ...before, column: name, channel, unit: part("unit"), reference: part("reference") };
    });
    return JSON.stringify({ ...this.#answer.mapping, columns });
  }

  #save() {
    const address = URL.createObjectURL(new Blob([this.#corrected()], { type: "application/json" }));
    const link = h("a", { href: address, download: "prepull-log-columns.json" });
    link.click();
    setTimeout(() => URL.revokeObjectURL(address), 1000);
  }

  #take() {
    const findings = this.#answer.findings.map(({ id, label, state }) => ({ id, label, state }));
    this.#call.takeAll(findings, []);
    byId("announce").textContent = `Taken down: ${findings.length} findings from the log.`;
  }
}
