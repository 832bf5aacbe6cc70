// Beside the camera: who has signed in, and a way to sign each out.
import { by, make, post, twice } from "/page.js";

const LOOK_EVERY = 10_000;

export class Phones {
  constructor() {
    this.shown = "";
    setInterval(() => { if (!document.hidden && !by("set").hidden) this.refresh(); }, LOOK_EVERY);
  }

  async refresh() {
    try {
      const answer = await fetch("/phones", { signal: AbortSignal.timeout(5000) });
      if (answer.ok) this.show((await answer.json()).phones);
    } catch { /* The connection's own trouble is shown elsewhere. */ }
  }

  show(phones) {
    const now = JSON.stringify(phones);
    // A question that waits for its second press stays.
    if (now === this.shown || by("phones").contains(document.activeElement)) return;
    this.shown = now;
    by("phones").replaceChildren(...phones.map((phone) => this.entry(phone)));
  }

  entry({ number, who, entered, seen, here }) {
    const words = make("span", "", make("span", who, ...(here ? [" (this one)"] : [])), make("br"), make("span", `signed in ${entered}, last seen ${seen}`));
    words.firstChild.className = "who";
    words.lastChild.className = "when";
    const button = make("button", "Sign out");
    button.type = "button";
    button.setAttribute("aria-label", `Sign out ${who}, signed in ${entered}`);
    button.dataset.signOut = number;
    twice(button, async () => {
      button.blur();
      await post("/sign-out", { number });
      this.refresh();
    });
    return make("li", "", words, button);
  }
}
