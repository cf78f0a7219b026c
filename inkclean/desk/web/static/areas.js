// The step Areas: flats with their bridges; fill, join, split; the first shade.

import { Palette } from "./palette.js";
import { button, choice, el } from "./parts.js";
import { numbers } from "./numbers.js";
import { direction, drawArrow, lightFrom } from "./shade.js";
import { byTable, valueAt, valueNow } from "./tiles.js";

const HELP = {
  dab: "Choose a colour, then tap an area.",
  bridge: "Tap a bridge to remove it, or draw one over a gap.",
  join: "Draw a line through the areas that belong together.",
  split: "Draw a line across an area to split it.",
  shade: "Draw a line from the lamp to the drawing.",
};

export class Areas {
  constructor(desk) {
    this.desk = desk;
    this.mode = "dab";
    this.version = 0;
    this.visited = 0;
    this.palette = new Palette(desk, () => this.use("dab"), (colour, name) => this.rename(colour, name));
  }

  get goal() {
    return this.mode === "shade" || this.desk.state.light !== null ? "shade" : "flats";
  }

  enter() {
    const { desk } = this;
    this.line = null;
    this.turning = null;
    this.pending = [];
    this.seen = null;
    const words = [["dab", "Fill"], ["bridge", "Bridge"], ["join", "Join"], ["split", "Split"], ["shade", "Light direction"]];
    this.modes = choice(words, this.mode, (key) => this.use(key));
    this.keys = words.map(([key]) => key);
    this.even = button("No shade", () => desk.act({ kind: "light", degrees: null }));
    this.next = button("Next gap to check", () => this.doubt());
    this.own = el("div", { class: "own" });
    this.rows = { dab: this.palette.parts, bridge: [this.next], join: [], split: [], shade: [this.even] };
    desk.hand.replaceChildren(...this.modes, this.own);
    desk.view.overlay = (ctx, k) => this.draw(ctx, k);
    if (desk.state.stages.colours && desk.state.stages.flats) this.snapshot();
    else desk.say("Finding areas …");
    this.use(this.mode);
    this.show();
  }

  use(key) {
    const before = this.goal;
    this.mode = key;
    this.modes.forEach((made, n) => made.setAttribute("aria-pressed", `${this.keys[n] === key}`));
    this.own.replaceChildren(...this.rows[key]);
    const draws = { down: (p) => this.begin(p), move: (p) => this.extend(p), up: (p) => this.end(p), cancel: () => this.cancel() };
    this.desk.view.tool = key === "dab" ? { tap: (p) => this.dab(p) } : draws;
    if (this.seen) this.desk.say(HELP[key]);
    if (this.goal !== before) this.desk.bring();
    this.desk.view.draw();
  }

  changed() {
    if (this.seen) this.show();
  }

  rename(colour, name) {
    this.desk.say(`Now called ${name}.`);
    return this.desk.act({ kind: "name", colour, name });
  }

  /** Take over what the server found, all of one piece. */
  snapshot() {
    const { flats, colours } = this.desk.state.stages;
    this.seen = { ...flats, palette: [...colours.palette], names: [...colours.names], of: [...colours.of_area] };
    this.pending = [];
    this.version += 1;
    this.palette.show(this.seen.palette, this.seen.names);
  }

  show() {
    const { desk } = this;
    const { ink } = desk.state.stages;
    if (!ink) return;
    const layers = [];
    if (this.seen) {
      const table = this.table();
      const change = { key: `v${this.version}`, paint: (tile) => byTable(tile, table) };
      layers.push(desk.layer("labels", this.seen, this.seen.picture, ink.px_per_mm, { change, hard: true }));
    }
    const { relief } = desk.state.stages;
    const light = this.turning ?? desk.state.light;
    if (this.seen && relief && light !== null)
      layers.push(desk.layer("relief", relief, relief.picture, relief.px_per_mm, { change: lightFrom(light) }));
    const under = this.seen ? { blend: "multiply" } : {};
    layers.push(desk.layer("ink", ink, ink.picture, ink.px_per_mm, under));
    for (const layer of desk.view.layers) layer.before = null;
    desk.view.show(layers, [ink.width / ink.px_per_mm, ink.height / ink.px_per_mm]);
    const n = this.seen?.bridges.filter((b) => b.doubtful).length ?? 0;
    this.next.disabled = !n;
    this.next.textContent = n ? `Next gap to check (${n})` : "No gaps to check";
  }

  table() {
    const { palette, of } = this.seen;
    const colours = palette.map((hex) => {
      const n = parseInt(hex.slice(1), 16);
      return (0xff000000 | ((n & 255) << 16) | (n & 0xff00) | (n >> 16)) >>> 0;
    });
    const table = new Uint32Array(65536).fill(0xffffffff);
    table.set(Uint32Array.from(of, (row) => colours[row]));
    return table;
  }

  stage(name) {
    if ((name === "ink" && !this.seen) || name === "relief") this.show();
    if (name !== "colours") return;
    const first = !this.seen;
    this.snapshot();
    this.show();
    const busy = document.getElementById("say").textContent.endsWith("…");
    if (first || busy) this.desk.say(`${this.seen.areas.length} areas. ${HELP[this.mode]}`);
  }

  /** The label under a place, as the screen shows it if it does, else at full size. */
  async label([x, y], fetched = true) {
    const layer = this.desk.view.layers.find((one) => one.name === "labels");
    if (!this.seen || !layer) return 0;
    const [px, py] = [Math.floor(x * layer.per), Math.floor(y * layer.per)];
    if (px < 0 || py < 0 || px >= layer.width || py >= layer.height) return 0;
    const shown = this.desk.view.levelOf(layer);
    for (const level of fetched && shown ? [shown, 0] : [shown]) {
      const [qx, qy] = [px >> level, py >> level];
      const [column, row] = [Math.floor(qx / numbers.tile_px), Math.floor(qy / numbers.tile_px)];
      const place = [layer.url(level, column, row), qx - column * numbers.tile_px, qy - row * numbers.tile_px];
      const found = level || !fetched ? valueNow(...place) : await valueAt(...place);
      if (found) return found;
    }
    return 0;
  }

  async dab(at) {
    const label = await this.label(at);
    const { colour } = this.palette;
    if (!label || !colour) return;
    const { palette, names } = this.seen;
    let row = palette.indexOf(colour);
    if (row < 0) row = palette.push(colour) - 1;
    names[row] ??= this.palette.nameOf(colour);
    this.seen.of[label] = row;
    this.version += 1;
    this.show();
    await this.desk.act({ kind: "dab", at, colour, name: names[row] });
  }

  begin(at) {
    if (!this.seen) return false;
    this.line = [at];
    return true;
  }

  extend(at) {
    const last = this.line?.at(-1);
    if (!last || Math.hypot(at[0] - last[0], at[1] - last[1]) < 2 / this.desk.view.k) return;
    this.line.push(at);
    if (this.mode === "shade") this.turn(direction(this.line[0], at));
    this.desk.view.draw();
  }

  turn(degrees) {
    this.turning = degrees;
    this.show();
  }

  async end(at) {
    const line = [...(this.line ?? []), at];
    this.line = null;
    const length = line.slice(1).reduce((sum, p, n) => sum + Math.hypot(p[0] - line[n][0], p[1] - line[n][1]), 0);
    const short = length * this.desk.view.k < 10;
    if (this.mode === "shade") return this.light(short ? null : direction(line[0], at));
    if (this.mode === "bridge" && short) return this.unbridge(at);
    if (short) return this.desk.view.draw();
    if (this.mode === "join") return this.join(line);
    this.pending.push(line);
    this.desk.view.draw();
    this.desk.say("Updating areas …");
    if (this.mode === "split") return this.desk.act({ kind: "split", points: thinned(line, 40) });
    return this.desk.act({ kind: "bridge", cubic: through(line) });
  }

  async light(degrees) {
    if (degrees === null) return this.desk.view.draw();
    this.turning = degrees;
    await this.desk.act({ kind: "light", degrees });
    this.turning = null;
    return this.show();
  }

  cancel() {
    this.line = null;
    this.turning = null;
    this.desk.view.draw();
  }

  unbridge([x, y]) {
    const reach = 16 / this.desk.view.k;
    let best = null;
    for (const bridge of this.seen.bridges)
      for (const t of [0.25, 0.5, 0.75]) {
        const [bx, by] = on(bridge.cubic, t);
        const away = Math.hypot(bx - x, by - y);
        if (away < reach && (!best || away < best.away)) best = { away, bridge };
      }
    if (!best) return this.desk.say("No bridge here. " + HELP.bridge);
    this.seen.bridges = this.seen.bridges.filter((b) => b !== best.bridge);
    this.desk.view.draw();
    this.desk.say("Bridge removed. Updating areas …");
    return this.desk.act({ kind: "open", at: on(best.bridge.cubic, 0.5) });
  }

  async join(line) {
    const met = [];
    for (const at of thinned(line, 60)) {
      const label = await this.label(at, false); // much of the way is ink
      if (label && !met.some((m) => m.label === label)) met.push({ label, at });
    }
    if (met.length < 2) return this.desk.say("That touched only one area. Draw from one area into another.");
    for (const { label } of met.slice(1)) this.seen.of[label] = this.seen.of[met[0].label];
    this.version += 1;
    this.show();
    this.desk.say(`Joining ${met.length} areas …`);
    return this.desk.act({ kind: "join", points: met.map(({ at }) => at) });
  }

  draw(ctx, k) {
    if (this.mode === "shade") return this.line ? drawArrow(ctx, k, this.line[0], this.line.at(-1)) : null;
    ctx.lineCap = "round";
    // quiet, unless bridges are what is looked at
    const loud = this.mode === "bridge";
    ctx.globalAlpha = loud ? 1 : 0.6;
    for (const bridge of this.seen?.bridges ?? []) {
      const [a, b, c, d] = bridge.cubic;
      // thin from afar, so that the colours stay in sight
      const wide = Math.min(3 / k, 0.4);
      const lines = [[2 * wide, "#fff"], [wide, bridge.doubtful ? "#b4540a" : "#1d5266"]];
      for (const [width, colour] of loud ? lines : lines.slice(1)) {
        ctx.lineWidth = width;
        ctx.strokeStyle = colour;
        ctx.setLineDash(bridge.doubtful && width === wide ? [2 * wide, 2 * wide] : []);
        ctx.beginPath();
        ctx.moveTo(...a);
        ctx.bezierCurveTo(...b, ...c, ...d);
        ctx.stroke();
      }
    }
    ctx.setLineDash([]);
    ctx.globalAlpha = 1;
    for (const line of [...(this.pending ?? []), ...(this.line ? [this.line] : [])]) {
      ctx.lineWidth = 3 / k;
      ctx.strokeStyle = "#1d5266";
      ctx.beginPath();
      line.forEach(([x, y], n) => (n ? ctx.lineTo(x, y) : ctx.moveTo(x, y)));
      ctx.stroke();
    }
    return null;
  }

  doubt() {
    const all = this.seen.bridges.filter((b) => b.doubtful);
    if (!all.length) return;
    const [x, y] = on(all[this.visited % all.length].cubic, 0.5);
    this.visited += 1;
    this.desk.view.visit(x, y, 30);
    this.desk.say(`Gap ${((this.visited - 1) % all.length) + 1} of ${all.length}: should the line close here? If not, tap the bridge.`);
  }
}

function on([a, b, c, d], t) {
  const s = 1 - t;
  return [0, 1].map((n) => s ** 3 * a[n] + 3 * s * s * t * b[n] + 3 * s * t * t * c[n] + t ** 3 * d[n]);
}

function thinned(line, most) {
  const step = Math.max(1, Math.ceil(line.length / most));
  const kept = line.filter((_, n) => n % step === 0);
  if (kept.at(-1) !== line.at(-1)) kept.push(line.at(-1));
  return kept;
}

/** A cubic through the line's ends and its points a third and two thirds of the way. */
function through(line) {
  const pick = (share) => line[Math.round(share * (line.length - 1))];
  const [a, p, q, d] = line.length > 3 ? [line[0], pick(1 / 3), pick(2 / 3), line.at(-1)] : [line[0], null, null, line.at(-1)];
  if (!p) return [a, ...[1 / 3, 2 / 3].map((t) => [0, 1].map((n) => a[n] + (d[n] - a[n]) * t)), d];
  const b = [0, 1].map((n) => (-5 * a[n] + 18 * p[n] - 9 * q[n] + 2 * d[n]) / 6);
  const c = [0, 1].map((n) => (2 * a[n] - 9 * p[n] + 18 * q[n] - 5 * d[n]) / 6);
  return [a, b, c, d];
}
