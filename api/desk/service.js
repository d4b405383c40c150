// The way to the API. The newest question wins, a lost connection is waited out, a refusal is told.

const FIRST_WAIT = 400;
const LONGEST_WAIT = 5000;
const PATIENCE = 15000;
const PATIENCE_FOR_FILES = 300000;

/** A refusal by the API: problem details by RFC 9457. */
export class Refusal extends Error {
  constructor(status, details, token) {
    super(details?.detail ?? `The service answered ${status}.`);
    this.status = status;
    this.details = details;
    this.carried = token;
  }
}

let token = null;

/** The token that every change carries, which a page of another origin cannot know; null without a login. */
export const carried = () => token;

export function carry(given) {
  token = given ?? null;
}

/**
 * Sends JSON and returns JSON. Throws `Refusal` for a 4xx, anything else for a connection that fails. What is
 * sent again under the same `once` is done once.
 */
export async function send(path, body, method = body === undefined ? "GET" : "POST", once = undefined) {
  const headers = body === undefined ? {} : { "content-type": "application/json" };
  if (once) headers["idempotency-key"] = once;
  return ask(path, method, headers, JSON.stringify(body), PATIENCE);
}

/** Sends a form with a file, which may take a while, and returns JSON; throws as `send` does. */
export async function sendForm(path, form) {
  return ask(path, "POST", {}, form, PATIENCE_FOR_FILES);
}

/** Sends a picture as it is and returns JSON; throws as `send` does. */
export async function sendPicture(path, picture) {
  return ask(path, "POST", { "content-type": picture.type }, picture, PATIENCE_FOR_FILES);
}

async function ask(path, method, kinds, body, patience) {
  // A refusal may come back after the token was changed: it tells with which one it was sent.
  const sentWith = token;
  const headers = { ...kinds, ...(method === "GET" || sentWith === null ? {} : { "x-prepull-token": sentWith }) };
  const response = await fetch(path, { method, headers, body, signal: AbortSignal.timeout(patience) });
  const kind = response.headers.get("content-type") ?? "";
  const content = kind.includes("json") ? await response.json() : null;
  if (response.ok && (content !== null || response.status === 204)) return content;
  if (response.status >= 400 && response.status < 500) throw new Refusal(response.status, content, sentWith);
  throw new Error(`status ${response.status}`);
}

/**
 * Does one piece of work at a time, always with the newest input: what comes while one is under way waits,
 * and only the last of it is done. Goes on trying, ever more slowly, while there is no connection.
 */
export class Newest {
  #work; #done; #refused; #link;
  #waiting = null;
  #busy = false;

  constructor({ work, done, refused, link }) {
    this.#work = work;
    this.#done = done;
    this.#refused = refused;
    this.#link = link;
  }

  ask(input) {
    this.#waiting = { input };
    if (!this.#busy) this.#run();
  }

  async #run() {
    this.#busy = true;
    let wait = FIRST_WAIT;
    while (this.#waiting) {
      const { input } = this.#waiting;
      this.#waiting = null;
      let result;
      try {
        result = await this.#work(input);
      } catch (error) {
        if (error instanceof Refusal) {
          this.#link.found();
          if (await this.#link.mends(error)) this.#waiting ??= { input };
          else this.#refused(error);
          continue;
        }
        this.#waiting ??= { input };
        this.#link.lost();
        await new Promise((resume) => setTimeout(resume, wait));
        wait = Math.min(2 * wait, LONGEST_WAIT);
        continue;
      }
      wait = FIRST_WAIT;
      this.#link.found();
      if (!this.#waiting) this.#done(result, input);
    }
    this.#busy = false;
  }
}
