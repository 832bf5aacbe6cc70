// The page: keeps the connection, and hands what comes to the two views. Nothing from outside is
// ever taken as HTML: all text goes in as text.
import { Stand } from "/stand.js";
import { SetView } from "/set.js";
import { Phones } from "/phones.js";
import { Plan } from "/plan.js";
import { Apertures } from "/apertures.js";
import { json } from "/asking.js";
export { twice } from "/asking.js";

export const by = (id) => document.getElementById(id);

/** Puts text where it is not yet, so that screen readers hear changes only. */
export function write(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/** An element with text and children. */
export function make(tag, text = "", ...children) {
  const element = document.createElement(tag);
  if (text) element.textContent = text;
  element.append(...children);
  return element;
}

/** A choice that survives reloading; private windows may refuse to keep it. */
export const kept = {
  get(key) { try { return localStorage.getItem(`greyhold-${key}`) ?? ""; } catch { return ""; } },
  set(key, value) { try { localStorage.setItem(`greyhold-${key}`, value); } catch { /* It then holds until the page is left. */ } },
};

/** Fills a list of choices, keeping the one that is chosen. */
export function choices(select, values, chosen = select.value) {
  const now = values.map(([value, label]) => `${value}\n${label}`).join("\n\n");
  if (select.dataset.now !== now) {
    select.dataset.now = now;
    select.replaceChildren(...values.map(([value, label]) => Object.assign(make("option", label), { value })));
  }
  if (values.some(([value]) => value === chosen)) select.value = chosen;
}

// --- asking ---

let fading = 0;
function say(text) {
  const said = by("said");
  said.hidden = false;
  write(said, text);
  clearTimeout(fading);
  fading = setTimeout(() => { said.hidden = true; }, 6000);
}

/** Sends what somebody does and says what came of it. */
export const act = (what, aloud = say) => post("/action", what, aloud);

/** Sends something and says what came of it. */
export async function post(where, what, aloud = say) {
  try {
    const answer = await fetch(where, json(what));
    if (answer.status === 401) { askForToken(); return false; }
    const text = await answer.text();
    let reply = { ok: false, message: text };
    try { reply = JSON.parse(text); } catch { /* Words as they are. */ }
    aloud(reply.ok ? reply.message : `Not done: ${reply.message}`);
    return reply.ok;
  } catch (why) {
    if (why.name === "TimeoutError") aloud("No answer came yet. It may be done all the same: see what the page shows.");
    else aloud("Not done: greyhold can't be reached. Try again when the connection is back.");
    return false;
  }
}

// --- the connection ---

const LOST_AFTER = 2500;
const TRY_EVERY = 1000;
let source = null;
let after = null;
let heard = performance.now();
let lostAt = null;
let back = false;
let meanwhile = 0;
let ended = false;
let trying = false;
/** Why greyhold did not let the page in, where it said so. */
let refusal = "";

const views = { stand: new Stand(), set: new SetView() };
const phones = new Phones();
const plan = new Plan();
const apertures = new Apertures();
const view = location.pathname === "/set" ? "set" : "stand";

function hear() {
  heard = performance.now();
  if (lostAt === null) return;
  lostAt = null;
  ended = false;
  by("lost").hidden = true;
  delete document.documentElement.dataset.lost;
}

function listen() {
  source?.close();
  // A new connection has as long to be heard as an old one, or a slow line would never be back.
  heard = performance.now();
  source = new EventSource(after === null ? "/feed" : `/feed?after=${after}`);
  source.addEventListener("beat", hear);
  // The browser's own new tries don't tell the record to go on from.
  source.addEventListener("error", lose);
  source.addEventListener("signed_out", () => leave("This device was signed out beside the camera."));
  // What goes on in the studio, where somebody tells it, as the demo does.
  source.addEventListener("story", (event) => notice(by("story"), `In the studio: ${JSON.parse(event.data)}`));
  source.addEventListener("phones", () => { if (view === "set") phones.refresh(); });
  source.addEventListener("begin", (event) => {
    const begins = JSON.parse(event.data).after;
    // Another log than before: what was told is another sitting's.
    if (after !== null && begins < after) views.set.forget();
    back = lostAt !== null;
    after = begins;
    meanwhile = 0;
    hear();
  });
  source.addEventListener("news", (event) => {
    const news = JSON.parse(event.data);
    if (news.n <= after) return;
    after = news.n;
    meanwhile += 1;
    ended = news.ended;
    views.set.news(news);
  });
  source.addEventListener("board", (event) => {
    hear();
    const board = JSON.parse(event.data);
    open();
    // What came meanwhile is told before the board.
    write(by("link"), back ? `connected again; ${meanwhile || "no"} records came meanwhile` : "connected");
    back = false;
    by("link").dataset.n = board.n;
    limitSpeeds(board.iso_limits);
    offerFilters(board.filters);
    views.stand.show(board);
    views.set.show(board);
    plan.show(board);
    apertures.show(board);
  });
}

/** Looks whether greyhold answers, and listens again. */
async function tryAgain() {
  if (trying) return;
  trying = true;
  try {
    const answer = await fetch("/marks", { signal: AbortSignal.timeout(2000) });
    if (answer.status === 401) askForToken();
    else if (answer.ok) {
      fillMarks(await answer.json());
      listen();
      refusal = "";
    } else refusal = `: ${await answer.text()}`;
  } catch { refusal = ""; /* Still away. */ } finally {
    trying = false;
  }
}

function lose() {
  source?.close();
  source = null;
  if (!by("enter").hidden) return;
  lostAt ??= performance.now();
  by("lost").hidden = false;
  document.documentElement.dataset.lost = "yes";
  write(by("lost"), ended
    ? "greyhold was ended. What is shown here is old."
    : "CONNECTION LOST. What is shown here may be old: ask the photographer before turning a light.");
  write(by("link"), `not connected${refusal}`);
}

setInterval(() => {
  if (by("enter").hidden && performance.now() - heard > LOST_AFTER) {
    lose();
    heard = performance.now() - LOST_AFTER + TRY_EVERY;
    tryAgain();
  }
}, 250);

// --- signing in ---

let signedIn = false;

/** Shows a sentence, or nothing at all. */
function notice(element, text) {
  element.hidden = !text;
  write(element, text);
}

/** Leaves nothing of the sitting on a device that is not signed in any more: the page begins anew, and says why. */
function leave(why) {
  source?.close();
  try { sessionStorage.setItem("greyhold-why", why); } catch { /* It then asks without a reason. */ }
  location.replace(location.pathname);
}

function whyLeft() {
  try {
    const why = sessionStorage.getItem("greyhold-why") ?? "";
    sessionStorage.removeItem("greyhold-why");
    return why;
  } catch { return ""; }
}

function askForToken() {
  if (signedIn) { leave("This device is not signed in any more: it was signed out, or not used for a day."); return; }
  source?.close();
  source = null;
  for (const id of ["stand", "set", "next", "ways"]) by(id).hidden = true;
  by("enter").hidden = false;
  by("lost").hidden = true;
  const why = whyLeft();
  if (why) notice(by("enter-why"), why);
  write(by("link"), "not signed in");
}

function open() {
  signedIn = true;
  by("enter").hidden = true;
  if (by(view).hidden && view === "set") phones.refresh();
  by(view).hidden = false;
  const wasHidden = by("next").hidden;
  by("next").hidden = false;
  by("ways").hidden = false;
  // What is hidden can't be scrolled.
  if (wasHidden) showLastShot();
}

async function enter(token) {
  const answer = await fetch("/enter", json({ token }));
  if (!answer.ok) {
    signedIn = false;
    askForToken();
    notice(by("enter-says"), `Not signed in: ${await answer.text()}.`);
    return;
  }
  notice(by("enter-says"), "");
  notice(by("enter-why"), "");
  by("token").value = "";
  by("enter").hidden = true;
  heard = performance.now();
  await tryAgain();
}

by("enter-form").addEventListener("submit", (event) => {
  event.preventDefault();
  enter(by("token").value).catch(() => notice(by("enter-says"), "greyhold can't be reached. Is this device on the studio's network?"));
});

// --- what comes next ---

let marks = null;

function fillMarks(all) {
  marks = all;
  offerMarks();
}

/** What is chosen in each list, by its name in the question. */
const LISTS = { iso: "next-iso", exposure_time: "next-time" };
const AS_IT_IS = "as it is";

/** The f-number that was shot last; empty where nobody knows it. */
let lastShot = "";
const strip = by("next-marks");
const chosenMark = () => strip.querySelector("input:checked")?.value ?? "";

/** The lowest and the highest ISO speed that the configuration allows; null where it names none. */
let speeds = [null, null];

function limitSpeeds(limits) {
  if (String(limits) === String(speeds)) return;
  speeds = limits;
  offerMarks();
}

function offerFilters(filters) {
  choices(by("next-filter"), [["", AS_IT_IS], ...filters], by("next-filter").value);
}

function offerMarks() {
  if (!marks) return;
  const steps = by("next-steps").value;
  const [lowest, highest] = speeds;
  const isHad = (mark) => (lowest === null || Number(mark) >= lowest) && (highest === null || Number(mark) <= highest);
  const offered = (what) => {
    const all = marks[what][steps] ?? marks[what].thirds;
    return what === "iso" ? all.filter(isHad) : all;
  };
  for (const [what, id] of Object.entries(LISTS)) choices(by(id), [["", AS_IT_IS], ...offered(what).map((mark) => [mark, mark])]);
  plan.offerMarks(offered, steps);
  const now = ["", ...offered("f_number")];
  // At each new connection the same are offered: nothing moves under a thumb.
  if (strip.dataset.now !== now.join()) {
    const chosen = chosenMark();
    strip.dataset.now = now.join();
    strip.replaceChildren(...now.map((mark) => {
      const input = Object.assign(make("input"), { type: "radio", name: "f_number", value: mark, checked: mark === chosen });
      return make("label", "", input, make("span", mark || AS_IT_IS));
    }));
    if (!chosenMark()) strip.querySelector("input").checked = true;
    showLastShot();
  }
}

/** Which f-number the camera has now stands at its mark, in the middle of what is seen. */
function showLastShot() {
  for (const input of strip.querySelectorAll("input")) {
    const label = input.parentElement;
    const isNow = input.value === lastShot && lastShot !== "";
    label.dataset.now = isNow ? "yes" : "no";
    if (isNow) strip.scrollLeft = label.offsetLeft - (strip.clientWidth - label.offsetWidth) / 2;
  }
}

// A tablet that is turned shows other marks; a phone's address bar that hides changes no width.
new ResizeObserver(showLastShot).observe(strip);
by("next-steps").value = kept.get("steps") || "thirds";
by("next-steps").addEventListener("change", () => { kept.set("steps", by("next-steps").value); offerMarks(); });
by("next-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const lists = Object.entries(LISTS).map(([what, id]) => [what, by(id).value]);
  const asked = [["f_number", chosenMark()], ...lists, ["filter", by("next-filter").value]].filter(([, mark]) => mark);
  const steps = by("next-steps").value === "halves" ? "halves" : "thirds";
  act({ action: "next", ...Object.fromEntries(asked), camera_steps: steps }, (text) => write(by("next-says"), text));
});

/** Each f-number that is newly shot becomes 'now'. What was chosen for it has been shot, and is chosen no more. */
export function presentSetting(f) {
  if (!marks || f === lastShot) return;
  lastShot = f;
  if (chosenMark() === f) strip.querySelector("input").checked = true;
  showLastShot();
}

// --- light or dark ---

const dark = matchMedia("(prefers-color-scheme: dark)");

/** Which ink pictures are to be drawn for. */
export const ink = () => ((by("ink").value || (dark.matches ? "dark" : "light")) === "dark" ? "on_dark" : "on_light");

function paint() {
  document.documentElement.dataset.ink = by("ink").value;
  views.set.repaint();
}

by("ink").value = kept.get("ink");
by("ink").addEventListener("change", () => { kept.set("ink", by("ink").value); paint(); });
dark.addEventListener("change", paint);
paint();

// What the photographer asks most stands right below what leads.
if (view === "set") by("same-set-up").after(by("next"));

for (const link of document.querySelectorAll("nav a")) {
  if (link.dataset.view === view) link.setAttribute("aria-current", "page");
}
document.title = view === "set" ? "greyhold: beside the camera" : "greyhold: at the stand";

// The token comes behind the #, which no server and no log ever sees; then it leaves the address.
const brought = /^([0-9A-Za-z-]{16,40})(\.[0-9a-f]{64})?$/.exec(location.hash.slice(1));
if (brought) {
  history.replaceState(null, "", location.pathname);
  enter(brought[1]).catch(() => askForToken());
} else {
  tryAgain();
}
