// The set-up sheet: what stands where is written down on its cards. The page is loaded anew with what was saved, plan and all.
import { json, twice } from "/asking.js";

const SAID = "greyhold-sheet-said";

/** What is said after the page was loaded anew; private windows may refuse to keep it. */
const after = {
  keep(said) { try { sessionStorage.setItem(SAID, JSON.stringify(said)); } catch { /* The card shows what was saved. */ } },
  take() {
    try {
      const said = JSON.parse(sessionStorage.getItem(SAID));
      sessionStorage.removeItem(SAID);
      return said;
    } catch { return null; }
  },
};

/** A form on a card, and the button that opens it. */
class Card {
  constructor(box) {
    this.box = box;
    this.opener = box.querySelector(".open");
    this.form = box.querySelector("form");
    this.says = box.querySelector(".says");
    this.name = box.dataset.name;
    this.opener.addEventListener("click", () => { if (this.form.hidden) this.open(); else this.leave(); });
    this.form.addEventListener("submit", (event) => { event.preventDefault(); this.save(); });
    this.form.querySelector(".leave").addEventListener("click", () => this.leave());
    const back = this.form.querySelector(".back");
    if (back) twice(back, () => this.send({}));
  }

  get fields() { return [...this.form.elements].filter((field) => field.name); }
  get changed() { return this.fields.filter((field) => field.value.trim() !== field.defaultValue.trim()); }

  /** One at a time: what was saved of one has the page loaded anew, and would lose what was typed on another. */
  open() {
    const other = cards.find((card) => card !== this && !card.form.hidden);
    if (other?.changed.length) {
      other.blame();
      other.tell("Save this first, or leave it as it was.");
      other.changed[0].focus();
      return;
    }
    other?.close();
    this.form.reset();
    this.form.hidden = false;
    this.opener.setAttribute("aria-expanded", "true");
    this.tell("");
    this.fields[0].focus();
  }

  close() {
    this.form.hidden = true;
    this.opener.setAttribute("aria-expanded", "false");
    this.blame();
    this.tell("");
  }

  leave() {
    this.close();
    this.opener.focus();
  }

  tell(text) { this.says.textContent = text; }

  /** The field that holds up the rest: what is wrong with it stands right below. */
  blame(wrong) {
    (wrong?.parentElement ?? this.box).append(this.says);
    for (const field of this.fields) {
      if (field === wrong) {
        field.setAttribute("aria-invalid", "true");
        field.setAttribute("aria-describedby", this.says.id);
        field.focus();
      } else {
        field.removeAttribute("aria-invalid");
        field.removeAttribute("aria-describedby");
      }
    }
  }

  /** Only what was changed is sent: somebody else may have written the rest meanwhile. */
  save() {
    const { changed } = this;
    if (!changed.length) {
      this.tell("Nothing was changed.");
      return;
    }
    const lines = (text) => text.split("\n").map((line) => line.trim()).filter(Boolean);
    this.send(Object.fromEntries(changed.map(({ name, value }) => [name, name === "notes" ? lines(value) : value.trim()])));
  }

  /** Without any fact it is as the configuration says. */
  async send(facts) {
    const which = this.name === undefined ? { action: "set_up_notes" } : { action: "set_up", name: this.name };
    const buttons = this.form.querySelectorAll("button");
    for (const button of buttons) button.disabled = true;
    this.blame();
    this.tell("Saving …");
    const { ok, message, unanswered } = await ask({ ...which, ...facts });
    if (ok) {
      after.keep({ name: this.name ?? null, message });
      location.reload();
      return;
    }
    for (const button of buttons) button.disabled = false;
    const key = /^\w+(?=: )/.exec(message)?.[0];
    this.blame(this.fields.find((field) => field.name === key));
    this.tell(unanswered ? message : `Not saved: ${message}`);
  }
}

// Longer than greyhold itself waits for a disk (ten seconds), so that its own answer comes first.
const PATIENCE = 12000;

async function ask(what) {
  try {
    const answer = await fetch("/action", json(what, PATIENCE));
    if (answer.status === 401) return { ok: false, message: "this device is not signed in any more. Sign in on the stand page in another tab, then save again." };
    const text = await answer.text();
    try { return JSON.parse(text); } catch { return { ok: false, message: text }; }
  } catch (why) {
    if (why.name === "TimeoutError") return { ok: false, unanswered: true, message: "No answer came yet. It may be saved all the same: load the page anew to see." };
    return { ok: false, message: "greyhold can't be reached. Try again when the connection is back." };
  }
}

const cards = [...document.querySelectorAll(".write")].map((box) => new Card(box));
// Without this script nothing could be saved, and no button is shown.
document.documentElement.dataset.writes = "yes";
try { document.documentElement.dataset.ink = localStorage.getItem("greyhold-ink") ?? ""; } catch { /* As on this device. */ }

const said = after.take();
const saved = said && cards.find((card) => (card.name ?? null) === said.name);
if (saved) {
  saved.tell(said.message);
  saved.opener.focus();
}
