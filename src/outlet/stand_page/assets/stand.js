// The stand view: a card a light, and what this phone does when one is to be turned.
import { act, by, choices, kept, make, presentSetting, write } from "/page.js";

const SVG = "http://www.w3.org/2000/svg";
const WORDS = {
  rest: "as it is", up: "turn up", down: "turn down", leave: "leave", coming: "coming", hold: "hold", set: "set", end_of_range: "end of range",
};
// Shapes of our own for each state, on a field of 32 by 32.
const SHAPES = {
  rest: "M11 16a5 5 0 1 0 10 0a5 5 0 1 0-10 0z",
  up: "M16 3L30 29H2z",
  down: "M16 29L2 3H30z",
  leave: "M3 12H29V20H3z",
  hold: "M6 3H13V29H6zM19 3H26V29H19z",
  set: "M3 17L8 12L13 18L25 4L30 9L13 28z",
  end_of_range_up: "M2 2H30V7H2zM16 10L30 30H2z",
  end_of_range_down: "M2 30H30V25H2zM16 22L30 2H2z",
  coming_up: "M16 3L30 29H2zM16 11L9 25H23z",
  coming_down: "M16 29L2 3H30zM16 21L23 7H9z",
};

function shape(path) {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", "0 0 32 32");
  svg.setAttribute("aria-hidden", "true");
  const inner = document.createElementNS(SVG, "path");
  inner.setAttribute("fill", "currentColor");
  inner.setAttribute("fill-rule", "evenodd");
  inner.setAttribute("d", path);
  svg.append(inner);
  return svg;
}

/** What a dial position is when spoken. */
const spoken = (dial) => dial.replace(/^1\/(\d+)/, "one over $1").replace("+", "plus ").replace(" Ws", " watt-seconds").replace(" %", " per cent");

/** What is read first large, the rest of it ('+0.3', 'Ws', 'stops') smaller beside it. */
function writeLarge(element, first, rest) {
  if (element.textContent === `${first}${rest && ` ${rest}`}`) return;
  element.replaceChildren(first, ...(rest ? [" ", make("small", rest)] : []));
}

/** A dial position; where nobody knows the power, how far to turn. */
function writePower(element, { to, at, change }, turns) {
  const power = turns ? to : at;
  if (power) {
    const [first, ...others] = power.split(" ");
    writeLarge(element, first, others.join(" "));
  } else if (turns && change) writeLarge(element, change, /^.(1$|\d+\/)/.test(change) ? "stop" : "stops");
  else writeLarge(element, "?", "");
}

/** Whether somebody is to turn it, now or for what comes. */
const asksForATurn = (card) => !card.confirmed && ["up", "down", "coming", "end_of_range"].includes(card.state);

class LightCard {
  constructor(group) {
    this.group = group;
    this.element = make("article");
    this.element.className = "card";
    this.element.dataset.group = group;
    const part = (tag, name, text = "") => {
      const element = make(tag, text);
      element.className = name;
      return element;
    };
    // The name opens the light over the whole width, to be read from afar.
    this.opener = part("button", "opener", group);
    this.title = make("h2", "", this.opener);
    this.place = part("p", "place");
    this.sign = make("span");
    this.wordText = make("span");
    this.word = part("p", "word");
    this.word.append(this.sign, this.wordText);
    this.to = part("p", "to");
    this.at = part("p", "at");
    this.does = part("p", "does");
    this.sure = part("p", "sure");
    this.other = part("p", "notice");
    this.set = part("button", "set", "set");
    this.undo = part("button", "undo", "undo");
    this.setAt = make("details");
    this.positions = make("select");
    this.tell = part("button", "tell", "it is set to this");
    for (const button of [this.set, this.undo, this.tell, this.opener]) button.type = "button";
    // What somebody asked for; until then one's own light is open.
    this.opened = null;
    this.own = false;
    this.opener.addEventListener("click", () => {
      this.opened = !(this.opened ?? this.own);
      this.layOut();
    });
    const name = make("div", "", this.title, this.place);
    name.className = "name";
    const label = make("label", `${group} is at `, this.positions);
    const row = make("div", "", label, this.tell);
    row.className = "row";
    this.setAt.append(make("summary", "other power …"), row);
    const line = make("div", "", this.does, this.at);
    line.className = "line";
    const rest = make("div", "", line, this.sure, this.other, this.set, this.undo, this.setAt);
    rest.className = "rest";
    this.element.setAttribute("aria-label", group);
    this.element.append(name, this.word, this.to, rest);
    this.set.addEventListener("click", () => act({ action: "set", group, correction: this.correction }));
    this.undo.addEventListener("click", () => act({ action: "undo", group }));
    this.tell.addEventListener("click", () => this.tellSetting());
  }

  layOut() {
    const open = this.opened ?? this.own;
    this.element.dataset.open = open ? "yes" : "no";
    this.opener.setAttribute("aria-expanded", String(open));
  }

  async tellSetting() {
    if (await act({ action: "set_at", group: this.group, setting: this.positions.value })) this.setAt.open = false;
  }

  show(card, asked, own) {
    this.correction = asked?.record;
    const turns = asksForATurn(card);
    if (this.own !== own) this.opened = null;
    this.own = own;
    this.layOut();
    this.element.dataset.state = card.state;
    const lights = card.heads > 1 ? `${card.heads} lights` : "1 light";
    write(this.place, card.role === "other" || card.role === card.group ? lights : `${card.role}, ${lights}`);
    const key = ["coming", "end_of_range"].includes(card.state) ? `${card.state}_${card.clicks > 0 ? "up" : "down"}` : card.state;
    if (this.sign.dataset.key !== key) {
      this.sign.dataset.key = key;
      this.sign.replaceChildren(shape(SHAPES[key]));
    }
    write(this.wordText, card.coming && card.state === "end_of_range" ? "coming: end of range" : WORDS[card.state]);
    writePower(this.to, card, turns);
    write(this.at, turns && card.at ? `now at ${card.at}` : "");
    write(this.does, card.does);
    write(this.sure, card.sure);
    write(this.other, card.other_way ?? "");
    this.other.hidden = !card.other_way;
    const focused = [this.set, this.undo].includes(document.activeElement);
    this.set.hidden = !turns;
    this.set.setAttribute("aria-label", `${this.group}: set at ${card.to ?? "the new power"}`);
    this.undo.hidden = !card.can_undo;
    // Who pressed a button that goes away goes on from the one that came in its place.
    if (focused) [this.set, this.undo, this.setAt.firstChild].find((e) => !e.hidden).focus();
    this.undo.setAttribute("aria-label", `undo: ${this.group} is not set`);
    // A list that is open is not changed under somebody's thumb.
    if (!this.setAt.open) choices(this.positions, card.positions.map((p) => [p, p]), card.to ?? card.at ?? "");
    this.tell.setAttribute("aria-label", `${this.group} is there now`);
  }
}

/** How a phone calls its holder: by shaking, sounding, speaking; and how it stays on. */
class Ways {
  constructor() {
    this.on = new Set(kept.get("ways").split(" ").filter(Boolean));
    this.sound = null;
    this.lock = null;
    for (const button of document.querySelectorAll("[data-way]")) {
      button.setAttribute("aria-pressed", String(this.on.has(button.dataset.way)));
      button.addEventListener("click", () => this.toggle(button));
    }
    // Browsers let a page sound, and stay on, only after somebody touched it.
    addEventListener("pointerdown", () => this.begin(), { once: true });
    addEventListener("keydown", () => this.begin(), { once: true });
    document.addEventListener("visibilitychange", () => { if (document.visibilityState === "visible") this.stayOn(); });
  }

  begin() {
    if (this.on.has("beep")) this.sounds();
    this.stayOn();
  }

  toggle(button) {
    const way = button.dataset.way;
    const wanted = !this.on.has(way);
    if (wanted) this.on.add(way); else this.on.delete(way);
    button.setAttribute("aria-pressed", String(wanted));
    kept.set("ways", [...this.on].join(" "));
    write(by("ways-says"), "");
    const missing = { vibrate: !("vibrate" in navigator), speak: !("speechSynthesis" in window), beep: !("AudioContext" in window) };
    if (wanted && missing[way]) write(by("ways-says"), "This browser can't do that.");
    else if (way === "awake") this.stayOn();
    else if (wanted) this.call("This is how it calls.", "up", [way]);
  }

  async stayOn() {
    if (!this.on.has("awake")) {
      await this.lock?.release();
      this.lock = null;
      return;
    }
    if ("wakeLock" in navigator) {
      try {
        this.lock = await navigator.wakeLock.request("screen");
        return;
      } catch { /* Said below. */ }
    }
    write(by("ways-says"), "This browser doesn't let a page of the local network keep the screen on: set the phone's own screen time-out to its longest.");
  }

  sounds() {
    this.sound ??= new AudioContext();
    this.sound.resume();
    return this.sound;
  }

  beep(state) {
    const sound = this.sounds();
    const tones = { up: [523, 784], down: [784, 523], hold: [220, 220], end_of_range: [330, 330] }[state] ?? [523, 523];
    tones.forEach((hertz, nth) => {
      const [tone, volume] = [sound.createOscillator(), sound.createGain()];
      const from = sound.currentTime + nth * 0.22;
      tone.frequency.value = hertz;
      volume.gain.setValueAtTime(0.25, from);
      volume.gain.exponentialRampToValueAtTime(0.001, from + 0.2);
      tone.connect(volume).connect(sound.destination);
      tone.start(from);
      tone.stop(from + 0.21);
    });
  }

  call(words, state, ways = [...this.on]) {
    if (ways.includes("vibrate")) navigator.vibrate?.(state === "hold" ? [700] : [200, 120, 200]);
    if (ways.includes("beep")) this.beep(state);
    if (ways.includes("speak") && "speechSynthesis" in window) {
      speechSynthesis.cancel();
      speechSynthesis.speak(Object.assign(new SpeechSynthesisUtterance(words), { lang: "en" }));
    }
  }
}

export class Stand {
  constructor() {
    this.cards = new Map();
    this.called = null;
    this.ways = new Ways();
    this.own = kept.get("own");
    by("all-set").addEventListener("click", () => act({ action: "all_set", correction: this.board.asked.record }));
    by("own").addEventListener("change", () => {
      this.own = by("own").value;
      kept.set("own", this.own);
      if (this.board) this.show(this.board);
    });
  }

  show(board) {
    this.board = board;
    const groups = board.cards.map((c) => c.group);
    choices(by("own"), [["", "all lights"], ...groups.map((g) => [g, g])], groups.includes(this.own) ? this.own : "");
    for (const [group, card] of this.cards) if (!groups.includes(group)) { card.element.remove(); this.cards.delete(group); }
    const order = [...board.cards].sort((a, b) => (b.group === this.own) - (a.group === this.own));
    order.forEach((shown, place) => {
      let card = this.cards.get(shown.group);
      if (!card) this.cards.set(shown.group, card = new LightCard(shown.group));
      card.element.dataset.own = shown.group === this.own ? "yes" : "no";
      card.show(shown, board.asked, shown.group === this.own);
      // Moving an element takes its focus away, so only what stands elsewhere is moved.
      const there = by("cards").children[place];
      if (there !== card.element) by("cards").insertBefore(card.element, there ?? null);
    });
    write(by("stand-leads"), board.leads);
    write(by("stand-asked"), board.why ?? "");
    this.showSurvey(board.survey);
    const left = board.cards.filter(asksForATurn);
    by("all-set").hidden = left.length < 2 || !board.asked;
    presentSetting(board.last?.f_number ?? "");
    this.callFor(board);
  }

  /** Who switches the heads on and off is told which. */
  showSurvey({ next, hint, refused }) {
    by("stand-survey").hidden = !next;
    by("stand-leads").hidden = Boolean(next);
    by("stand-asked").hidden = Boolean(next);
    write(by("stand-survey-next"), next ?? "");
    write(by("stand-survey-hint"), hint ? `It is ${hint}.` : "");
    by("stand-survey-refused").hidden = !refused;
    write(by("stand-survey-refused"), refused ? `Not taken: ${refused}` : "");
  }

  /** Calls once for each thing that is newly asked of this phone's lights. */
  callFor(board) {
    const mine = board.cards.filter((c) => !this.own || c.group === this.own);
    const words = mine.filter((c) => !c.coming && asksForATurn(c)).map((c) => [`${c.group}|${c.state}|${c.to}|${c.does}`, c]);
    const now = board.hold ? `hold ${board.last.frame}` : words.map(([key]) => key).join("\n");
    const before = this.called;
    this.called = now;
    // What was there when the page opened is seen; what comes is called.
    if (before === null || now === before || now === "") return;
    // Setting one of two lights takes its words away, and is no news.
    const fresh = words.filter(([key]) => !before.split("\n").includes(key)).map(([, card]) => card);
    if (!board.hold && !fresh.length) return;
    const text = board.hold ?? fresh.map((c) => `${c.group}: ${c.does}${c.to ? `, to ${spoken(c.to)}` : ""}`).join(". ");
    write(by("call"), text);
    this.ways.call(text, board.hold ? "hold" : fresh[0].state);
  }
}
