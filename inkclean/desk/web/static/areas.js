// The step Areas: flats with their bridges; fill, check, join, split; the first shade.

import { ASKED, Checks } from "./checks.js";
import * as mend from "./mend.js";
import { Palette } from "./palette.js";
import { button, choice, el } from "./parts.js";
import { numbers } from "./numbers.js";
import { direction, drawArrow, lightFrom } from "./shade.js";
import { Sweep } from "./sweep.js";
import { valueAt, valueNow } from "./tiles.js";
import { Tints } from "./tints.js";

const HELP = {
  dab: "Choose a colour, then tap an area, or draw over several.",
  check: "The places that matter most come first. Answer yes or no.",
  bridge: "Tap a gap to close it, or draw a line over it. Tap a bridge to remove it.",
  join: "Draw a line through the areas that belong together, or draw around them.",
  split: "Draw a line across an area to split it. It snaps to the ink.",
  shade: "Draw a line from the lamp to the drawing.",
};

const PATIENCE_MS = 5000; // then an area is filled without the other parts of its thing

export class Areas {
  constructor(desk) {
    this.desk = desk;
    this.mode = "dab";
    this.asking = []; // those who wait for the things
    this.tints = new Tints();
    this.palette = new Palette(this, () => this.use("dab"), (colour, name) => this.rename(colour, name));
    this.checks = new Checks(
      desk,
      () => this.seen?.checks ?? [],
      (place) => ASKED[place.what],
      (place) => (place.what === "gap" ? this.close(place.cubics) : this.checks.right(place)),
      (place) => (place.what === "gap" ? this.checks.right(place) : this.merge(place)),
      30,
    );
  }

  get goal() {
    return this.mode === "shade" || this.desk.state.light !== null ? "shade" : "flats";
  }

  enter() {
    const { desk } = this;
    this.line = this.sweep = this.turning = this.tint = this.seen = this.checks.place = null;
    this.pending = [];
    const words = [["dab", "Fill"], ["check", "Check"], ["bridge", "Bridge"], ["join", "Join"], ["split", "Split"], ["shade", "Light direction"]];
    this.modes = choice(words, this.mode, (key) => this.use(key));
    this.keys = words.map(([key]) => key);
    this.even = button("No shade", () => desk.act({ kind: "light", degrees: null }));
    this.own = el("div", { class: "own" });
    this.rows = { dab: this.palette.parts, check: this.checks.parts, bridge: [], join: [], split: [], shade: [this.even] };
    desk.hand.replaceChildren(...this.modes, this.own);
    desk.view.overlay = (ctx, k) => this.draw(ctx, k);
    if (desk.state.stages.colours && desk.state.stages.flats) this.snapshot();
    else desk.say("Finding areas …");
    this.use(this.mode);
    this.show();
  }

  use(key) {
    const [before, was] = [this.goal, this.mode];
    this.mode = key;
    if (key !== "check") this.desk.view.home();
    this.modes.forEach((made, n) => made.setAttribute("aria-pressed", `${this.keys[n] === key}`));
    // as high as with the palette, so that the page does not jump
    this.own.style.minHeight = "";
    this.own.replaceChildren(...this.palette.parts);
    this.own.style.minHeight = `${this.own.offsetHeight}px`;
    this.own.replaceChildren(...this.rows[key]);
    const draws = { down: (p) => this.begin(p), move: (p) => this.extend(p), up: (p) => this.end(p), cancel: () => this.cancel() };
    this.desk.view.tool = key === "check" ? { tap: (p) => this.checks.point(p) } : draws;
    if (this.seen) this.desk.say(HELP[key]);
    this.checks.refresh();
    if (this.seen && key === "check" && was !== key) this.checks.step();
    if (this.goal !== before) this.desk.bring();
    this.desk.view.draw();
  }

  key(name) {
    return this.mode === "check" && this.checks.key(name);
  }

  changed() {
    if (this.seen) this.repaint();
  }

  rename(colour, name) {
    this.desk.say(`Now called ${name}.`);
    return this.desk.act({ kind: "name", colour, name });
  }

  /** Take over what the server found, all of one piece. */
  snapshot() {
    const { flats, colours } = this.desk.state.stages;
    this.seen = { ...flats, palette: [...colours.palette], names: [...colours.names], of: [...colours.of_area], book: [...colours.book] };
    this.pending = [];
    this.tint = null;
    this.palette.show(this.seen);
  }

  /** Show colours that changed where they are. */
  repaint() {
    this.palette.show(this.seen);
    this.show();
  }

  show() {
    const { desk } = this;
    const { ink } = desk.state.stages;
    if (!ink) return;
    const layers = [];
    if (this.seen) {
      const change = this.tints.of(this.seen);
      layers.push(desk.layer("labels", this.seen, this.seen.picture, ink.px_per_mm, { change, hard: true }));
    }
    const { relief } = desk.state.stages;
    const light = this.turning ?? desk.state.light;
    if (this.seen && relief && light !== null)
      layers.push(desk.layer("relief", relief, relief.picture, relief.px_per_mm, { change: lightFrom(light) }));
    const under = this.seen ? { blend: "multiply" } : {};
    layers.push(desk.layer("ink", ink, ink.picture, ink.px_per_mm, under));
    desk.view.show(layers, [ink.width / ink.px_per_mm, ink.height / ink.px_per_mm]);
    this.checks.refresh();
  }

  layer(name) {
    return this.desk.view.layers.find((one) => one.name === name);
  }

  stage(name) {
    if ((name === "ink" && !this.seen) || name === "relief") this.show();
    if (name === "things") for (const done of this.asking.splice(0)) done();
    const { labels, ink } = this.desk.state.stages;
    // the new labels come while their colours are still worked out
    if (name === "labels" && this.seen && ink) this.desk.view.fetch(this.desk.layer("labels", labels, labels.picture, ink.px_per_mm));
    if (name !== "colours") return;
    const first = !this.seen;
    this.snapshot();
    this.show();
    const busy = document.getElementById("say").textContent.endsWith("…");
    if (first || busy) this.desk.say(`${this.seen.areas.length} areas. ${HELP[this.mode]}`);
  }

  /** The label under a place, as the screen shows it if it does, else at full size. */
  async label([x, y], fetched = true) {
    const layer = this.layer("labels");
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

  /** Colour areas at once; returns the colour's name, null where nothing is to be done. */
  fill(labels) {
    if (!this.palette.colour) return null;
    const row = this.palette.row(this.seen);
    for (const label of labels) this.seen.of[label] = row;
    this.show();
    return this.seen.names[row];
  }

  async dab(at) {
    await this.things();
    const label = await this.label(at);
    if (!label) return;
    const parts = this.parts(label);
    const name = this.fill([label, ...parts]);
    if (name === null) return;
    const said = { ...this.palette.said, name };
    const points = [at, ...parts.map((part) => this.seen.areas[part - 1].slice(0, 2))];
    await this.desk.act(parts.length ? { kind: "sweep", points, ...said } : { kind: "dab", at, ...said });
  }

  /** The number of the thing that each area on the screen is part of, as far as it was told. */
  get told() {
    const said = this.desk.state.stages.things;
    return said?.labels === this.seen.picture ? said.things : null;
  }

  /** Wait for what is told right after the colours, or for newer areas. */
  things() {
    if (this.told) return null;
    return new Promise((done) => {
      this.asking.push(done);
      setTimeout(done, PATIENCE_MS);
    });
  }

  /** The other parts of the thing that an area belongs to, as long as they have its colour. */
  parts(label) {
    const [{ of }, things] = [this.seen, this.told ?? []];
    const like = (thing, n) => thing === things[label - 1] && n + 1 !== label && of[n + 1] === of[label];
    return things.flatMap((thing, n) => (like(thing, n) ? [n + 1] : []));
  }

  /** A dab was drawn to its end, over areas or on one. */
  async swept(line) {
    const { sweep } = this;
    this.sweep = null;
    const far = mend.lengthOf(line) * this.desk.view.k >= 8;
    const points = far ? await sweep.end(line.at(-1)) : [];
    if (!points.length) return this.dab(line[0]);
    this.desk.say(sweep.said);
    return this.desk.act({ kind: "sweep", points, ...this.palette.said });
  }

  begin(at) {
    if (!this.seen) return false;
    this.line = [at];
    // the ink around is fetched, to be there when the line ends
    if (this.mode === "bridge" || this.mode === "split") this.snapped([at, at]);
    if (this.mode === "dab") this.sweep = new Sweep(this, at);
    return true;
  }

  extend(at) {
    const last = this.line?.at(-1);
    if (!last || Math.hypot(at[0] - last[0], at[1] - last[1]) < 2 / this.desk.view.k) return;
    this.line.push(at);
    this.sweep?.extend(last, at);
    if (this.mode === "shade") this.turn(direction(this.line[0], at));
    this.desk.view.draw();
  }

  turn(degrees) {
    this.turning = degrees;
    this.show();
  }

  async end(at) {
    const { desk, mode } = this;
    const line = [...(this.line ?? []), at];
    this.line = null;
    if (mode === "dab") return this.swept(line);
    const short = mend.lengthOf(line) * desk.view.k < 10;
    if (mode === "shade") return this.light(short ? null : direction(line[0], at));
    if (mode === "bridge" && short) return this.bridge(at);
    if (short) return desk.view.draw();
    if (mode === "join") return this.join(line);
    desk.say("Updating areas …");
    this.pending.push(line);
    const drawn = await this.snapped(line);
    this.pending[this.pending.indexOf(line)] = drawn;
    const split = mode === "split" && { kind: "split", points: mend.thinned(drawn, 40) };
    const done = desk.act(split || { kind: "bridge", cubic: mend.through(drawn) });
    this.preview(drawn);
    return done;
  }

  async snapped(line) {
    try {
      return await mend.snapped(line, this.desk.view, this.layer("ink"));
    } catch {
      return line; // the picture has just been replaced
    }
  }

  /** Show at once what a line parts, as far as the screen tells. */
  async preview(line) {
    const walls = [...this.seen.bridges.map(({ cubic }) => mend.along(cubic)), ...this.pending.filter((one) => one !== line)];
    try {
      this.tint = await mend.parted(line, walls, this.desk.view, this.layer("labels"), this.layer("ink"));
    } catch {
      this.tint = null;
    }
    this.desk.view.draw();
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
    if (this.sweep?.drop()) this.snapshot(); // what was filled on the way is not kept
    this.sweep = null;
    this.turning = null;
    if (this.seen) this.show();
  }

  /** A tap in Bridge: the bridge or the open gap nearest to the finger. */
  bridge(at) {
    const { k } = this.desk.view;
    const bridges = this.seen.bridges.filter((bridge) => !bridge.gone);
    const [laid, away] = mend.nearest(bridges.map(({ cubic }) => cubic), at, k);
    const [gap, further] = mend.nearest(this.seen.gaps, at, k);
    if (gap >= 0 && further < away) return this.close([this.seen.gaps[gap]]);
    if (laid < 0) return this.desk.say(`No gap or bridge here. ${HELP.bridge}`);
    bridges[laid].gone = true;
    this.desk.view.draw();
    this.desk.say("Bridge removed. Updating areas …");
    return this.desk.act({ kind: "open", at: mend.on(bridges[laid].cubic, 0.5) });
  }

  close(cubics) {
    const lines = cubics.map(mend.along);
    this.pending.push(...lines);
    this.preview(lines[0]);
    if (this.mode === "bridge") this.desk.say("Gap closed. Updating areas …");
    return this.desk.act({ kind: "bridges", cubics });
  }

  async join(line) {
    const around = mend.isLoop(line, this.desk.view.k);
    const met = around ? await this.enclosed(line) : await this.crossed(line);
    if (met.length < 2)
      return this.desk.say(around ? "Draw around two areas or more." : "That touched only one area. Draw from one area into another.");
    this.desk.say(`Joining ${met.length} areas …`);
    return this.united(met);
  }

  /** The areas that a line runs through, in its order. */
  async crossed(line) {
    const met = [];
    for (const at of mend.thinned(line, 60)) {
      const label = await this.label(at, false); // much of the way is ink
      if (label && !met.some((m) => m.label === label)) met.push({ label, at });
    }
    return met;
  }

  /** The areas that lie in a loop, the largest first. */
  async enclosed(line) {
    const labels = await mend.enclosed(line, this.desk.view, this.layer("labels"), this.seen.areas);
    return labels.map((label) => ({ label, at: this.seen.areas[label - 1].slice(0, 2) }));
  }

  /** Make areas one, in the colour that was given by hand last among them, else the first's. */
  async united(met) {
    const { of } = this.seen;
    const labels = new Set(met.map(({ label }) => label));
    let row = of[met[0].label];
    for (const [x, y] of this.desk.state.dabs) {
      const label = await this.label([x, y], false);
      if (labels.has(label)) row = of[label];
    }
    for (const label of labels) of[label] = row;
    this.show();
    return this.desk.act({ kind: "join", points: met.map(({ at }) => at) });
  }

  /** A line or bridge that parts nothing: its two areas are one. */
  merge({ labels, one, other, bridge }) {
    if (bridge >= 0) this.seen.bridges[bridge].gone = true;
    return this.united([{ label: labels[0], at: one }, { label: labels[1], at: other }]);
  }

  draw(ctx, k) {
    if (this.mode === "shade") return this.line ? drawArrow(ctx, k, this.line[0], this.line.at(-1)) : null;
    if (this.tint) {
      ctx.globalCompositeOperation = "multiply";
      ctx.drawImage(this.tint.picture, this.tint.x, this.tint.y, this.tint.width, this.tint.height);
      ctx.globalCompositeOperation = "source-over";
    }
    ctx.lineCap = "round";
    // quiet, unless bridges are what is looked at
    const loud = this.mode === "bridge";
    ctx.globalAlpha = loud ? 1 : 0.6;
    // thin from afar, so that the colours stay in sight
    const wide = Math.min(3 / k, 0.4);
    const bridges = (this.seen?.bridges ?? []).filter((bridge) => !bridge.gone).map(({ cubic }) => cubic);
    if (loud) mend.stroke(ctx, bridges, 2 * wide, "#fff");
    mend.stroke(ctx, bridges, wide, "#1d5266");
    ctx.setLineDash([2 * wide, 2 * wide]);
    if (loud && k > 3) mend.stroke(ctx, this.seen?.gaps ?? [], wide / 2, "#b4540a");
    ctx.globalAlpha = 1;
    if (this.mode === "check") mend.stroke(ctx, this.checks.left.flatMap(({ cubics }) => cubics), wide, "#b4540a");
    ctx.setLineDash([]);
    // the bridge that is asked about stands out
    const asked = this.mode === "check" ? this.seen?.bridges[this.checks.place?.bridge] : null;
    for (const [width, colour] of asked ? [[8, "#fff"], [4, "#1d5266"]] : []) mend.stroke(ctx, [asked.cubic], width / k, colour);
    for (const line of [...(this.pending ?? []), ...(this.line && this.mode !== "dab" ? [this.line] : [])]) {
      ctx.lineWidth = 3 / k;
      ctx.strokeStyle = "#1d5266";
      ctx.beginPath();
      line.forEach(([x, y], n) => (n ? ctx.lineTo(x, y) : ctx.moveTo(x, y)));
      ctx.stroke();
    }
    if (this.mode === "check") this.checks.draw(ctx, k);
    return null;
  }
}
