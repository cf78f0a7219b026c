// The step Ink: compare, check, pencil, white out, ink in, weight, dust size, accuracy.

import { Accuracy } from "./accuracy.js";
import { Checks } from "./checks.js";
import { Letters } from "./letters.js";
import { Marks, disc } from "./marks.js";
import { button, choice, el, slider } from "./parts.js";
import { lighten } from "./tiles.js";
import { makeReady, reweighed } from "./weight.js";

const HELP = {
  look: "Drag the line to compare. A ring marks removed specks: tap it to bring them back.",
  check: "The likeliest mistakes come first. Answer yes or no.",
  drop: "Tap a pencil line to remove its colour. Tap it again to keep it.",
  white: "Paint over anything you want gone.",
  ink: "Draw what is missing.",
  weight: "Make all lines thinner or heavier.",
  specks: "Marks smaller than this may be removed as dust. Removed marks are brown.",
  letters: "Red is text, blue its balloons. Tap a mark, or draw round some, to move them.",
  close: "How closely the curves in SVG and PDF follow the ink: truer edges, or fewer points.",
};
const MOST_RINGS = 12; // on the screen
const WIPED = 1.5; // white over a mark is so many times as wide, and this much wider in mm
const WIPED_MM = 0.2;
const CLOSE = [0.005, 0.01, 0.02, 0.03, 0.05, 0.08, 0.12, 0.2, 0.3];

export class Ink {
  get goal() {
    return this.mode === "letters" ? "lettering" : "marks";
  }

  constructor(desk) {
    this.desk = desk;
    this.mode = "look";
    this.width = 0.8;
    this.pending = [];
    this.checks = new Checks(
      desk,
      () => this.said?.checks ?? [],
      (place) => `${place.why}. ${place.specks.length ? (place.specks.length > 1 ? "Bring them back?" : "Bring it back?") : place.kept.length > 1 ? "Keep them?" : place.kept.length ? "Keep it?" : "Is it right?"}`,
      (place) => (place.specks.length ? this.bring(place.specks) : this.checks.right(place)),
      (place) => (place.specks.length ? this.checks.right(place) : place.kept.length ? this.wipe(place.kept) : this.amend()),
      12,
    );
    this.marks = new Marks(desk);
    this.accuracy = new Accuracy(desk);
    this.letters = new Letters(desk);
  }

  get said() {
    return this.desk.state.stages.ink;
  }

  enter() {
    const { desk } = this;
    this.pending = [];
    this.back = [];
    this.fresh = false;
    this.early = null;
    this.weight = null;
    const s = desk.state.settings;
    this.checks.place = null;
    const words = [["look", "Compare"], ["check", "Check"], ["drop", "Remove pencil"], ["white", "White out"], ["ink", "Ink in"]];
    words.push(["weight", "Weight"], ["specks", "Dust size"], ["close", "Curve accuracy"], ["letters", "Lettering"]);
    const modes = choice(words, this.mode, (key) => this.use(key));
    this.weightBar = slider("Weight", -1, 1, 0.05, s.weight, (v) => this.weigh(v), (v) => this.settle({ weight: v }));
    this.sizes = this.marks.steps(s.speck_mm);
    this.speckBar = slider("Dust size", 0, this.sizes.length - 1, 1, this.sizes.indexOf(s.speck_mm), (n) => this.marks.show(this.sizes[n]), (n) => this.settle({ speck_mm: this.sizes[n] }), (n) => `${this.sizes[n]} mm`);
    this.close = [...new Set([...CLOSE, s.within_mm])].sort((a, b) => a - b);
    this.closeBar = slider("Curve accuracy", 0, this.close.length - 1, 1, this.close.indexOf(s.within_mm), (n) => this.accuracy.show(this.close[n], this.close), (n) => this.settle({ within_mm: this.close[n] }), (n) => `${this.close[n]} mm`);
    this.widthBar = slider("Width", 0.2, 6, 0.1, this.width, (v) => this.widen(v), () => {});
    this.hold = button("Hold to see the photo", () => {});
    this.holding();
    this.own = el("div", { class: "own" });
    this.rows = { look: [this.hold], check: this.checks.parts, drop: [], white: [this.widthBar], ink: [this.widthBar] };
    Object.assign(this.rows, { weight: [this.weightBar], specks: [this.speckBar], close: [this.closeBar], letters: this.letters.parts });
    desk.hand.replaceChildren(...modes, this.own);
    desk.view.overlay = (ctx, k) => this.draw(ctx, k);
    desk.view.moved = () => this.drawn();
    this.use(this.mode);
    this.show();
    desk.showWipe();
  }

  use(key) {
    const [was, before] = [this.mode, this.goal];
    this.mode = key;
    if (key !== "check") this.desk.view.home();
    this.own.replaceChildren(...this.rows[key]);
    const draws = { down: (p, e) => this.begin(p, e), move: (p, e) => this.extend(p, e), up: () => this.end(), cancel: () => this.drop() };
    const touches = { tap: (p) => (key === "drop" ? this.pencil(p) : key === "check" ? this.checks.point(p) : this.speck(p)) };
    this.desk.view.tool = key === "letters" ? this.letters.tool : key === "white" || key === "ink" ? draws : touches;
    if (this.goal !== before) this.desk.bring();
    if (this.said && (was === "letters") !== (key === "letters")) this.show();
    this.desk.wipe.style.pointerEvents = "auto";
    if (this.said) this.desk.say(HELP[key]);
    this.accuracy.hide();
    this.marks.hide();
    this.checks.refresh();
    if (this.said && key === "check" && was !== key) this.checks.step();
    const s = this.desk.state.settings;
    if (this.said && key === "close") this.accuracy.show(s.within_mm, this.close);
    if (this.said && key === "weight") this.ready();
    else lighten("edges");
    if (key === "specks") this.marks.show(s.speck_mm);
    this.desk.view.draw();
  }

  show() {
    const { desk } = this;
    const { sheet, frame, first } = desk.state.stages;
    const { said } = this;
    desk.view.canvas.dataset.look = said ? "whole" : first ? "first" : "none";
    if (!sheet || !said) return this.showFirst(sheet, frame, first);
    const change = this.weight === null ? null : reweighed(said.weight, this.weight, said.px_per_mm);
    const layers = [
      desk.layer("flat", sheet, sheet.picture, sheet.px_per_mm, { side: "left" }),
      desk.layer("ink", said, said.picture, said.px_per_mm, { side: "right", change }),
    ];
    const lettering = this.mode === "letters" ? this.letters.layer() : null;
    if (lettering) layers.push(lettering);
    // what the first look showed stays beneath until the page itself is there
    desk.view.show(layers, [sheet.width_mm, sheet.height_mm]);
    this.checks.refresh();
    return null;
  }

  /** Until the ink is there, show that of the reduced photo, and say so. */
  showFirst(sheet, frame, first) {
    const { desk } = this;
    if (first) {
      const layers = [
        desk.layer("flat", { ...first, picture: first.flat }, first.flat, first.px_per_mm, { side: "left" }),
        desk.layer("ink", first, first.picture, first.px_per_mm, { side: "right" }),
      ];
      desk.view.show(layers, [frame?.width_mm ?? first.width_mm, frame?.height_mm ?? first.height_mm]);
      desk.say("A quick first look. Finding the ink …");
      return;
    }
    desk.say("Finding the ink …");
    if (sheet) desk.view.show([desk.layer("flat", sheet, sheet.picture, sheet.px_per_mm)], [sheet.width_mm, sheet.height_mm]);
  }

  stage(name) {
    if (["first", "sheet"].includes(name) && !this.said) this.show();
    if (name === "pencil" && this.asked) {
      this.desk.say(`${this.desk.state.stages.pencil.note}.`);
      this.asked = false;
    }
    if (name === "lit" && this.early) this.pencil(this.early);
    if (name === "marks" && this.mode === "specks") this.marks.show(this.desk.state.settings.speck_mm);
    if (name === "lettering" && this.mode === "letters") this.show();
    if (name !== "ink") return;
    this.weight = null;
    this.fresh = true;
    const waiting = document.getElementById("say").textContent.endsWith("…");
    this.show();
    if (this.mode === "weight") this.ready();
    if (waiting) this.desk.say(HELP[this.mode]);
  }

  key(name) {
    return this.mode === "check" && this.checks.key(name);
  }

  changed() {
    this.checks.refresh();
    const s = this.desk.state.settings;
    this.weightBar.put(s.weight);
    this.speckBar.put(this.sizes.indexOf(s.speck_mm));
    this.closeBar.put(this.close.indexOf(s.within_mm));
    if (this.mode === "specks") this.marks.show(s.speck_mm);
  }

  settle(values) {
    return this.desk.act({ kind: "set", ...values });
  }

  /** What moves with the slider is worked out before it is: it takes a moment. */
  ready() {
    const layer = this.desk.view.layers.find(({ name }) => name === "ink");
    if (layer) makeReady(this.desk.view, layer).catch(() => {}); // the picture has just been replaced
  }

  weigh(value) {
    this.weight = value;
    if (this.said) this.show();
  }

  widen(value) {
    this.width = value;
    this.desk.say(`${value.toFixed(1)} mm wide.`);
  }

  holding() {
    const { desk, hold } = this;
    const down = () => {
      desk.view.wipe = desk.view.canvas.clientWidth;
      desk.view.draw();
    };
    const up = () => desk.placeWipe(desk.share);
    hold.addEventListener("pointerdown", (e) => {
      hold.setPointerCapture(e.pointerId);
      down();
    });
    for (const name of ["pointerup", "pointercancel", "blur"]) hold.addEventListener(name, up);
    hold.addEventListener("keydown", (e) => (e.key === " " || e.key === "Enter") && down());
    hold.addEventListener("keyup", up);
  }

  /** What is ringed on the screen, a dozen at most: groups of removed specks, and lone ones if there is room. */
  get rings() {
    const { view } = this.desk;
    const { clientWidth: w, clientHeight: h } = view.canvas;
    const seen = ([x, y]) => x * view.k > -view.x && y * view.k > -view.y && x * view.k < w - view.x && y * view.k < h - view.y;
    // a group larger than the screen is so near that its specks are told apart
    const groups = this.checks.left.filter(({ x, y, size, specks }) => specks.length && seen([x, y]) && 1.2 * size * view.k < Math.min(w, h));
    const name = ([x, y]) => `${x.toFixed(2)} ${y.toFixed(2)}`;
    const grouped = new Set(groups.flatMap(({ specks }) => specks.map(name)));
    const alone = (this.said?.removed ?? []).filter((mark) => seen(mark) && !grouped.has(name(mark)));
    if (groups.length + alone.length > MOST_RINGS) return groups;
    return [...groups, ...alone.map((mark) => ({ x: mark[0], y: mark[1], size: mark[2], specks: [mark] }))];
  }

  /** A tap on a ring brings back all that is in it. */
  speck([x, y]) {
    const reach = 22 / this.desk.view.k;
    let best = null;
    for (const ring of this.rings) {
      const away = Math.hypot(ring.x - x, ring.y - y) - ring.size / 2;
      if (away < reach && (!best || away < best.away)) best = { away, specks: ring.specks };
    }
    if (!best) return;
    this.desk.say(best.specks.length > 1 ? `${best.specks.length} specks brought back.` : "Brought back.");
    this.bring(best.specks);
  }

  bring(specks) {
    const places = new Set(specks.map(([x, y]) => `${x.toFixed(2)} ${y.toFixed(2)}`));
    this.back.push(...specks);
    this.said.removed = this.said.removed.filter(([x, y]) => !places.has(`${x.toFixed(2)} ${y.toFixed(2)}`));
    this.desk.view.draw();
    if (specks.length === 1) return this.desk.act({ kind: "speck", at: specks[0].slice(0, 2) });
    return this.desk.act({ kind: "specks", points: specks.map(([x, y]) => [x, y]) });
  }

  /** What to do where photos of the page disagree and the wrong one was taken. */
  amend() {
    this.desk.say("Use White out and Ink in here, or put in a better photo on Sheet.", true);
    return null;
  }

  /** Lay white over marks that were kept. */
  wipe(marks) {
    const points = marks.map(([x, y, size]) => [x, y, WIPED * size + WIPED_MM]);
    this.pending.push(...points.map((point) => ({ how: "white", points: [point] })));
    this.desk.view.draw();
    return this.desk.act({ kind: "dots", how: "white", points });
  }

  async pencil(at) {
    const { desk } = this;
    // which colour lies there is told on the evenly lit sheet, which comes after the ink
    this.early = desk.state.stages.lit ? null : at;
    if (this.early) return desk.say("Evening out the light …");
    await desk.trying(async () => {
      const before = desk.state.stages.pencil?.key;
      const answer = await desk.edit("pencil", { at });
      this.asked = desk.state.stages.pencil?.key === before;
      if (this.asked) desk.say(`${answer.touched} …`);
    });
  }

  begin([x, y], e) {
    this.stroke = { how: this.mode, points: [] };
    this.pending.push(this.stroke);
    this.extend([x, y], e);
    return true;
  }

  extend([x, y], e) {
    if (!this.stroke) return;
    const points = this.stroke.points;
    const last = points.at(-1);
    const press = e.pointerType === "pen" && e.pressure > 0 ? 0.3 + 1.4 * e.pressure : 1;
    if (last && Math.hypot(x - last[0], y - last[1]) < Math.min(0.05, 1 / this.desk.view.k)) return;
    points.push([x, y, Math.max(0.05, this.width * press)]);
    this.desk.view.draw();
  }

  async end() {
    const { stroke } = this;
    this.stroke = null;
    if (!stroke) return;
    const kept = await this.desk.act({ kind: "stroke", how: stroke.how, points: stroke.points });
    if (kept !== null) return;
    this.drop(stroke);
    this.desk.say("The desk does not answer, so this stroke is not saved. Draw it again when the desk is back.", true);
  }

  drop(stroke = this.stroke) {
    this.pending = this.pending.filter((one) => one !== stroke);
    this.stroke = null;
    this.desk.view.draw();
  }

  /** Once the new ink is on the screen, the strokes drawn meanwhile are part of it. */
  drawn() {
    if (!this.fresh || this.desk.view.waiting) return;
    this.fresh = false;
    if (!this.pending.length && !this.back.length) return;
    this.pending = this.stroke ? [this.stroke] : [];
    this.back = [];
    this.desk.view.draw();
  }

  draw(ctx, k) {
    for (const { how, points } of this.pending) {
      ctx.strokeStyle = ctx.fillStyle = how === "ink" ? "#000" : "#fff";
      ctx.lineCap = "round";
      points.forEach(([x, y, w], n) => {
        const [px, py] = points[Math.max(0, n - 1)];
        ctx.lineWidth = w;
        ctx.beginPath();
        ctx.moveTo(px, py);
        ctx.lineTo(x + (n ? 0 : 1e-4), y);
        ctx.stroke();
      });
    }
    for (const [x, y, size] of this.back) disc(ctx, x, y, size / 2, "#111");
    if (this.said && this.mode === "specks" && this.marks.draw(ctx, k, this.said.removed)) return;
    if (this.mode === "check" && this.said) return this.checks.draw(ctx, k);
    if (this.mode === "letters") return this.letters.draw(ctx, k);
    if (this.mode !== "look" || !this.said) return;
    const rings = this.rings.map(({ x, y, size, specks }) => [x, y, specks.length > 1 ? Math.max(0.6 * size, 20 / k) : Math.max(size, 6 / k)]);
    for (const [width, colour] of [[4, "#fff"], [2, "#b4540a"]]) {
      ctx.lineWidth = width / k;
      ctx.strokeStyle = colour;
      for (const [x, y, r] of rings) {
        ctx.beginPath();
        ctx.arc(x, y, r, 0, 7);
        ctx.stroke();
      }
    }
  }

  leave() {
    lighten("edges");
    this.marks.hide();
    this.accuracy.hide();
    this.pending = [];
  }
}

