// The light map: where in the last frame the light changed, in colours over the picture.
import { by, make, write } from "/page.js";

// A patch is drawn larger by this part of its side, so that no line parts it from its neighbours.
const OVERLAP = 0.12;
const PARTS = 10000;
const LONG_SIDE = 960;

export class LightMap {
  constructor(changed) {
    this.button = by("light-map-button");
    this.button.addEventListener("click", () => {
      this.button.setAttribute("aria-pressed", String(!this.wanted()));
      changed();
    });
  }

  wanted() { return this.button.getAttribute("aria-pressed") === "true"; }

  /** Shows the map of the picture that is on the screen, if it is wanted and there is one. */
  async show({ n, last, picture, no_light_map: none }) {
    const isThere = this.wanted() && last && picture?.[0] === last.frame && none === null;
    if (!isThere) {
      this.address = null;
      this.hide();
      write(by("light-map-says"), this.why(none));
      return;
    }
    const address = `/light-map?frame=${last.frame}&n=${n}`;
    if (this.address === address) return;
    // One picture's map is never seen over another picture.
    if (this.frame !== last.frame) this.hide();
    this.address = address;
    const map = await fetched(address);
    // Meanwhile another one may have been asked for.
    if (this.address !== address) return;
    if (!map) {
      this.address = null;
      this.hide();
      write(by("light-map-says"), "The light map can't be had just now.");
      return;
    }
    this.frame = last.frame;
    this.draw(map, picture[1]);
  }

  why(none) {
    if (!this.wanted()) return "Shows where in the frame the light changed.";
    return none ? `No light map: ${none}` : "No light map: this frame has no picture.";
  }

  hide() {
    this.frame = null;
    by("light-map").hidden = true;
    by("light-map-legend").hidden = true;
    by("stage").classList.remove("mapped");
  }

  draw({ words, since, colours, ticks, patches }, shape) {
    const canvas = by("light-map");
    canvas.width = Math.round(shape >= 1 ? LONG_SIDE : LONG_SIDE * shape);
    canvas.height = Math.round(shape >= 1 ? LONG_SIDE / shape : LONG_SIDE);
    const pen = canvas.getContext("2d");
    const css = colours.map(([r, g, b]) => `rgb(${r} ${g} ${b})`);
    for (const [left, top, right, bottom, colour] of patches) {
      const [x, y] = [(left / PARTS) * canvas.width, (top / PARTS) * canvas.height];
      const [width, height] = [((right - left) / PARTS) * canvas.width, ((bottom - top) / PARTS) * canvas.height];
      pen.fillStyle = css[colour];
      pen.fillRect(x - (width * OVERLAP) / 2, y - (height * OVERLAP) / 2, width * (1 + OVERLAP), height * (1 + OVERLAP));
    }
    canvas.setAttribute("aria-label", words);
    by("light-map-colours").replaceChildren(...css.map((colour) => {
      const cell = make("span");
      cell.style.background = colour;
      return cell;
    }));
    const signed = (stops) => (stops > 0 ? `+${stops}` : String(stops).replace("-", "−"));
    by("light-map-ticks").replaceChildren(...ticks.map((stops) => make("li", signed(stops))));
    write(by("light-map-since"), since);
    write(by("light-map-says"), words);
    canvas.hidden = false;
    by("light-map-legend").hidden = false;
    by("stage").classList.add("mapped");
  }
}

async function fetched(address) {
  try {
    const answer = await fetch(address, { signal: AbortSignal.timeout(5000) });
    return answer.ok ? await answer.json() : null;
  } catch {
    return null;
  }
}
