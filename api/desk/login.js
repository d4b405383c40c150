// Who is at the desk: the form that asks for a key, the name of the key, the way out.

import { byId } from "./dom.js";
import { carry, carried, Refusal, send } from "./service.js";

const SESSION = "/v1/session";
const WRONG = {
  401: "This key does not open the desk. Look at it and put it in once more.",
  429: "Too many tries. Wait a minute, then try again.",
};

/** The login of this page. Where access is open there is none, and nothing of it is seen. */
export class Login {
  #entered; #failed;
  #began = false;
  #wait = null;
  #box = byId("login");
  #field = byId("key");

  /** `entered()` is called when a key was taken, `failed(text)` when logging out did not work. */
  constructor({ entered, failed }) {
    this.#entered = entered;
    this.#failed = failed;
    byId("login-form").addEventListener("submit", (event) => {
      event.preventDefault();
      this.#enter();
    });
    byId("log-out").addEventListener("click", () => this.#leave());
    // Browsers that do not know `closedby` let Escape close the form, which would lay the page open.
    this.#box.addEventListener("cancel", (event) => event.preventDefault());
    this.#box.addEventListener("close", () => this.#wait && this.#box.showModal());
    // The cookie is that of all tabs, so logging in once does for every tab that asks.
    window.addEventListener("focus", () => this.#wait && this.look().then(() => this.#letIn(), () => {}));
  }

  get asks() { return this.#wait !== null; }

  /** Asks the service who is logged in; throws `Refusal` when nobody is. */
  async look() {
    this.#take(await send(SESSION));
  }

  /** Tells whether what was refused may be sent again; waits for a login if there has to be one. */
  async mends(refusal) {
    if (refusal.status === 401) {
      await this.#ask(this.#began ? "The login has ended. What you took down is kept." : "");
      return true;
    }
    if (refusal.status !== 403) return false;
    // Another tab that logged in anew has changed the cookie under this one: its token is not ours.
    await this.look().catch(() => {});
    return carried() !== refusal.carried;
  }

  #take(session) {
    this.#began = true;
    carry(session.token);
    byId("who").hidden = !session.token;
    byId("who-name").textContent = session.name ?? "";
    byId("who-name").title = session.name ?? "";
  }

  #ask(why, over = this.#began) {
    if (!this.#wait) {
      this.#wait = {};
      this.#wait.over = new Promise((resolve) => { this.#wait.end = resolve; });
      byId("login-why").textContent = why;
      this.#tell("");
      // In the middle of a call it should be seen that all is still there; after logging out it should not.
      this.#box.classList.toggle("over", over);
      this.#box.showModal();
    }
    return this.#wait.over;
  }

  #letIn() {
    const wait = this.#wait;
    if (!wait) return;
    this.#wait = null;
    this.#field.value = "";
    // Where the form has no focus to give back, the field would else seem to have it until the next frame.
    document.activeElement.blur();
    this.#box.close();
    this.#entered();
    wait.end();
  }

  async #enter() {
    const key = this.#field.value.trim();
    this.#tell("");
    if (!key) return this.#tell("Put the key in first.");
    byId("log-in").disabled = true;
    try {
      this.#take(await send(SESSION, { key }));
      this.#letIn();
    } catch (error) {
      const refused = error instanceof Refusal;
      if (refused) this.#field.value = "";
      this.#tell(refused ? WRONG[error.status] ?? error.message
        : "The service does not answer. Wait a moment, then try again.");
    } finally {
      byId("log-in").disabled = false;
    }
  }

  #tell(wrong) {
    byId("login-wrong").textContent = wrong;
    this.#field.setAttribute("aria-invalid", String(wrong !== ""));
    this.#field.focus();
  }

  async #leave() {
    try {
      // The token may be that of a login before; see `mends`.
      await this.look();
      await send(SESSION, undefined, "DELETE");
      await this.look();
    } catch (error) {
      if (!(error instanceof Refusal) || error.status !== 401) {
        this.#failed("You are still logged in: the service does not answer. Try again.");
        return;
      }
      // A form that closes gives the focus back, and here the next Enter would log out again.
      byId("log-out").blur();
      this.#ask("You are logged out.", false);
    }
  }
}
