// One call: what was taken down, every step of it, and how to take the last one back.

const KEPT_AS = "prepull-call";
const MOST_STEPS = 200;

const empty = () => ({ vehicle: {}, findings: [], codes: [], readings: [], said: [], text: "" });

/** The call that is going on. It is kept in this tab, so that a reload or a crash loses nothing. */
export class Call {
  #now = empty();
  #before = [];
  #changed;

  constructor(changed) {
    this.#changed = changed;
    try {
      const kept = JSON.parse(sessionStorage.getItem(KEPT_AS) ?? "null");
      if (kept && Array.isArray(kept.findings) && typeof kept.text === "string") {
        this.#now = { ...empty(), ...kept };
      }
    } catch {
      // What is kept cannot be read: the call begins anew.
    }
  }

  get vehicle() { return this.#now.vehicle; }
  get findings() { return this.#now.findings; }
  get codes() { return this.#now.codes; }
  get readings() { return this.#now.readings; }
  get said() { return this.#now.said; }
  get text() { return this.#now.text; }
  get steps() { return this.#before.length; }

  /** Nothing is taken down that could bear on a verdict. */
  get blank() {
    return this.#now.findings.length + this.#now.codes.length + this.#now.readings.length === 0;
  }

  state(finding) {
    return this.#now.findings.find((f) => f.id === finding)?.state;
  }

  /** Keeps what stands in the field; not a step of its own. */
  type(text) {
    this.#now = { ...this.#now, text };
    this.#keep();
  }

  /** Takes a finding down in a state, in place of what was said of it before. */
  take(finding, state) {
    if (this.state(finding.id) === state) return;
    const others = this.#now.findings.filter((f) => f.id !== finding.id);
    this.#step({ findings: [...others, { ...finding, state }] });
  }

  /** Takes findings and readings down in one step; what was said of the same before is replaced. */
  takeAll(findings, readings) {
    const named = new Set(findings.map((f) => f.id));
    const taken = (r) => JSON.stringify([r.quantity, r.at ?? {}]);
    const measured = new Set(readings.map(taken));
    this.#step({
      findings: [...this.#now.findings.filter((f) => !named.has(f.id)), ...findings],
      readings: [...this.#now.readings.filter((r) => !measured.has(taken(r))), ...readings],
    });
  }

  dropReading(index) {
    this.#step({ readings: this.#now.readings.filter((_, i) => i !== index) });
  }

  drop(finding) {
    this.#step({ findings: this.#now.findings.filter((f) => f.id !== finding) });
  }

  takeCode(code) {
    if (!this.#now.codes.includes(code)) this.#step({ codes: [...this.#now.codes, code] });
  }

  dropCode(code) {
    this.#step({ codes: this.#now.codes.filter((c) => c !== code) });
  }

  /** Sets a vehicle fact; null is unknown. */
  setVehicle(fact, value) {
    const vehicle = { ...this.#now.vehicle };
    if (value === null) delete vehicle[fact];
    else vehicle[fact] = value;
    this.#step({ vehicle });
  }

  /** Puts the words in the field away with those said before. */
  putAway() {
    const text = this.#now.text.trim();
    if (text) this.#step({ said: [...this.#now.said, text], text: "" });
  }

  undo() {
    const before = this.#before.pop();
    if (!before) return;
    // Words typed since are kept unless the step had put them away.
    const text = before.said.length < this.#now.said.length ? before.text : this.#now.text;
    this.#now = { ...before, text };
    this.#keep();
    this.#changed();
  }

  startAnew() {
    this.#step(empty());
  }

  /** The facts as POST /v1/triage takes them. */
  request() {
    return {
      vehicle: this.#now.vehicle,
      findings: this.#now.findings.map(({ id, state }) => ({ id, state })),
      trouble_codes: this.#now.codes,
      measurements: this.#now.readings,
    };
  }

  #step(changes) {
    this.#before = [...this.#before.slice(1 - MOST_STEPS), this.#now];
    this.#now = { ...this.#now, ...changes };
    this.#keep();
    this.#changed();
  }

  #keep() {
    try {
      sessionStorage.setItem(KEPT_AS, JSON.stringify(this.#now));
    } catch {
      // No room or no leave to keep it: the call goes on in memory.
    }
  }
}
