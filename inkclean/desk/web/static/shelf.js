// The pages as small pictures; photos are added here.

import { at, get, post, send } from "./net.js";
import { button, el } from "./parts.js";

export class Shelf {
  constructor(root, desk) {
    this.root = root;
    this.desk = desk;
    this.pages = [];
    this.chosen = null; // the pages chosen to be one, while they are chosen
    for (const name of ["dragover", "dragleave", "drop"])
      document.body.addEventListener(name, (e) => this.dropped(e));
  }

  async refresh() {
    const before = JSON.stringify(this.pages);
    this.pages = await get("api/shelf");
    // a finger may be on one of them
    if (!this.zone || JSON.stringify(this.pages) !== before) this.show();
  }

  show() {
    const pick = el("input", { type: "file", accept: "image/*,.heic,.pdf,.tif,.tiff", multiple: true });
    pick.id = "choose";
    pick.setAttribute("aria-label", "Choose photos");
    pick.addEventListener("change", () => this.take([...pick.files]));
    const shoot = el("input", { type: "file", accept: "image/*", capture: "environment" });
    shoot.setAttribute("aria-label", "Take a photo");
    shoot.addEventListener("change", () => this.take([...shoot.files]));
    const touch = matchMedia("(pointer: coarse)").matches;
    const words = this.pages.length ? "Add another photo" : "Add a photo of your inked page";
    this.zone = el("div", { class: "in" }, el("h2", {}, words));
    this.zone.append(el("span", { class: "file" }, "Choose photos", pick));
    if (touch) this.zone.append(el("span", { class: "file" }, "Take a photo", shoot));
    else this.zone.append(el("span", {}, "or drop them here"));
    const list = el("ol", { "aria-label": "Pages on the desk" });
    this.pages.forEach((page, k) => list.append(this.sheet(page, k)));
    this.root.replaceChildren(this.zone, ...this.together(), list);
  }

  /** Choosing several photos that show one page. */
  together() {
    if (this.pages.length < 2) return [];
    if (!this.chosen) {
      const begin = button("Several photos show one page", () => {
        this.chosen = new Set();
        this.show();
        this.desk.say("Tap the photos that show one page: parts of it, or the whole of it several times.");
      });
      return [el("div", { class: "own" }, begin)];
    }
    const join = button("They show one page", () => this.join());
    join.disabled = this.chosen.size < 2;
    const leave = button("Leave it", () => {
      this.chosen = null;
      this.show();
      this.desk.say("");
    });
    return [el("div", { class: "own" }, join, leave)];
  }

  choose(page) {
    if (!this.chosen.delete(page.id)) this.chosen.add(page.id);
    this.show();
  }

  async join() {
    const chosen = this.pages.filter((page) => this.chosen.has(page.id)).map((page) => page.id);
    await this.desk.trying(async () => {
      const page = await post("api/join", chosen);
      this.chosen = null;
      await this.refresh();
      await this.desk.open(page.id);
      this.desk.say("Joining the photos …");
    });
  }

  sheet(page, k) {
    const picture = el("img", { src: at(`api/pages/${page.id}/thumb`), alt: "", loading: "lazy" });
    const act = () => (this.chosen ? this.choose(page) : this.desk.open(page.id));
    const words = page.photos > 1 ? `${page.name}, ${page.photos} photos` : page.name;
    const open = el("button", { type: "button", onclick: act }, picture, words);
    if (this.chosen) open.setAttribute("aria-pressed", `${this.chosen.has(page.id)}`);
    const item = el("li", {}, open);
    if (this.pages.length > 1 && !this.chosen) {
      const before = button(`Move ${page.name} earlier`, () => this.move(k, -1), { icon: "left", quiet: true });
      const after = button(`Move ${page.name} later`, () => this.move(k, 1), { icon: "right", quiet: true });
      before.disabled = k === 0;
      after.disabled = k === this.pages.length - 1;
      item.append(el("div", { class: "move" }, before, after));
    }
    return item;
  }

  async move(k, step) {
    const order = this.pages.map((page) => page.id);
    [order[k], order[k + step]] = [order[k + step], order[k]];
    await this.desk.trying(async () => {
      this.pages = await post("api/order", order);
      this.show();
    });
  }

  dropped(e) {
    if (!e.dataTransfer?.types.includes("Files")) return;
    e.preventDefault();
    this.zone?.classList.toggle("over", e.type === "dragover");
    if (e.type === "drop") this.take([...e.dataTransfer.files]);
  }

  async take(files) {
    let last = null;
    for (const [k, file] of files.entries()) {
      const name = files.length > 1 ? `${file.name} (${k + 1} of ${files.length})` : file.name;
      await this.desk.trying(async () => {
        const tell = (share) => this.desk.progress(`Uploading ${name}`, share);
        const pages = await send(file, tell, files.length === 1 ? this.desk.stations.sheet.goal : "");
        last = pages[0]?.id ?? last;
      });
    }
    await this.desk.trying(() => this.refresh());
    if (last && files.length === 1) this.desk.open(last);
    else if (last) this.desk.say(`${files.length} photos added. Tap a page to open it.`);
  }
}
