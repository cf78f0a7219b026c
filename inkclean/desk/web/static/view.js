// The sheet on the screen: moved and sized by fingers, wheel and keys; drawn from tiles.

import { Backing } from "./backing.js";
import { numbers } from "./numbers.js";
import { forget, keepFor, tile, valuesOf } from "./tiles.js";

const TOGETHER_MS = 50; // tiles that come within so long are drawn together
// What the keys draw with: it has no pressure.
const KEYS = { pointerType: "keys", pressure: 0 };

export class View {
  constructor(canvas) {
    this.canvas = canvas;
    this.ctx = canvas.getContext("2d");
    this.layers = [];
    this.backing = new Backing();
    this.size = [210, 297];
    this.k = 1;
    this.x = 0;
    this.y = 0;
    this.wipe = null; // css px from the left: layers of side "left" before it, "right" after
    this.overlay = null;
    this.moved = null;
    this.tool = null;
    this.onscreen = new Map(); // pointers that are down
    this.penSeen = false;
    this.asked = false;
    new ResizeObserver(() => this.resize()).observe(canvas);
    for (const name of ["down", "move", "up", "cancel"])
      canvas.addEventListener(`pointer${name}`, (e) => this[name](e));
    canvas.addEventListener("wheel", (e) => this.wheel(e), { passive: false });
    canvas.addEventListener("keydown", (e) => this.key(e));
    canvas.addEventListener("blur", () => this.uncross());
  }

  resize() {
    const { clientWidth: w, clientHeight: h } = this.canvas;
    const ratio = Math.min(devicePixelRatio || 1, 2);
    if (!w || !h) return;
    // a line of words more or less below must not move the page under the hand
    const grown = Math.abs(w - (this.room?.[0] ?? 0)) > 1 || Math.abs(h - (this.room?.[1] ?? 0)) > 30;
    const fitted = this.fits && grown;
    if (grown) this.room = [w, h];
    this.ratio = ratio;
    this.canvas.width = Math.round(w * ratio);
    this.canvas.height = Math.round(h * ratio);
    if (fitted || this.fits === undefined) this.fit();
    this.paint(); // a canvas of another size is bare: the screen must not show that
  }

  /** Show other layers; `size` is their size in the units of the station. */
  show(layers, size) {
    // a first look and the page itself differ by less than a pixel
    const other = size.some((side, n) => Math.abs(side - this.size[n]) > 0.01 * side);
    for (const layer of layers) {
      const old = this.layers.find(({ name }) => name === layer.name);
      if (!old) continue;
      // the latest that was whole on the screen stays until this one is
      if (old.picture === layer.picture) layer.before = old.before ?? null;
      else layer.before = old.before ?? { ...old, before: null };
      if (old.before && old.picture !== layer.picture) forget(old.start);
    }
    this.layers = layers;
    this.size = size;
    if (other) this.fit();
    else this.draw();
  }

  /** Whether a picture is shown, or waits until another is. */
  shows(picture) {
    return this.layers.some((layer) => layer.picture === picture || layer.before?.picture === picture);
  }

  fit() {
    const { clientWidth: w, clientHeight: h } = this.canvas;
    this.k = Math.min((w - 32) / this.size[0], (h - 32) / this.size[1]);
    this.x = (w - this.k * this.size[0]) / 2;
    this.y = (h - this.k * this.size[1]) / 2;
    this.fits = true;
    this.draw();
  }

  /** Bring a place to the middle, `across` of it filling the screen, until `home`. */
  visit(x, y, across) {
    this.left ??= { k: this.k, x: this.x, y: this.y, fits: this.fits };
    const { clientWidth: w, clientHeight: h } = this.canvas;
    this.k = Math.min(w, h) / across;
    this.x = w / 2 - x * this.k;
    this.y = h / 2 - y * this.k;
    this.fits = false;
    this.visited = this.spot;
    this.draw();
  }

  get spot() {
    return `${this.k} ${this.x} ${this.y}`;
  }

  /** Show what was shown before the visits, unless a hand has moved the page since the last. */
  home() {
    const { left } = this;
    this.left = null;
    if (!left || this.spot !== this.visited) return;
    Object.assign(this, left);
    if (this.fits) this.fit();
    else this.draw();
  }

  place(e) {
    const box = this.canvas.getBoundingClientRect();
    return [(e.clientX - box.left - this.x) / this.k, (e.clientY - box.top - this.y) / this.k];
  }

  zoom(factor, cx, cy) {
    const k = Math.max(0.02, Math.min(this.k * factor, 400));
    this.x = cx - ((cx - this.x) * k) / this.k;
    this.y = cy - ((cy - this.y) * k) / this.k;
    this.k = k;
    this.fits = false;
    this.draw();
  }

  pan(dx, dy) {
    this.x += dx;
    this.y += dy;
    this.fits = false;
    this.draw();
  }

  wheel(e) {
    e.preventDefault();
    const box = this.canvas.getBoundingClientRect();
    this.zoom(Math.exp(-e.deltaY * 0.0015), e.clientX - box.left, e.clientY - box.top);
  }

  /** What lies under the cross in the middle of the screen, which the keys work with. */
  get middle() {
    const { clientWidth: w, clientHeight: h } = this.canvas;
    return [(w / 2 - this.x) / this.k, (h / 2 - this.y) / this.k];
  }

  key(e) {
    const step = this.keyed ? (e.shiftKey ? 40 : 10) : 60;
    const moves = { ArrowLeft: [step, 0], ArrowRight: [-step, 0], ArrowUp: [0, step] };
    moves.ArrowDown = [0, -step];
    const { clientWidth: w, clientHeight: h } = this.canvas;
    if (moves[e.key]) {
      this.pan(...moves[e.key]);
      if (this.keyed) this.tool?.move?.(this.middle, KEYS);
    } else if (e.key === "+" || e.key === "=") this.zoom(1.25, w / 2, h / 2);
    else if (e.key === "-") this.zoom(0.8, w / 2, h / 2);
    else if (e.key === "0") this.fit();
    else if (e.key === "Enter") this.enter();
    else if (e.key === "Escape" && this.keyed) {
      this.keyed = false;
      this.tool?.cancel?.();
    } else return;
    this.cross = true;
    this.draw();
    e.preventDefault();
  }

  /** Tap what is under the cross; or begin a line there, and end it the second time. */
  enter() {
    if (this.keyed) {
      this.keyed = false;
      this.tool?.up?.(this.middle, KEYS);
    } else if (this.tool?.down) this.keyed = Boolean(this.tool.down(this.middle, KEYS));
    else this.tool?.tap?.(this.middle, KEYS);
  }

  paintCross() {
    const { ctx, canvas, ratio } = this;
    ctx.setTransform(1, 0, 0, 1, 0, 0);
    const [x, y, r] = [canvas.width / 2, canvas.height / 2, 14 * ratio];
    for (const [width, colour] of [[5, "#fff"], [2, "#1d5266"]]) {
      ctx.lineWidth = width * ratio;
      ctx.strokeStyle = colour;
      ctx.beginPath();
      for (const [dx, dy] of [[1, 0], [0, 1]]) {
        ctx.moveTo(x - r * dx, y - r * dy);
        ctx.lineTo(x + r * dx, y + r * dy);
      }
      ctx.stroke();
    }
  }

  uncross() {
    if (this.keyed) this.tool?.cancel?.();
    this.keyed = this.cross = false;
    this.draw();
  }

  down(e) {
    if (this.cross) this.uncross();
    if (e.pointerType === "pen") this.penSeen = true;
    // a palm beside the pen is no finger
    if (e.pointerType === "touch" && [...this.onscreen.values()].some((p) => p.type === "pen")) return;
    this.canvas.setPointerCapture(e.pointerId);
    this.onscreen.set(e.pointerId, { x: e.clientX, y: e.clientY, type: e.pointerType });
    if (this.onscreen.size > 1) {
      this.tool?.cancel?.();
      this.working = false;
      return;
    }
    this.start = [e.clientX, e.clientY];
    const hand = this.penSeen && e.pointerType === "touch";
    this.working = !hand && e.button !== 1 && Boolean(this.tool?.down?.(this.place(e), e));
  }

  move(e) {
    const held = this.onscreen.get(e.pointerId);
    if (!held) return;
    const before = [...this.onscreen.values()].map((p) => [p.x, p.y]);
    if (this.onscreen.size === 1 && this.working) {
      const all = e.getCoalescedEvents?.() ?? [];
      for (const one of all.length ? all : [e]) this.tool.move?.(this.place(one), one);
      return;
    }
    const [was] = [[held.x, held.y]];
    held.x = e.clientX;
    held.y = e.clientY;
    if (this.onscreen.size === 1) this.pan(held.x - was[0], held.y - was[1]);
    else if (this.onscreen.size === 2) this.pinch(before);
  }

  pinch([a, b]) {
    const [c, d] = [...this.onscreen.values()].map((p) => [p.x, p.y]);
    const box = this.canvas.getBoundingClientRect();
    const middle = (p, q) => [(p[0] + q[0]) / 2 - box.left, (p[1] + q[1]) / 2 - box.top];
    const [m, n] = [middle(a, b), middle(c, d)];
    const apart = (p, q) => Math.max(20, Math.hypot(p[0] - q[0], p[1] - q[1]));
    this.x += n[0] - m[0];
    this.y += n[1] - m[1];
    this.zoom(apart(c, d) / apart(a, b), n[0], n[1]);
  }

  up(e) {
    const held = this.onscreen.get(e.pointerId);
    if (!held) return;
    this.onscreen.delete(e.pointerId);
    if (this.working && !this.onscreen.size) this.tool?.up?.(this.place(e), e);
    else if (!this.onscreen.size && !this.pinched && this.tool?.tap) {
      const far = Math.hypot(e.clientX - this.start[0], e.clientY - this.start[1]);
      const palm = this.penSeen && e.pointerType === "touch";
      if (far < 8 && !palm) this.tool.tap(this.place(e), e);
    }
    this.pinched = this.onscreen.size > 0;
    this.working = false;
  }

  cancel(e) {
    this.onscreen.delete(e.pointerId);
    this.tool?.cancel?.();
    this.working = false;
  }

  /** A tile has come: the last one is drawn at once, others a few together. */
  come() {
    this.waiting -= 1;
    if (this.waiting <= 0) this.draw();
    else this.later ??= setTimeout(() => this.draw(), TOGETHER_MS);
  }

  /** Draw at the next frame, once however often it is asked for. */
  draw() {
    if (this.asked) return;
    this.asked = true;
    requestAnimationFrame(() => {
      this.asked = false;
      clearTimeout(this.later);
      this.later = null;
      this.paint();
    });
  }

  paint() {
    const { ctx, canvas, ratio } = this;
    this.waiting = 0;
    keepFor(this.layers.reduce((sum, layer) => sum + [...this.placed(layer)].length * (layer.before ? 2 : 1) + 2, 0));
    const pieces = this.layers.flatMap((layer, n) => {
      const found = layer.before ? [...this.pieces(layer.before, `${n} before`)] : [];
      const left = this.waiting;
      found.push(...this.pieces(layer, `${n}`));
      if (this.waiting === left && layer.before) {
        forget(layer.before.start);
        layer.before = null;
        return [...this.pieces(layer, `${n}`)];
      }
      return found;
    });
    const wipe = this.wipe === null ? null : Math.round(this.wipe * ratio);
    const key = `${this.spot} ${wipe}`;
    const under = this.backing.show(canvas.width, canvas.height, key, pieces, wipe);
    ctx.setTransform(1, 0, 0, 1, 0, 0);
    ctx.clearRect(0, 0, canvas.width, canvas.height);
    ctx.drawImage(under, 0, 0);
    ctx.setTransform(ratio * this.k, 0, 0, ratio * this.k, ratio * this.x, ratio * this.y);
    this.overlay?.(ctx, this.k);
    if (this.cross) this.paintCross();
    canvas.dataset.view = this.spot;
    canvas.dataset.waiting = `${this.waiting}`;
    this.moved?.();
  }

  /** Which of the layer's sizes is on the screen, the full one being 0. */
  levelOf(layer) {
    const size = (this.ratio * this.k) / layer.per;
    return Math.max(0, Math.min(layer.levels - 1, Math.floor(Math.log2(1 / size) + 0.25)));
  }

  /** The tiles of a layer that are on the screen: where, and how large a px. */
  *placed(layer) {
    const { canvas, ratio } = this;
    const size = (ratio * this.k) / layer.per; // screen px per px of the picture
    const [x0, y0] = [ratio * this.x, ratio * this.y];
    const level = this.levelOf(layer);
    const scale = 2 ** level * size;
    const step = numbers.tile_px * scale;
    const many = (full) => Math.ceil(full / (numbers.tile_px * 2 ** level));
    const first = (from) => Math.max(0, Math.floor(-from / step));
    const last = (from, room, full) => Math.min(many(full) - 1, Math.floor((room - from) / step));
    for (let row = first(y0); row <= last(y0, canvas.height, layer.height); row++)
      for (let column = first(x0); column <= last(x0, canvas.width, layer.width); column++)
        yield { level, column, row, x: x0 + column * step, y: y0 + row * step, scale };
  }

  /** Have the tiles of a layer fetched that its place on the screen asks for. */
  fetch(layer) {
    for (const { level, column, row } of this.placed(layer)) valuesOf(layer.url(level, column, row)).catch(() => {});
  }

  /** What there is to draw of a layer, see Backing; what is still to come counts as waiting. */
  *pieces(layer, name) {
    const top = layer.levels - 1;
    // some changes know at which of the picture's sizes they are made
    const changed = (level) => (typeof layer.change === "function" ? layer.change(level) : layer.change);
    for (const { level, column, row, x, y, scale } of this.placed(layer)) {
      const found = tile(layer.url(level, column, row), () => this.come(), changed(level));
      const [wide, high] = [layer.width, layer.height].map((full) => Math.ceil(full / 2 ** level));
      const side = numbers.tile_px;
      const [w, h] = [Math.min(side, wide - column * side), Math.min(side, high - row * side)];
      const box = [x, y, x + w * scale, y + h * scale].map(Math.round);
      const how = { name, box, side: layer.side, blend: layer.blend, smooth: !layer.hard || scale < 1 };
      if (found) yield { ...how, ...found, part: null };
      else this.waiting += 1;
      if (found || layer.before || level === top) continue;
      // until it comes, the whole picture at its smallest
      const rough = tile(layer.url(top, 0, 0), () => this.draw(), changed(top));
      const part = [column * side, row * side, w, h].map((length) => length / 2 ** (top - level));
      if (rough) yield { ...how, image: rough.image, look: `${rough.look} in part`, part };
    }
  }
}
