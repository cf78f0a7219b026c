// The station Sheet: the outline on the photo, turn, paper size; wipe between photo and sheet.

import { button, choice, el } from "./parts.js";

const PAPERS = ["auto", "A3", "A4", "A5", "B4", "B5", "letter", "legal", "tabloid"];
const CORNERS = ["top left", "top right", "bottom right", "bottom left"];

export class Sheet {
  goal = "ink";

  constructor(desk) {
    this.desk = desk;
    this.look = "outline";
  }

  get said() {
    return this.desk.state.stages.sheet;
  }

  enter() {
    const { hand } = this.desk;
    const looks = choice([["outline", "Outline"], ["light", "Light"]], this.look, (key) => {
      this.look = key;
      this.show();
    });
    const turn = button("Turn", () => this.turn(), { icon: "turn" });
    const find = button("Find the paper", () => this.set({ frame: "auto" }));
    const whole = button("Whole picture", () => this.set({ frame: "whole" }));
    this.paper = el("select", {}, ...PAPERS.map((p) => el("option", { value: p }, p === "auto" ? "find the size" : p)));
    this.paper.addEventListener("change", () => this.set({ paper: this.paper.value }));
    const paper = el("label", {}, "Paper", this.paper);
    hand.replaceChildren(...looks, turn, find, whole, paper);
    this.changed();
    this.show();
  }

  changed() {
    const now = this.desk.state.settings.paper;
    if (![...this.paper.options].some((o) => o.value === now)) this.paper.append(el("option", { value: now }, now));
    this.paper.value = now;
  }

  set(values) {
    this.desk.say("The sheet is cut anew …");
    return this.desk.act({ kind: "set", ...values });
  }

  stage(name) {
    if (name === "photo" || name === "sheet") this.show();
  }

  done() {
    if (this.said) this.tell();
  }

  tell() {
    const s = this.said;
    const size = `${Math.round(s.width_mm)} × ${Math.round(s.height_mm)} mm`;
    const how = { found: "found", whole: "the whole picture", given: "as you drew it" }[s.framed];
    const parts = [`${s.paper ?? "Sheet"}, ${size}, ${how}.`];
    if (s.doubt) parts.push(`${s.doubt[0].toUpperCase()}${s.doubt.slice(1)}.`.replace(/, say --paper/, ": choose the paper"));
    const fine = s.verdict === "good";
    parts.push(fine ? "The photo is good." : `The photo is ${s.verdict}: ${s.advice}.`);
    this.desk.say(parts.join(" "), !fine || Boolean(s.doubt));
  }

  show() {
    const { desk } = this;
    const { photo } = desk.state.stages;
    desk.handles.replaceChildren();
    desk.view.overlay = null;
    desk.view.moved = null;
    if (this.look === "light" && this.said) {
      const s = this.said;
      desk.view.show(
        [
          desk.layer("flat", s, s.flat, s.px_per_mm, { side: "left" }),
          desk.layer("sheet", s, s.picture, s.px_per_mm, { side: "right" }),
        ],
        [s.width_mm, s.height_mm],
      );
      desk.showWipe();
    } else {
      desk.hideWipe();
      if (photo) desk.view.show([desk.layer("photo", photo, photo.picture, 1)], [photo.width, photo.height]);
      if (photo && this.said) this.outline();
    }
    if (this.said) this.tell();
    else desk.say("The photo is looked at …");
  }

  outline() {
    const { view, handles } = this.desk;
    this.corners = this.said.corners.map((c) => [...c]);
    this.own = false;
    view.overlay = (ctx, k) => this.draw(ctx, k);
    this.grips = this.corners.map((_, n) => this.grip(n));
    handles.replaceChildren(...this.grips);
    view.moved = () => this.placeGrips();
    view.draw();
  }

  draw(ctx, k) {
    const lines = this.said.edges && !this.own ? this.said.edges : this.corners.map((c, n) => [c, this.corners[(n + 1) % 4]]);
    for (const [width, colour] of [[5, "#fff"], [2.5, "#1d5266"]]) {
      ctx.lineWidth = width / k;
      ctx.strokeStyle = colour;
      for (const line of lines) {
        ctx.beginPath();
        line.forEach(([x, y], n) => (n ? ctx.lineTo(x, y) : ctx.moveTo(x, y)));
        ctx.stroke();
      }
    }
  }

  placeGrips() {
    const { view } = this.desk;
    this.grips.forEach((grip, n) => {
      const [x, y] = this.corners[n];
      const [w, h] = [view.canvas.clientWidth, view.canvas.clientHeight];
      grip.style.left = `${Math.max(24, Math.min(w - 24, view.x + x * view.k))}px`;
      grip.style.top = `${Math.max(24, Math.min(h - 24, view.y + y * view.k))}px`;
    });
  }

  grip(n) {
    const { view } = this.desk;
    const made = button(`Corner ${CORNERS[n]}: drag, or move with the arrow keys`, () => {}, { quiet: true });
    made.dataset.corner = n;
    let off = null;
    made.addEventListener("pointerdown", (e) => {
      made.setPointerCapture(e.pointerId);
      const [x, y] = view.place(e);
      off = [this.corners[n][0] - x, this.corners[n][1] - y];
      this.loupe(n);
    });
    made.addEventListener("pointermove", (e) => {
      if (!off) return;
      const [x, y] = view.place(e);
      this.put(n, x + off[0], y + off[1]);
      this.loupe(n);
    });
    const end = () => {
      if (off) this.send();
      off = null;
      this.loupe(null);
    };
    made.addEventListener("pointerup", end);
    made.addEventListener("pointercancel", end);
    let wait = 0;
    made.addEventListener("keydown", (e) => {
      const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
      if (!step) return;
      e.preventDefault();
      const far = (e.shiftKey ? 10 : 1) / Math.min(view.k, 1);
      this.put(n, this.corners[n][0] + step[0] * far, this.corners[n][1] + step[1] * far);
      this.loupe(n);
      clearTimeout(wait);
      wait = setTimeout(() => {
        this.loupe(null);
        this.send();
      }, 900);
    });
    return made;
  }

  put(n, x, y) {
    this.own = true;
    this.corners[n] = [x, y];
    this.desk.view.draw();
  }

  /** Show the photo around a corner four times as large. */
  loupe(n) {
    const glass = document.getElementById("loupe");
    glass.hidden = n === null;
    if (n === null) return;
    const { view } = this.desk;
    requestAnimationFrame(() => {
      const ctx = glass.getContext("2d");
      const [cx, cy] = [view.x + this.corners[n][0] * view.k, view.y + this.corners[n][1] * view.k];
      const r = view.ratio;
      const half = 33;
      ctx.imageSmoothingEnabled = false;
      ctx.clearRect(0, 0, 264, 264);
      ctx.drawImage(view.canvas, (cx - half) * r, (cy - half) * r, 2 * half * r, 2 * half * r, 0, 0, 264, 264);
      const right = cx < view.canvas.clientWidth / 2;
      glass.style.left = right ? "auto" : "16px";
      glass.style.right = right ? "16px" : "auto";
      glass.style.top = "16px";
    });
  }

  send() {
    this.set({ frame: this.corners.map(([x, y]) => `${x.toFixed(1)},${y.toFixed(1)}`).join(";") });
  }

  /** A quarter turn: the corners are counted from the next one on. */
  turn() {
    if (!this.said) return;
    const c = this.said.corners;
    const turned = [c[3], c[0], c[1], c[2]];
    this.set({ frame: turned.map(([x, y]) => `${x},${y}`).join(";") });
  }

  leave() {
    document.getElementById("loupe").hidden = true;
  }
}
