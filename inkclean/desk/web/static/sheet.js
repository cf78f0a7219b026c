// The station Sheet: the outline on the photo, turn, paper size; wipe between photo and sheet.

import { Loupe } from "./loupe.js";
import { Outline, SIDES } from "./outline.js";
import { post, send } from "./net.js";
import { button, choice, el } from "./parts.js";

const PAPERS = ["auto", "A3", "A4", "A5", "B4", "B5", "letter", "legal", "tabloid"];
// The stages that the outline rests on.
const OUTLINE = ["photo", "frame", "sheet"];
// What to do about a doubt, by what it is of.
const CURES = { size: "If the size is wrong, choose the paper.", outline: "If the outline is wrong, drag it." };

export class Sheet {
  goal = "ink";

  constructor(desk) {
    this.desk = desk;
    this.look = "outline";
    this.loupe = new Loupe(desk.view);
  }

  get said() {
    return this.desk.state.stages.sheet;
  }

  get frame() {
    return this.desk.state.stages.frame;
  }

  enter() {
    const { hand } = this.desk;
    this.held = false;
    this.looks = choice([["outline", "Outline"], ["light", "Result"]], this.look, (key) => {
      this.look = key;
      this.show();
    });
    const turn = button("Rotate", () => this.turn(), { icon: "turn" });
    const find = button("Find the paper", () => this.set({ frame: "auto" }));
    const whole = button("Whole picture", () => this.set({ frame: "whole" }));
    this.paper = el("select", {}, ...PAPERS.map((p) => el("option", { value: p }, p === "auto" ? "find size" : p)));
    this.paper.addEventListener("change", () => this.set({ paper: this.paper.value }));
    const paper = el("label", {}, "Paper", this.paper);
    hand.replaceChildren(...this.looks, turn, find, whole, paper, ...this.photos());
    this.changed();
    this.show();
  }

  /** Another photo for the page, and its photos taken apart again. */
  photos() {
    const pick = el("input", { type: "file", accept: "image/*,.heic,.tif,.tiff" });
    pick.setAttribute("aria-label", "Put in a better photo");
    pick.addEventListener("change", () => pick.files[0] && this.renew(pick.files[0]));
    const better = el("span", { class: "file quiet" }, "Put in a better photo", pick);
    const mine = this.desk.shelf.pages.find((page) => page.id === this.desk.page);
    if ((mine?.photos ?? 1) < 2) return [better];
    return [better, button(`Take the ${mine.photos} photos apart`, () => this.part())];
  }

  async renew(file) {
    await this.desk.trying(async () => {
      const [photo] = await send(file, (share) => this.desk.progress(`Uploading ${file.name}`, share));
      const page = this.desk.page;
      await post(`api/pages/${page}/renew`, { photo: photo.id });
      await this.desk.shelf.refresh();
      await this.desk.open(page);
      this.desk.say("Laying the new photo over the old one. All you did to the page stays …");
    });
  }

  async part() {
    await this.desk.trying(async () => {
      const page = this.desk.page;
      await post(`api/pages/${page}/part`);
      await this.desk.shelf.refresh();
      await this.desk.open(page);
    });
  }

  changed() {
    const now = this.desk.state.settings.paper;
    if (![...this.paper.options].some((o) => o.value === now)) this.paper.append(el("option", { value: now }, now));
    this.paper.value = now;
  }

  set(values) {
    this.desk.say("Updating the sheet …");
    return this.desk.act({ kind: "set", ...values });
  }

  stage(name) {
    if (this.seen.includes(name) && !this.held && this.shown !== this.mark) this.show();
  }

  /** What there is to show: handles are not made again for what was told twice. */
  get mark() {
    const { latest, state } = this.desk;
    return [latest, ...this.seen.map((name) => state.stages[name]?.key)].join(" ");
  }

  /** The stages that are shown: the evenly lit sheet moves no handle. */
  get seen() {
    return this.look === "light" ? [...OUTLINE, "lit"] : OUTLINE;
  }

  tell() {
    const [f, s] = [this.frame, this.said];
    const size = `${Math.round(f.width_mm)} × ${Math.round(f.height_mm)} mm`;
    const how = { found: "found automatically", whole: "the whole picture", given: "as you set it" }[f.framed];
    const fine = !s || s.verdict === "good";
    const parts = f.doubt ? [CURES[f.doubt_of]] : [];
    parts.push(`${f.paper ?? "Sheet"}, ${size}, ${how}.`);
    if (s) parts.push(fine ? "The photo is good." : `The photo is ${s.verdict}: ${s.advice}.`);
    if (this.look === "light") parts.push(this.desk.state.stages.lit ? "Left: photo. Right: evened-out sheet." : "Evening out the light …");
    else if (fine && !f.doubt) parts.push("Does the outline follow the paper? Go to Ink. If not, drag it.");
    if (fine && !f.doubt) this.desk.say(parts.join(" "));
    else this.desk.sayShort(f.doubt ? `To check: ${f.doubt}.` : `To check: the photo is ${s.verdict}.`, parts.join(" "));
  }

  show() {
    const { desk } = this;
    const { photo } = desk.state.stages;
    this.shown = this.mark;
    desk.handles.replaceChildren();
    desk.view.overlay = null;
    desk.view.moved = null;
    if (this.look === "light" && this.said) {
      const [s, { lit }] = [this.said, desk.state.stages];
      const layers = [desk.layer("flat", s, s.picture, s.px_per_mm, { side: "left" })];
      if (lit) layers.push(desk.layer("sheet", lit, lit.picture, s.px_per_mm, { side: "right" }));
      desk.view.show(layers, [s.width_mm, s.height_mm]);
      desk.showWipe();
    } else {
      desk.hideWipe();
      if (photo) desk.view.show([desk.layer("photo", photo, photo.picture, 1)], [photo.width, photo.height]);
      if (photo && this.frame) this.draw();
    }
    if (this.frame) this.tell();
    else desk.say("Reading the photo …");
  }

  draw() {
    const { view, handles } = this.desk;
    this.outline = new Outline(this.frame.corners, this.frame.edges);
    view.overlay = (ctx, k) => this.outline.draw(ctx, k);
    this.grips = SIDES.flatMap((_, n) => [this.grip(n, false), this.grip(n, true)]);
    handles.replaceChildren(...this.grips);
    view.moved = () => this.placeGrips();
    view.draw();
  }

  placeGrips() {
    const { view } = this.desk;
    const [w, h] = [view.canvas.clientWidth, view.canvas.clientHeight];
    this.grips.forEach((grip, n) => {
      const [x, y] = this.outline.place(n >> 1, n % 2 === 1);
      grip.style.left = `${Math.max(24, Math.min(w - 24, view.x + x * view.k))}px`;
      grip.style.top = `${Math.max(24, Math.min(h - 24, view.y + y * view.k))}px`;
    });
  }

  /** A handle on a corner, or on the middle of the edge that begins there. */
  grip(n, edge) {
    const { view } = this.desk;
    const { corner, side } = SIDES[n];
    const words = edge ? `Edge, ${side}: drag to bend it, or use the arrow keys` : `Corner, ${corner}: drag it, or use the arrow keys`;
    const made = button(words, () => {}, { quiet: true, class: edge ? "bow" : "" });
    made.dataset[edge ? "edge" : "corner"] = n;
    const now = () => this.outline.place(n, edge);
    const put = (x, y) => {
      this.outline.move(n, edge, x, y);
      view.draw();
      this.loupe.show(now());
    };
    let off = null;
    made.addEventListener("pointerdown", (e) => {
      made.setPointerCapture(e.pointerId);
      const [x, y] = view.place(e);
      off = [now()[0] - x, now()[1] - y];
      this.held = true;
      this.moved = false;
      this.loupe.show(now());
    });
    made.addEventListener("pointermove", (e) => {
      if (!off) return;
      const [x, y] = view.place(e);
      this.moved = true;
      put(x + off[0], y + off[1]);
    });
    const end = () => {
      this.held = false;
      if (off && this.moved) this.send();
      off = null;
      this.loupe.hide();
    };
    made.addEventListener("pointerup", end);
    made.addEventListener("pointercancel", end);
    let wait = 0;
    made.addEventListener("keydown", (e) => {
      const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
      if (!step) return;
      e.preventDefault();
      const far = (e.shiftKey ? 10 : 1) / Math.min(view.k, 1);
      this.held = true;
      put(now()[0] + step[0] * far, now()[1] + step[1] * far);
      clearTimeout(wait);
      wait = setTimeout(() => {
        this.held = false;
        this.loupe.hide();
        this.refocus = made.getAttribute("aria-label");
        this.send();
      }, 900);
    });
    return made;
  }

  async send() {
    await this.set({ frame: this.outline.text() });
    const again = this.grips.find((grip) => grip.getAttribute("aria-label") === this.refocus);
    if (again && document.activeElement === document.body) again.focus();
  }

  /** A quarter turn: the corners are counted from the next one on. */
  turn() {
    if (!this.frame) return;
    this.set({ frame: new Outline(this.frame.corners, this.frame.edges).turned() });
  }

  leave() {
    this.held = false;
    this.loupe.hide();
  }
}
