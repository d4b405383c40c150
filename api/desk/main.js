// The call desk: wires the words, the facts and the answer to the API. It reads nothing that the API does
// not give anyone: GET /v1/kb/vehicle_facts, causes and channels, POST /v1/phrases, POST /v1/triage,
// /v1/measures, POST /v1/logs, POST /v1/cases, and /v1/session where a key is needed.

import { AnswerView } from "./answer.js";
import { Call } from "./call.js";
import { CarView } from "./car.js";
import { byId, h } from "./dom.js";
import { HeardList } from "./heard.js";
import { Login } from "./login.js";
import { Logs } from "./logs.js";
import { figure, Readings } from "./readings.js";
import { Newest, Refusal, send } from "./service.js";
import { drawSheet } from "./sheet.js";

const field = byId("words");
const causeLabels = new Map();
let car = null;
let facts = [];

const link = {
  lost() {
    view.stale("No connection: this does not count the last step yet.");
    byId("service").textContent = "No connection to the service. What you typed is kept; trying again.";
    byId("service").className = "lost";
  },
  found() {
    byId("service").textContent = "Connected.";
    byId("service").className = "";
  },
  mends(refusal) {
    if (refusal.status === 401 && view.answer) view.stale("Not logged in: this does not count the last step yet.");
    return login.mends(refusal);
  },
};

function trouble(text) {
  byId("trouble").hidden = false;
  byId("trouble").textContent = text;
}

function refused(refusal) {
  view.stale("The last step is not counted.");
  trouble(`The service does not take this: ${refusal.message}`);
}

const call = new Call(() => update());
const heard = new HeardList(call, field);
const view = new AnswerView(
  (question, state) => {
    call.take({ id: question.finding, label: question.label }, state);
    say(`${question.label}: ${{ present: "there", absent: "not there", unknown: "not known" }[state]}`);
  },
  (id) => causeLabels.get(id) ?? id,
);

const answers = new Newest({
  work: (body) => send("/v1/triage", body),
  done(answer) {
    byId("trouble").hidden = true;
    const spoken = view.show(answer, call.blank);
    if (spoken) say(spoken);
    drawSheet(call, answer, knownOfCar());
    performance.mark("answer-shown");
  },
  refused,
  link,
});

const phrases = new Newest({
  work: (text) => send("/v1/phrases", { text, limit: 12 }),
  done(answer, text) {
    if (text.trim() !== field.value.trim()) return;
    heard.show(answer);
    performance.mark("heard-shown");
  },
  refused,
  link,
});

const start = new Newest({
  async work() {
    await login.look();
    return Promise.all([send("/v1/kb/vehicle_facts?entries=true"), send("/v1/kb/causes")]);
  },
  done([vehicleFacts, causes]) {
    for (const cause of causes.entries) causeLabels.set(cause.id, cause.label);
    facts = vehicleFacts.entries;
    car = new CarView(call, facts);
    update();
  },
  refused,
  link,
});

const login = new Login({
  entered() {
    if (car) update();
    else start.ask(null);
    // What had the focus may have been drawn anew behind the form.
    if (document.activeElement === document.body) field.focus();
  },
  failed: trouble,
});

/** Takes what went wrong beside the call; true when it was mended by a login and may be tried again. */
async function beside(error) {
  if (error instanceof Refusal) {
    if (await login.mends(error)) return true;
    trouble(`The service does not take this: ${error.message}`);
    return false;
  }
  link.lost();
  return false;
}

new Readings(call, beside);
new Logs(call, beside);

function say(text) {
  byId("announce").textContent = text;
}

function knownOfCar() {
  return facts.filter((fact) => fact.id in call.vehicle).map(({ id, label, entry }) => {
    const value = call.vehicle[id];
    return `${label.toLowerCase()}: ${entry.choices?.[value] ?? `${value}${entry.unit ? ` ${entry.unit}` : ""}`}`;
  });
}

function listen() {
  const text = field.value.trim();
  call.type(field.value);
  if (text) phrases.ask(text);
  else heard.clear();
}

function drawKnown() {
  const called = { present: "there", absent: "not there", unknown: "not known" };
  const rows = [...call.findings].reverse().map((f) => h("li", { class: f.state },
    h("span", { class: "tag" }, called[f.state]),
    h("span", { class: "head" }, f.label),
    h("button", {
      type: "button", "aria-label": `Turn over: ${f.label}`,
      onclick: () => call.take({ id: f.id, label: f.label }, f.state === "present" ? "absent" : "present"),
    }, "Turn over"),
    h("button", { type: "button", "aria-label": `Drop: ${f.label}`, onclick: () => call.drop(f.id) }, "Drop")));
  const codes = call.codes.map((code) => h("li", { class: "code" }, h("span", { class: "tag" }, "code"),
    h("span", { class: "head" }, code),
    h("button", { type: "button", "aria-label": `Drop code ${code}`, onclick: () => call.dropCode(code) }, "Drop")));
  const readings = call.readings.map((reading, i) => {
    const name = `${reading.quantity.replaceAll("_", " ")} ${figure(reading.value)} ${reading.unit}`;
    return h("li", { class: "code" }, h("span", { class: "tag" }, "reading"), h("span", { class: "head" }, name),
      h("button", { type: "button", "aria-label": `Drop reading ${name}`, onclick: () => call.dropReading(i) }, "Drop"));
  });
  byId("known").replaceChildren(...(rows.length + codes.length + readings.length
    ? [...rows, ...codes, ...readings] : [h("li", { class: "hint" }, "Nothing yet.")]));
  byId("said").replaceChildren(...call.said.map((text) => h("li", {}, text)));
  byId("said-box").hidden = call.said.length === 0;
  byId("undo").disabled = call.steps === 0;
}

function update() {
  if (field.value !== call.text) field.value = call.text;
  drawKnown();
  car?.show();
  answers.ask(call.request());
  listen();
}

function takeMarked(turned) {
  const taken = heard.takeMarked(turned);
  if (taken) say(`Taken down. ${taken}`);
  else putAway();
}

function putAway() {
  call.putAway();
  field.value = "";
  listen();
}

field.addEventListener("input", () => {
  performance.mark("typed");
  listen();
});

field.addEventListener("keydown", (event) => {
  if (event.isComposing) return;
  if (event.key === "Enter") {
    event.preventDefault();
    performance.mark("taken");
    takeMarked(event.shiftKey);
  } else if ((event.key === "ArrowDown" || event.key === "ArrowUp") && !heard.empty) {
    event.preventDefault();
    heard.mark(event.key === "ArrowDown" ? 1 : -1);
  } else if (event.key === "Escape") {
    event.preventDefault();
    putAway();
  }
});

document.addEventListener("keydown", (event) => {
  if (login.asks) return;
  const typing = event.target.matches("textarea, input");
  if ((event.ctrlKey || event.metaKey) && !event.shiftKey && event.key.toLowerCase() === "z" && !(typing && event.target.value)) {
    event.preventDefault();
    call.undo();
  } else if (event.key === "Escape" && event.target !== field && !document.querySelector("dialog[open]")) {
    field.focus();
  }
});

byId("undo").addEventListener("click", () => call.undo());
byId("print").addEventListener("click", () => window.print());
byId("keys").addEventListener("click", () => byId("key-list").showModal());
byId("bay").addEventListener("click", async () => {
  // A case without anything known can be opened in the bay as well.
  const request = call.request();
  const body = { observation: { door: "desk", facts: request } };
  for (;;) {
    try {
      const made = await send("/v1/cases", call.blank && !Object.keys(call.vehicle).length ? {} : body);
      location.assign(`/bay#${made.case.id}`);
      return;
    } catch (error) {
      if (!await beside(error)) return;
    }
  }
});
byId("new").addEventListener("click", () => {
  call.startAnew();
  say("A new call. Undo brings the last one back.");
  field.focus();
});

field.value = call.text;
drawKnown();
start.ask(null);
