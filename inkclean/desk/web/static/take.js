// The step Get files: what they are needed for decides which are made.

import { at, post } from "./net.js";
import { button, el } from "./parts.js";
import { Printing } from "./printing.js";

const USES = {
  "colour on": ["Keep colouring", "ink, lines, flats and an OpenRaster file with a layer for each colour"],
  print: ["Print", "a PDF for the printer, checked, and the one-bit ink"],
  enlarge: ["Enlarge", "curves that stay crisp at any size: SVG and PDF"],
  publish: ["Publish", "a picture for screens, and the lines on transparent"],
};
const STAGES = { photo: "photo", sheet: "sheet", pencil: "pencil", cut: "ink", specks: "specks", ink: "ink", flats: "areas", colours: "colours", curves: "curves", files: "files" };

export class Take {
  goal = null;

  constructor(desk) {
    this.desk = desk;
    this.printing = new Printing(() => this.ask("print"));
  }

  enter() {
    const { desk } = this;
    this.list = el("div", { class: "files" });
    const uses = Object.entries(USES).map(([key, [words, note]]) => {
      const made = button(words, () => this.ask(key), { class: "use" });
      made.append(el("small", {}, note));
      made.dataset.use = key;
      return made;
    });
    this.printing.panel.hidden = true;
    desk.hand.replaceChildren(...uses, this.printing.panel, this.list);
    desk.say("What do you need the files for?");
    const { ink, sheet } = desk.state.stages;
    if (ink) desk.view.show([desk.layer("ink", ink, ink.picture, ink.px_per_mm)], [sheet.width_mm, sheet.height_mm]);
    const taken = desk.state.stages.taken;
    if (taken && taken.count === desk.state.count) this.show(taken);
  }

  async ask(use) {
    const { desk } = this;
    for (const made of desk.hand.querySelectorAll("[data-use]")) made.setAttribute("aria-pressed", `${made.dataset.use === use}`);
    this.use = use;
    this.printing.panel.hidden = use !== "print";
    this.list.replaceChildren();
    desk.say("Making the files …");
    await desk.trying(() => post(`api/pages/${desk.page}/take`, { use, printing: use === "print" ? this.printing.said() : null }));
  }

  changed() {
    this.list.replaceChildren();
  }

  hear(event) {
    if (this.desk.now !== this) return;
    if (event.event === "taking") this.desk.say(`Making the files: ${STAGES[event.stage] ?? event.stage} …`);
    else if (event.use === this.use) this.show(event);
  }

  show(taken) {
    const { desk } = this;
    const link = (file, words, more = {}) =>
      el("a", { href: at(`api/pages/${desk.page}/files/${encodeURIComponent(file.name)}`), download: file.name, ...more }, `${words} (${size(file.bytes)})`);
    const rows = [link(taken.zip, "All files as one zip", { class: "all" })];
    const check = taken.check.filter((c) => c.verdict !== "passes");
    for (const c of check) rows.push(el("p", { class: c.verdict === "fails" ? "note fails" : "note" }, sentences(`${c.what}: ${c.measured}. ${c.cure}.`)));
    rows.push(...taken.files.map((file) => link(file, file.name)));
    this.list.replaceChildren(...rows);
    const verdict = { passes: " The print check passes.", look: " The print check needs a look.", fails: " The print check fails." };
    desk.say(`The files are ready.${verdict[taken.verdict] ?? ""}`, taken.verdict === "fails");
  }
}

function sentences(text) {
  return text.replace(/(^|\. )([a-z])/g, (_, before, letter) => before + letter.toUpperCase());
}

function size(bytes) {
  return bytes > 1e6 ? `${(bytes / 1e6).toFixed(1)} MB` : `${Math.max(1, Math.round(bytes / 1e3))} kB`;
}
