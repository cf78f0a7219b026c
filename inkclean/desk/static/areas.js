// The station Areas: flats with their bridges; dab, join, part.

import { button, choice, el } from "./parts.js";
import { TILE, labelAt } from "./tiles.js";

const HELP = {
  dab: "Choose a colour, then touch an area.",
  bridge: "Touch a bridge to remove it, or draw one over a gap.",
  join: "Draw through the areas that belong together.",
  part: "Draw across an area to part it.",
};

export class Areas {
  goal = "flats";

  constructor(desk) {
    this.desk = desk;
    this.mode = "dab";
    this.colour = null;
    this.version = 0;
    this.visited = 0;
  }

  enter() {
    const { desk } = this;
    this.line = null;
    this.pending = [];
    this.seen = null;
    const modes = choice([["dab", "Dab"], ["bridge", "Bridge"], ["join", "Join"], ["part", "Part"]], this.mode, (key) => this.use(key));
    this.swatches = el("span", { class: "field", role: "group", "aria-label": "Colours of the page" });
    this.other = el("input", { type: "color", "aria-label": "Another colour" });
    this.other.value = "#c05a3a";
    this.other.addEventListener("input", () => this.pick(this.other.value, ""));
    this.next = button("Next doubtful gap", () => this.doubt());
    desk.hand.replaceChildren(...modes, this.swatches, this.other, this.next);
    desk.view.overlay = (ctx, k) => this.draw(ctx, k);
    if (desk.state.stages.colours && desk.state.stages.flats) this.snapshot();
    else desk.say("The areas are looked for …");
    this.use(this.mode);
    this.show();
  }

  use(key) {
    this.mode = key;
    for (const part of [this.swatches, this.other]) part.style.visibility = key === "dab" ? "visible" : "hidden";
    const draws = { down: (p) => this.begin(p), move: (p) => this.extend(p), up: (p) => this.end(p), cancel: () => this.cancel() };
    this.desk.view.tool = key === "dab" ? { tap: (p) => this.dab(p) } : draws;
    if (this.seen) this.desk.say(HELP[key]);
    this.desk.view.draw();
  }

  /** Take over what the server found, all of one piece. */
  snapshot() {
    const { flats, colours } = this.desk.state.stages;
    this.seen = { ...flats, palette: [...colours.palette], names: [...colours.names], of: [...colours.of_area] };
    this.pending = [];
    this.version += 1;
    if (!this.colour && colours.palette.length > 1) this.colour = colours.palette[1];
    this.palette();
  }

  palette() {
    const { palette, names } = this.seen;
    this.swatches.replaceChildren(
      ...palette.map((colour, k) => {
        const made = button("", () => this.pick(colour, names[k]), { class: "swatch", "aria-label": names[k], title: names[k] });
        const dot = el("canvas", { "aria-hidden": "true" });
        dot.width = dot.height = 8;
        const ctx = dot.getContext("2d");
        ctx.fillStyle = colour;
        ctx.fillRect(0, 0, 8, 8);
        made.append(dot);
        made.setAttribute("aria-pressed", `${colour === this.colour}`);
        return made;
      }),
    );
  }

  pick(colour, name) {
    this.colour = colour;
    this.palette();
    this.desk.say(`${name || colour} is on the brush.`);
  }

  show() {
    const { desk } = this;
    const { ink } = desk.state.stages;
    if (!ink) return;
    const layers = [];
    if (this.seen) {
      const table = this.table();
      const change = { key: `v${this.version}`, paint: (tile) => paint(tile, table) };
      layers.push(desk.layer("labels", this.seen, this.seen.picture, ink.px_per_mm, { change, hard: true }));
    }
    const under = this.seen ? { blend: "multiply" } : {};
    layers.push(desk.layer("ink", ink, ink.picture, ink.px_per_mm, under));
    for (const layer of desk.view.layers) layer.before = null;
    desk.view.show(layers, [ink.width / ink.px_per_mm, ink.height / ink.px_per_mm]);
    const n = this.seen?.bridges.filter((b) => b.doubtful).length ?? 0;
    this.next.disabled = !n;
    this.next.textContent = n ? `Next doubtful gap (${n})` : "No gap is doubtful";
  }

  table() {
    const { palette, of } = this.seen;
    const colours = palette.map((hex) => {
      const n = parseInt(hex.slice(1), 16);
      return (0xff000000 | ((n & 255) << 16) | (n & 0xff00) | (n >> 16)) >>> 0;
    });
    return Uint32Array.from(of, (row) => colours[row]);
  }

  stage(name) {
    if (name === "ink" && !this.seen) this.show();
    if (name !== "colours") return;
    const first = !this.seen;
    this.snapshot();
    this.show();
    const busy = document.getElementById("say").textContent.endsWith("…");
    if (first || busy) this.desk.say(`${this.seen.areas.length} areas. ${HELP[this.mode]}`);
  }

  async label([x, y]) {
    const scale = this.desk.state.stages.ink.px_per_mm;
    const [px, py] = [Math.floor(x * scale), Math.floor(y * scale)];
    if (!this.seen || px < 0 || py < 0 || px >= this.seen.width || py >= this.seen.height) return 0;
    const [column, row] = [Math.floor(px / TILE), Math.floor(py / TILE)];
    const url = `api/pages/${this.desk.page}/tiles/${this.seen.picture}/0/${column}/${row}`;
    return labelAt(url, px - column * TILE, py - row * TILE);
  }

  async dab(at) {
    const label = await this.label(at);
    if (!label || !this.colour) return;
    const { palette, names } = this.seen;
    let row = palette.indexOf(this.colour);
    if (row < 0) row = palette.push(this.colour) - 1;
    this.seen.of[label] = row;
    this.version += 1;
    this.show();
    await this.desk.act({ kind: "dab", at, colour: this.colour, name: names[row] ?? "" });
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
    this.desk.view.draw();
  }

  async end(at) {
    const line = [...(this.line ?? []), at];
    this.line = null;
    const length = line.slice(1).reduce((sum, p, n) => sum + Math.hypot(p[0] - line[n][0], p[1] - line[n][1]), 0);
    const short = length * this.desk.view.k < 10;
    if (this.mode === "bridge" && short) return this.unbridge(at);
    if (short) return this.desk.view.draw();
    if (this.mode === "join") return this.join(line);
    this.pending.push(line);
    this.desk.view.draw();
    this.desk.say("The areas follow …");
    if (this.mode === "part") return this.desk.act({ kind: "part", points: thinned(line, 40) });
    return this.desk.act({ kind: "bridge", cubic: through(line) });
  }

  cancel() {
    this.line = null;
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
    if (!best) return this.desk.say("No bridge is here. " + HELP.bridge);
    this.seen.bridges = this.seen.bridges.filter((b) => b !== best.bridge);
    this.desk.view.draw();
    this.desk.say("The bridge is gone; the areas follow …");
    return this.desk.act({ kind: "open", at: on(best.bridge.cubic, 0.5) });
  }

  async join(line) {
    const met = [];
    for (const at of thinned(line, 60)) {
      const label = await this.label(at);
      if (label && !met.some((m) => m.label === label)) met.push({ label, at });
    }
    if (met.length < 2) return this.desk.say("One area alone was touched: draw from one into another.");
    for (const { label } of met.slice(1)) this.seen.of[label] = this.seen.of[met[0].label];
    this.version += 1;
    this.show();
    this.desk.say(`${met.length} areas are one …`);
    for (const { at } of met.slice(1)) await this.desk.act({ kind: "join", points: [met[0].at, at] });
    return null;
  }

  draw(ctx, k) {
    ctx.lineCap = "round";
    for (const bridge of this.seen?.bridges ?? []) {
      const [a, b, c, d] = bridge.cubic;
      // thin from afar, so that the colours stay in sight
      const broad = Math.min(3 / k, 0.4);
      for (const [width, colour] of [[2 * broad, "#fff"], [broad, bridge.doubtful ? "#b4540a" : "#1d5266"]]) {
        ctx.lineWidth = width;
        ctx.strokeStyle = colour;
        ctx.setLineDash(bridge.doubtful && width === broad ? [2 * broad, 2 * broad] : []);
        ctx.beginPath();
        ctx.moveTo(...a);
        ctx.bezierCurveTo(...b, ...c, ...d);
        ctx.stroke();
      }
    }
    ctx.setLineDash([]);
    for (const line of [...(this.pending ?? []), ...(this.line ? [this.line] : [])]) {
      ctx.lineWidth = 3 / k;
      ctx.strokeStyle = "#1d5266";
      ctx.beginPath();
      line.forEach(([x, y], n) => (n ? ctx.lineTo(x, y) : ctx.moveTo(x, y)));
      ctx.stroke();
    }
  }

  doubt() {
    const all = this.seen.bridges.filter((b) => b.doubtful);
    if (!all.length) return;
    const [x, y] = on(all[this.visited % all.length].cubic, 0.5);
    this.visited += 1;
    this.desk.view.visit(x, y, 30);
    this.desk.say(`Gap ${((this.visited - 1) % all.length) + 1} of ${all.length}: is it closed here? Choose Bridge and touch the bridge if not.`);
  }
}

function paint({ labels, width, height }, table) {
  const image = new ImageData(width, height);
  const out = new Uint32Array(image.data.buffer);
  for (let k = 0; k < labels.length; k++) out[k] = table[labels[k]] ?? 0xffffffff;
  return image;
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
