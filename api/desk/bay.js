// The bay: chooses a case, and wires its walk, readings, words for the owner and outcome to the API.

import { More } from "./bay_more.js";
import { Walk } from "./bay_walk.js";
import { CarView } from "./car.js";
import { byId, h, words } from "./dom.js";
import { Login } from "./login.js";
import { verdictSign } from "./pictures.js";
import { Refusal, send, sendPicture } from "./service.js";

const CALLED = {
  run: "May run",
  run_with_advice: "May run, with advice",
  mend_first: "Mend first",
  stop: "Stop",
};
const FIRST_WAIT = 500;
const TRIES = 5;

let labels = new Map();
const caseId = () => (/^#[0-9a-f]{24}$/.test(location.hash) ? location.hash.slice(1) : null);

function say(text) {
  byId("announce").textContent = "";
  byId("announce").textContent = text;
}

function trouble(text) {
  byId("trouble").hidden = !text;
  byId("trouble").textContent = text ?? "";
}

const login = new Login({ entered: () => start(), failed: trouble });

/** Sends, waits out a lost connection and a login, and returns null for a refusal, which is told. */
async function ask(path, body, method) {
  // A retry under the same key is done once, whatever became of the first try.
  const once = body === undefined ? undefined : crypto.randomUUID();
  let wait = FIRST_WAIT;
  for (let tries = 1; ; tries += 1) {
    try {
      const answer = body instanceof Blob ? await sendPicture(path, body) : await send(path, body, method, once);
      byId("service").textContent = "Connected.";
      byId("service").className = "";
      trouble(null);
      return answer;
    } catch (error) {
      if (error instanceof Refusal) {
        if (await login.mends(error)) continue;
        const told = (error.details?.errors ?? []).map((one) => one.message).join(" ");
        trouble(`Not taken: ${told || error.message}`);
        return null;
      }
      byId("service").textContent = "No connection to the service; trying again.";
      byId("service").className = "lost";
      if (tries >= TRIES) {
        trouble("The service does not answer. What you typed is kept: try again when there is a connection.");
        return null;
      }
      await new Promise((resume) => setTimeout(resume, wait));
      wait *= 2;
    }
  }
}

function drawVerdict(verdict, holds, walk) {
  const box = byId("verdict");
  box.hidden = false;
  box.className = `verdict is-${verdict.verdict}`;
  box.replaceChildren(
    h("div", { class: "word" }, verdictSign(verdict.verdict),
      h("p", {}, h("strong", {}, CALLED[verdict.verdict]), " ", h("span", {}, verdict.headline))),
    h("p", { id: "ready" }, walk.ready ? "Ready for the rollers."
      : `Before the rollers: ${walk.before_rollers.length} checks open or bad.`,
    ` ${Math.round(walk.minutes)} min of the walk to go.`),
    holds.length > 0 && h("details", {}, h("summary", {}, `${holds.length} ${holds.length === 1 ? "hold" : "holds"}`),
      h("ul", {}, holds.map((hold) => h("li", {}, `${hold.why} Lifted when: ${hold.lifted_by}`)))) || "",
  );
}

const walk = new Walk({
  ask, say,
  changed(told) {
    drawVerdict(told.verdict, told.holds, told);
    more.draw();
  },
  label: (finding) => labels.get(finding) ?? words(finding),
});
const more = new More({ ask, say, added: () => walk.load(caseId()), labels: () => labels });

async function chooseCase() {
  byId("choose").hidden = false;
  byId("walk").hidden = byId("verdict").hidden = true;
  const [facts, list] = [await ask("/v1/kb/vehicle_facts?entries=true"), await ask("/v1/cases?state=open&limit=30")];
  if (!facts || !list) return;
  const car = { vehicle: {}, setVehicle(id, value) { if (value === null) delete car.vehicle[id]; else car.vehicle[id] = value; } };
  new CarView(car, facts.entries);
  byId("cases").replaceChildren(...(list.cases.length ? list.cases : [null]).map((one) => h("li", {}, one
    ? h("a", { href: `#${one.id}` }, h("b", {}, one.reference ?? one.id.slice(0, 8)),
      h("span", {}, CALLED[one.verdict] ?? "No verdict"), h("small", {}, new Date(one.changed).toLocaleString()))
    : "No case is open.")));
  byId("open-form").onsubmit = async (event) => {
    event.preventDefault();
    const reference = byId("reference").value.trim();
    const known = Object.keys(car.vehicle).length > 0;
    const made = await ask("/v1/cases", {
      ...(reference && { reference }), ...(known && { observation: { door: "desk", facts: { vehicle: car.vehicle } } }),
    });
    if (made) location.hash = made.case.id;
  };
}

async function showCase(id) {
  byId("choose").hidden = true;
  byId("walk").hidden = false;
  if (labels.size === 0) {
    const [findings, quantities] = [await ask("/v1/kb/findings"), await ask("/v1/kb/quantities?entries=true")];
    if (!findings || !quantities) return;
    labels = new Map(findings.entries.map((one) => [one.id, one.label]));
    more.offer(quantities.entries);
  }
  more.open(id);
  await walk.load(id);
}

function start() {
  const id = caseId();
  return id ? showCase(id) : chooseCase();
}

window.addEventListener("hashchange", start);
byId("other").addEventListener("click", (event) => {
  event.preventDefault();
  location.hash = "";
});
login.look().catch((error) => error instanceof Refusal && login.mends(error)).then(start);
