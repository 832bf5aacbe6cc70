// The apertures of the look beside each other: each spot at 1:1 from the frame that stands for its aperture.
import { by, make, write } from "/page.js";

const id = (what) => by(`apertures-${what}`);
const NOTHING = "Nothing to set side by side yet: it takes a reference, a spot that was drawn, and frames at two apertures. With 'sharpness: no' in the configuration there is none.";

export class Apertures {
  constructor() {
    this.desk = by("apertures");
    this.desk.addEventListener("toggle", () => this.draw());
  }

  show(board) {
    this.board = board;
    this.draw();
  }

  /** Nothing is fetched while nobody looks. */
  draw() {
    if (!this.desk.open || !this.board) return;
    const { apertures, spot_pictures: pictures } = this.board;
    write(id("says"), apertures ? apertures.suggestion ?? "" : NOTHING);
    id("table").hidden = !apertures;
    id("hint").hidden = !apertures;
    if (!apertures) return;
    const { spots, frames } = apertures;
    const frame = JSON.stringify([spots, frames.map(({ f_number, file, is_base }) => [f_number, file, is_base])]);
    if (this.frame !== frame) {
      this.frame = frame;
      id("heads").replaceChildren(head("spot"), ...frames.map(columnHead));
      id("rows").replaceChildren(...spots.map((spot) => row(spot, frames)));
    }
    spots.forEach((spot, nth) => {
      const [head, ...cells] = id("rows").children[nth].children;
      // All pictures of a spot are brightened alike.
      write(head.lastChild, pictures.map((of) => of?.[nth]?.[4]).find(Boolean) ?? "");
      frames.forEach((at, of) => fill(cells[of], `${spot} at ${at.f_number ?? "an unknown aperture"}`, at.kept[nth], at.untold[nth], pictures[of], nth));
    });
  }
}

function head(...children) {
  return Object.assign(make("th", "", ...children), { scope: "col" });
}

function columnHead({ f_number: f, file, is_base: isBase }) {
  return head(make("b", f ?? "f/?"), make("small", file), make("small", isBase ? "the others are held against this" : ""));
}

function row(spot, frames) {
  const name = make("th", spot, make("small"));
  name.scope = "row";
  const cell = () => make("td", "", Object.assign(make("img"), { hidden: true, alt: "" }), make("small"));
  return make("tr", "", name, ...frames.map(cell));
}

/** The nth spot's picture, where it is at hand, and what the frame keeps of its detail, or why that isn't told. `pictures` is null
    until they are made. */
function fill(cell, what, kept, untold, pictures, nth) {
  const place = pictures?.[nth];
  const [image, said] = cell.children;
  image.hidden = !place;
  if (place) {
    const [picture, spot, width, height] = place;
    const address = `/spot?picture=${picture}&spot=${spot}`;
    if (image.getAttribute("src") !== address) Object.assign(image, { src: address, width, height, alt: what });
  }
  const why = pictures?.every((picture) => !picture) ? ": the file can't be read" : "";
  write(said, `${kept ?? (untold ? `not told: ${untold}` : "not told")}${pictures && !place ? `, no picture${why}` : ""}`);
}
