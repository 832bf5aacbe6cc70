// The plan: what the lights have to be at for several apertures, and what is sharp at each.
import { act, by, choices, kept, make, write } from "/page.js";

// A plan is worked out anew after every record, and no more often than this.
const EVERY = 600;
const USUAL = { from: "f/16", to: "f/2.8" };
const FIELDS = ["distance", "focal", "sensor"];

const id = (what) => by(`plan-${what}`);

export class Plan {
  constructor() {
    this.desk = by("plan");
    for (const field of FIELDS) {
      id(field).value = kept.get(`plan-${field}`);
      id(field).addEventListener("change", () => { kept.set(`plan-${field}`, id(field).value); this.ask(); });
    }
    for (const end of ["from", "to"]) {
      id(end).addEventListener("change", () => { kept.set(`plan-${end}`, id(end).value); this.ask(); });
    }
    id("iso").addEventListener("change", () => this.ask());
    this.desk.addEventListener("toggle", () => this.askSoon());
    id("form").addEventListener("submit", (event) => event.preventDefault());
    id("rows").addEventListener("change", () => this.offer());
    // All of a row is its mark, but for a tap that selects words.
    id("rows").addEventListener("click", (event) => {
      const input = event.target.closest("tr")?.querySelector("input");
      if (input && !event.target.closest("label")) { input.checked = true; this.offer(); }
    });
    id("ask").addEventListener("click", () => this.askLights());
  }

  /** Which marks can be planned: `offered` gives those of a kind of setting. */
  offerMarks(offered, steps) {
    this.marks = offered("f_number");
    this.steps = steps === "halves" ? "halves" : "thirds";
    for (const end of ["from", "to"]) {
      const wanted = [kept.get(`plan-${end}`), id(end).value, USUAL[end]].find((mark) => this.marks.includes(mark));
      choices(id(end), this.marks.map((mark) => [mark, mark]), wanted);
    }
    choices(id("iso"), [["", "as it is"], ...offered("iso").map((mark) => [mark, mark])], id("iso").value);
    this.askSoon();
  }

  show(board) {
    this.now = board.last?.f_number ?? "";
    if (this.known === board.n) return;
    this.known = board.n;
    this.askSoon();
  }

  askSoon() {
    if (!this.desk.open || this.waiting) return;
    const wait = Math.max(0, EVERY - (performance.now() - (this.asked ?? -EVERY)));
    this.waiting = setTimeout(() => { this.waiting = 0; this.ask(); }, wait);
  }

  /** The marks from one end to the other, in that order. */
  apertures() {
    const [from, to] = ["from", "to"].map((end) => this.marks.indexOf(id(end).value));
    if (from < 0 || to < 0) return [];
    const between = this.marks.slice(Math.min(from, to), Math.max(from, to) + 1);
    return from > to ? between.reverse() : between;
  }

  async ask() {
    if (!this.desk.open || !this.marks) return;
    this.asked = performance.now();
    const turn = this.turn = (this.turn ?? 0) + 1;
    const asked = new URLSearchParams({ apertures: this.apertures().join(" "), camera_steps: this.steps });
    const add = (name, value) => { if (value) asked.set(name, value); };
    const length = (field, unit) => { const value = id(field).value.trim(); return value && (/[a-z]$/i.test(value) ? value : `${value}${unit}`); };
    add("iso", id("iso").value);
    add("distance", length("distance", "m"));
    add("focal_length", length("focal", "mm"));
    add("sensor", id("sensor").value);
    const reply = await fetched(`/plan?${asked}`);
    // Another one was asked for meanwhile.
    if (turn !== this.turn) return;
    const plan = reply.ok ? reply.plan : null;
    const hint = id("distance").value.trim() ? "" : "With a distance, it tells what is sharp.";
    write(id("says"), plan ? hint : `No plan: ${reply.message}`);
    for (const part of ["table", "ends", "choose", "sharp", "notes"]) id(part).hidden = !plan;
    // What was drawn before keeps the aperture that is chosen.
    if (plan) this.draw(plan);
  }

  draw({ apertures, groups, lens, room, assumed, notes }) {
    const recycles = apertures.some((at) => at.recycling);
    const heads = ["f-number", ...groups.map((of) => of.group), ...(room ? ["room light"] : []), ...(recycles ? ["ready again"] : [])];
    const frame = JSON.stringify([heads, apertures.map((at) => at.f_number)]);
    const rows = id("rows");
    if (rows.dataset.now !== frame) {
      rows.dataset.now = frame;
      const chosen = this.chosen();
      id("heads").replaceChildren(...heads.map((head) => Object.assign(make("th", head), { scope: "col" })));
      rows.replaceChildren(...apertures.map((at) => row(at.f_number, heads.length, chosen)));
    }
    apertures.forEach((at, nth) => {
      const tr = rows.children[nth];
      tr.dataset.now = at.f_number === this.now ? "yes" : "no";
      const cells = [...tr.children].slice(1);
      at.lights.forEach((light, of) => {
        write(cells[of], light.out ? `${light.power} !` : light.power);
        cells[of].dataset.out = light.out ? "yes" : "no";
      });
      const rest = [...(room ? [at.room_in_words ?? ""] : []), ...(recycles ? [at.recycling ? wait(at.recycling.seconds) : ""] : [])];
      rest.forEach((text, of) => write(cells[groups.length + of], text));
    });
    lines(id("ends"), apertures.filter((at) => at.end_in_words).map((at) => `! ${at.f_number}: ${at.end_in_words}`));
    lines(id("notes"), [...assumed, ...(room?.in_words ? [room.in_words] : []), ...notes]);
    this.drawSharp(apertures, lens);
    this.offer();
  }

  /** What is sharp at each, as a bar between the nearest and the farthest part. */
  drawSharp(apertures, lens) {
    id("sharp").hidden = !lens;
    if (!lens) return;
    write(id("sharp-says"), `Sharp with ${lens.in_words}, the camera on the left; what is beyond the ends is not shown`);
    const at = (element, place) => { element.style.left = `${place * 100}%`; return element; };
    const parts = [...lens.drawn_parts].sort((a, b) => a.at - b.at);
    id("parts").replaceChildren(...parts.map((part, nth) => {
      const name = at(make("span", part.name), part.at);
      name.dataset.line = nth % 2 ? "low" : "high";
      return name;
    }));
    id("bars").replaceChildren(...apertures.map(({ f_number: f, sharpness: { drawn: [from, to], in_words: size } }) => {
      const bar = at(make("span"), from);
      bar.className = "bar-of";
      bar.style.width = `${(to - from) * 100}%`;
      const track = make("span", "", bar, ...parts.map((part) => at(make("i"), part.at)));
      track.className = "track";
      track.setAttribute("aria-hidden", "true");
      return make("li", "", make("b", f), track, make("span", size));
    }));
  }

  chosen() { return id("rows").querySelector("input:checked")?.value ?? ""; }

  offer() {
    const chosen = this.chosen();
    id("ask").disabled = !chosen;
    write(id("ask"), chosen ? `What do the lights need for ${chosen}?` : "Choose an aperture above");
  }

  /** As on the strip: a mark is chosen, and only then it is asked for. */
  askLights() {
    const chosen = this.chosen();
    if (!chosen) return;
    const iso = id("iso").value;
    act({ action: "next", f_number: chosen, ...(iso && { iso }), camera_steps: this.steps }, (text) => write(id("answer"), text));
  }
}

function row(f, columns, chosen) {
  const input = Object.assign(make("input"), { type: "radio", name: "plan_f_number", value: f, checked: f === chosen });
  const head = make("th", "", make("label", "", input, make("span", f)));
  head.scope = "row";
  return make("tr", "", head, ...Array.from({ length: columns - 1 }, () => make("td")));
}

const wait = (seconds) => (seconds < 0.1 ? "under 0.1 s" : `${Math.round(seconds * 10) / 10} s`);

function lines(list, values) {
  const now = JSON.stringify(values);
  if (list.dataset.now === now) return;
  list.dataset.now = now;
  list.replaceChildren(...values.map((text) => make("li", text)));
}

async function fetched(address) {
  try {
    const answer = await fetch(address, { signal: AbortSignal.timeout(5000) });
    return await answer.json();
  } catch {
    return { ok: false, message: "it can't be had just now." };
  }
}
