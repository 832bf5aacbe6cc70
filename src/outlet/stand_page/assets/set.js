// The view beside the camera: the last frame, its spots, the trend, the lights, the survey.
import { act, by, choices, ink, make, twice, write } from "/page.js";
import { LightMap } from "/light_map.js";

const KEPT_NEWS = 120;
// In a burst not every frame's picture is fetched; the last one always is.
const PICTURES_EVERY = 500;
const STEP = 0.01;
const LEAST_SIDE = 0.02;
// Below this many CSS pixels a wide chart's letters are too small.
const NARROW = 500;
// A tap this far beside a spot is meant for it, in CSS pixels.
const FINGER = 12;

const cell = (text, tag = "td") => make(tag, text);

/** A table's rows, changed only where they differ. */
function rows(body, values) {
  const now = JSON.stringify(values);
  if (body.dataset.now === now) return;
  body.dataset.now = now;
  body.replaceChildren(...values.map(([first, ...others]) => {
    const head = cell(first, "th");
    head.scope = "row";
    return make("tr", "", head, ...others.map((text) => cell(text)));
  }));
}

function lines(list, values) {
  const now = JSON.stringify(values);
  if (list.dataset.now === now) return;
  list.dataset.now = now;
  list.replaceChildren(...values.map((text) => make("li", text)));
}

/** Spots on the picture, and where somebody is moving one to. */
class Spots {
  constructor() {
    this.boxes = new Map();
    this.moved = null;
    this.tapped = null;
    by("spot-desk").addEventListener("toggle", () => {
      by("stage").classList.toggle("desk-open", by("spot-desk").open);
      if (by("spot-desk").open) this.draw();
      else this.drop();
    });
    by("spot-choice").addEventListener("change", () => this.draw());
    for (const button of document.querySelectorAll("[data-nudge]")) button.addEventListener("click", () => this.nudge(button.dataset.nudge));
    by("spot-save").addEventListener("click", () => this.save());
    by("spot-drop").addEventListener("click", () => this.drop());
    by("spot-remove").addEventListener("click", () => act({ action: "spot", name: this.chosen(), area: null }));
    by("stage").addEventListener("click", (event) => this.read(event));
    by("spot-new").addEventListener("submit", (event) => {
      event.preventDefault();
      this.begin(by("spot-name").value.trim());
    });
  }

  chosen() { return by("spot-choice").value; }

  show(spots) {
    this.spots = spots;
    this.draw();
    this.tell();
  }

  begin(name) {
    if (!name) return;
    this.moved = { name, area: { left: 0.4, top: 0.4, right: 0.6, bottom: 0.55 } };
    this.draw();
    by("spot-choice").value = name;
    this.draw();
    this.boxes.get(name)?.focus();
  }

  /** All spots as they are to be seen, with the one that is being moved where it is now. */
  all() {
    const known = this.spots ?? [];
    const { moved } = this;
    const shown = known.map((s) => (s.name === moved?.name ? { ...s, area: moved.area, movable: true } : s));
    return moved && !known.some((s) => s.name === moved.name) ? [...shown, { ...moved, movable: true, drift: null }] : shown;
  }

  draw() {
    const all = this.all();
    const movable = all.filter((s) => s.movable);
    choices(by("spot-choice"), movable.map((s) => [s.name, s.name]));
    for (const [name, box] of this.boxes) if (!all.some((s) => s.name === name)) { box.remove(); this.boxes.delete(name); }
    for (const spot of all) {
      // The whole frame needs no border of its own.
      if (!spot.movable && spot.area.left === 0 && spot.area.right === 1) continue;
      const box = this.boxes.get(spot.name) ?? this.box(spot);
      const open = by("spot-desk").open;
      // Where a spot is drawn or moved is told for the reference; else it is shown where its part of the scene now is.
      const { left, top, right, bottom } = open ? spot.area : spot.followed ?? spot.area;
      Object.assign(box.style, { left: `${left * 100}%`, top: `${top * 100}%`, width: `${(right - left) * 100}%`, height: `${(bottom - top) * 100}%` });
      // A label is written towards the middle of the picture.
      box.dataset.side = left + right > 1 ? "right" : "left";
      box.dataset.ready = spot.movable ? "no" : "yes";
      box.dataset.chosen = spot.movable && open && spot.name === this.chosen() ? "yes" : "no";
      box.tabIndex = spot.movable && open ? 0 : -1;
      box.disabled = !(spot.movable && open);
      // Its number, so that the picture is seen; what it reads stands in the table. While spots are moved, its name.
      const byNumber = !open && Boolean(spot.number);
      write(box.firstChild, byNumber ? String(spot.number) : spot.name);
      const named = spot.drift ? `${spot.name} ${spot.drift}` : spot.name;
      // Who speaks to the page says what is seen of it.
      box.setAttribute("aria-label", byNumber ? `${named}, spot ${spot.number}` : named);
    }
    by("spot-save").disabled = !this.moved;
    by("spot-drop").disabled = !this.moved;
    by("spot-remove").disabled = Boolean(this.moved) || movable.length === 0;
  }

  box({ name }) {
    const box = make("button", "", make("span", name));
    box.type = "button";
    box.className = "spot";
    box.addEventListener("focus", () => { by("spot-choice").value = name; this.draw(); });
    box.addEventListener("pointerdown", (event) => this.drag(box, name, event));
    box.addEventListener("keydown", (event) => {
      const ways = { ArrowLeft: ["left", "narrower"], ArrowRight: ["right", "wider"], ArrowUp: ["up", "flatter"], ArrowDown: ["down", "taller"] }[event.key];
      if (!ways) return;
      event.preventDefault();
      by("spot-choice").value = name;
      this.nudge(ways[event.shiftKey ? 1 : 0]);
    });
    by("spots").append(box);
    this.boxes.set(name, box);
    return box;
  }

  /** Reads the spot that somebody tapped: the smallest there, for spots may lie within each other. */
  read(event) {
    if (by("spot-desk").open || !this.spots) return;
    const isHit = (box) => {
      const { left, top, right, bottom } = box.getBoundingClientRect();
      return event.clientX >= left - FINGER && event.clientX <= right + FINGER && event.clientY >= top - FINGER && event.clientY <= bottom + FINGER;
    };
    const hit = [...this.boxes].filter(([, box]) => isHit(box)).sort(([, a], [, b]) => a.offsetWidth * a.offsetHeight - b.offsetWidth * b.offsetHeight)[0];
    this.tapped = hit?.[0] ?? null;
    this.tell();
  }

  /** What the tapped spot reads in the frame that is shown. */
  tell() {
    const spot = this.spots.find((s) => s.name === this.tapped);
    write(by("spot-says"), spot ? `${spot.number}  ${spot.name}: ${spot.drift ? `${spot.drift}, by this spot alone` : "not compared"}` : "Tap a spot to read it.");
  }

  areaOf(name) { return this.all().find((s) => s.name === name)?.area; }

  /** Moves the area by parts of the frame, its lower right corner by others; it stays in the frame. */
  place(name, from, [dx, dy], [wider, taller] = [0, 0]) {
    const within = (value, low, high) => Math.min(Math.max(value, low), high);
    const width = within(from.right - from.left + wider, LEAST_SIDE, 1);
    const height = within(from.bottom - from.top + taller, LEAST_SIDE, 1);
    const left = within(from.left + dx, 0, 1 - width);
    const top = within(from.top + dy, 0, 1 - height);
    const round = (value) => Math.round(value * 1000) / 1000;
    this.moved = { name, area: { left: round(left), top: round(top), right: round(left + width), bottom: round(top + height) } };
    this.draw();
  }

  nudge(how) {
    const name = this.chosen();
    const from = this.areaOf(name);
    if (!from) return;
    if (this.moved && this.moved.name !== name) this.drop();
    const moves = { left: [-STEP, 0], right: [STEP, 0], up: [0, -STEP], down: [0, STEP] };
    const sizes = { wider: [STEP, 0], narrower: [-STEP, 0], taller: [0, STEP], flatter: [0, -STEP] };
    this.place(name, from, moves[how] ?? [0, 0], sizes[how] ?? [0, 0]);
  }

  drag(box, name, event) {
    if (!by("spot-desk").open) return;
    event.preventDefault();
    box.focus();
    if (this.moved && this.moved.name !== name) this.drop();
    const from = this.areaOf(name);
    const frame = by("spots").getBoundingClientRect();
    const edge = box.getBoundingClientRect();
    const atCorner = Math.abs(event.clientX - edge.right) < 24 && Math.abs(event.clientY - edge.bottom) < 24;
    box.setPointerCapture(event.pointerId);
    const move = (now) => {
      const by = [(now.clientX - event.clientX) / frame.width, (now.clientY - event.clientY) / frame.height];
      this.place(name, from, atCorner ? [0, 0] : by, atCorner ? by : [0, 0]);
    };
    const done = () => {
      box.removeEventListener("pointermove", move);
      box.removeEventListener("pointerup", done);
      box.removeEventListener("pointercancel", done);
    };
    box.addEventListener("pointermove", move);
    box.addEventListener("pointerup", done);
    box.addEventListener("pointercancel", done);
  }

  async save() {
    const { moved } = this;
    if (moved && await act({ action: "spot", ...moved })) this.drop();
  }

  drop() {
    this.moved = null;
    this.draw();
  }
}

export class SetView {
  constructor() {
    this.spots = new Spots();
    this.lightMap = new LightMap(() => this.repaint());
    by("accept").addEventListener("click", () => act({ action: "accept", frame: this.board.last.frame }));
    twice(by("new-sitter"), () => act({ action: "new_sitter" }));
    by("set-up-same").addEventListener("click", () => act({ action: "sitting", what: "same" }));
    twice(by("set-up-new"), () => act({ action: "sitting", what: "new" }));
    twice(by("end-sitting"), () => act({ action: "sitting", what: "end" }));
    by("look-form").addEventListener("submit", (event) => {
      event.preventDefault();
      act({ action: "look", look: by("looks").value });
    });
    addEventListener("resize", () => this.repaintSoon());
    for (const button of document.querySelectorAll("[data-survey]")) {
      button.addEventListener("click", () => act({ action: "survey", what: button.dataset.survey }));
    }
  }

  show(board) {
    this.board = board;
    this.showLast(board);
    this.spots.show(board.spots);
    rows(by("spot-rows"), board.spots.map((s) => [`${s.number}  ${s.name}${s.name === board.judged_spot ? " (frames are judged by it)" : ""}`, s.drift ?? "–"]));
    by("sharpness-title").hidden = board.sharpness.length === 0;
    lines(by("sharpness"), board.sharpness);
    write(by("set-leads"), board.leads);
    by("same-set-up").hidden = !board.same_set_up;
    // What is only to be looked at stands beside the picture already.
    write(by("set-asked"), (board.hold || board.asked || board.survey.next) && board.why ? board.why : "");
    rows(by("lights"), board.cards.map((c) => [c.group, c.at ?? "?", c.clicks ? c.to ?? "?" : "", c.other_way ? `${c.does}. ${c.other_way}` : c.does]));
    lines(by("ratios"), board.ratios);
    this.showSurvey(board.survey);
    this.repaintSoon();
  }

  repaintSoon() {
    if (this.painting) return;
    const wait = Math.max(0, PICTURES_EVERY - (performance.now() - (this.painted ?? -PICTURES_EVERY)));
    this.painting = setTimeout(() => {
      this.painting = 0;
      this.painted = performance.now();
      this.repaint();
    }, wait);
  }

  showLast(board) {
    const { last } = board;
    const building = board.standing === "building";
    by("accept").disabled = !last || last.is_reference || Boolean(board.hold) || board.standing === "awaits_sitter" || Boolean(board.same_set_up);
    write(by("accept"), building ? "The light stands: make this frame the reference" : "Accept: make this frame the reference");
    by("end-sitting").disabled = !last;
    by("sitting-fact").hidden = !board.sitting;
    write(by("which-sitting"), board.sitting ?? "");
    by("new-sitter").disabled = board.standing !== "accepted" || !board.look || Boolean(board.same_set_up);
    const looks = JSON.stringify([board.look, board.looks]);
    if (by("look-form").dataset.now !== looks) {
      by("look-form").dataset.now = looks;
      by("look-form").hidden = board.looks.length < 2;
      choices(by("looks"), board.looks.map((l) => [l, l]), board.look ?? "");
    }
    const standing = { building: " (the light is being built)", awaits_sitter: " (waits for the new sitter's first frame)" };
    write(by("last-look"), board.look ? board.look + (standing[board.standing] ?? "") : "none yet");
    by("filter-told").hidden = !board.filter;
    write(by("filter"), board.filter ?? "");
    if (!last) return;
    write(by("last-sentence"), last.sentence);
    by("last-sentence").dataset.hold = board.hold ? "yes" : "no";
    const also = [last.shot_at && `shot ${last.shot_at}`, last.is_reference && "the reference", last.removed && "gone from the folder"].filter(Boolean).join(", ");
    write(by("last-frame"), `${last.file}${also && ` (${also})`}`);
    write(by("last-settings"), last.settings);
    write(by("last-drift"), last.drift ?? "–");
    write(by("last-clipping"), last.clipping);
  }

  showPicture({ last, picture }) {
    const image = by("picture");
    if (!last || !picture) return;
    const [frame, shape] = picture;
    by("no-picture").hidden = true;
    for (const id of ["spots", "spot-says", "spot-desk"]) by(id).hidden = false;
    image.hidden = false;
    image.style.aspectRatio = String(shape);
    image.alt = frame === last.frame ? last.file : `An earlier frame; ${last.file} has no picture`;
    const address = `/picture?frame=${frame}`;
    if (image.getAttribute("src") !== address) image.src = address;
  }

  showSurvey({ steps, next, hint, refused, report }) {
    const underWay = steps.length > 0;
    write(by("survey-next"), next ? `Now: ${next}${hint ? ` (${hint})` : ""}.` : "One frame with each light alone tells greyhold what each light gives, and later which one is off.");
    by("survey-refused").hidden = !refused;
    write(by("survey-refused"), refused ? `Not taken: ${refused}` : "");
    const list = by("survey-steps");
    const now = JSON.stringify(steps);
    if (list.dataset.now !== now) {
      list.dataset.now = now;
      const first = steps.findIndex(([, taken]) => !taken);
      list.replaceChildren(...steps.map(([name, taken], nth) => {
        const step = make("li", taken ? `${name}: taken` : name);
        step.dataset.taken = taken ? "yes" : "no";
        if (nth === first) step.setAttribute("aria-current", "step");
        return step;
      }));
    }
    for (const button of document.querySelectorAll("[data-survey]")) button.hidden = (button.dataset.survey === "start") === underWay;
    lines(by("survey-report"), report);
  }

  /** The picture, and the trend for the ink that is chosen. */
  repaint() {
    const { board } = this;
    // A phone at a stand fetches no pictures.
    if (!board || by("set").hidden) return;
    this.showPicture(board);
    this.lightMap.show(board);
    const newest = board.trend.at(-1);
    const trend = by("trend");
    const width = trend.clientWidth < NARROW ? "narrow" : "wide";
    trend.dataset.width = width;
    const address = `/trend.svg?ink=${ink()}&width=${width}&n=${newest?.frame ?? 0}`;
    if (trend.getAttribute("src") !== address) trend.src = address;
    const drift = (p) => (p.drift === null ? "not compared" : `${p.drift.toFixed(2)}${p.uncertainty === null ? "" : ` ±${p.uncertainty.toFixed(2)}`}`);
    trend.alt = newest ? `Drift by frame, ${board.trend.length} frames; the newest, ${newest.frame}: ${drift(newest)} stops` : "No frame was compared yet";
    rows(by("trend-rows"), [...board.trend].reverse().map((p) => [String(p.frame), drift(p), p.finding.replaceAll("_", " ")]));
  }

  news({ at, message }) {
    if (!message) return;
    const log = by("log");
    log.prepend(make("li", "", make("time", at), message));
    while (log.children.length > KEPT_NEWS) log.lastChild.remove();
  }

  forget() { by("log").replaceChildren(); }
}
