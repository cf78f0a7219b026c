// How closely the curves follow the ink's edge, shown on a piece of the page while it is set.

import { get } from "./net.js";

const SIDE = 560; // px of the glass's own canvas

export class Accuracy {
  constructor(desk) {
    this.desk = desk;
    this.glass = document.getElementById("curves");
    this.asked = null;
    this.under = false;
    this.known = new Map(); // what was fetched for the piece shown
  }

  /** Show the curves for `within` (mm), one of `steps`; the latest asked for wins. */
  async show(within, steps) {
    this.asked = within;
    if (this.under) return;
    this.under = true;
    try {
      while (this.asked !== null) {
        const now = this.asked;
        this.asked = null;
        await this.trace(now);
      }
    } finally {
      this.under = false;
    }
    await this.ahead(within, steps);
  }

  /** Fetch what the slider may ask for next, the nearest first, while nobody waits. */
  async ahead(within, steps) {
    const at = steps.indexOf(within);
    const next = [...steps].sort((a, b) => Math.abs(steps.indexOf(a) - at) - Math.abs(steps.indexOf(b) - at));
    for (const step of next) {
      if (this.under || !this.spot) return;
      await this.curves(step).catch(() => {});
    }
  }

  /** The curves for `within` in the piece that is shown, fetched once. */
  async curves(within) {
    const { desk } = this;
    const { canvas, k, x, y } = desk.view;
    this.spot ??= [(canvas.clientWidth / 2 - x) / k, (canvas.clientHeight / 2 - y) / k];
    const [px, py] = this.spot.map((v) => v.toFixed(2));
    const key = `${desk.page} ${desk.state.stages.ink?.key} ${px} ${py} ${within}`;
    if (!this.known.has(key)) this.known.set(key, await get(`api/pages/${desk.page}/curves?x=${px}&y=${py}&within=${within}`));
    return this.known.get(key);
  }

  async trace(within) {
    const { desk } = this;
    await desk.trying(async () => {
      const piece = await this.curves(within);
      if (!this.spot) return; // something else is looked at by now
      this.paint(piece);
      const nodes = this.nodes;
      desk.say(`Curves stay within ${within.toFixed(3)} mm of the ink: ${nodes} points in this piece.`);
    });
  }

  paint({ x, y, side, cubics, loops }) {
    const { glass } = this;
    glass.hidden = false;
    const ctx = glass.getContext("2d");
    const s = SIDE / side;
    ctx.setTransform(1, 0, 0, 1, 0, 0);
    ctx.fillStyle = "#fff";
    ctx.fillRect(0, 0, SIDE, SIDE);
    ctx.setTransform(s, 0, 0, s, -x * s, -y * s);
    ctx.beginPath();
    for (let n = 0; n + 1 < loops.length; n++)
      for (let j = loops[n]; j < loops[n + 1]; j++) {
        const c = cubics[j];
        if (j === loops[n]) ctx.moveTo(c[0], c[1]);
        ctx.bezierCurveTo(...c.slice(2));
      }
    ctx.fillStyle = "#3c4650";
    ctx.fill("evenodd");
    ctx.fillStyle = "#e07a1f";
    for (const [px, py] of cubics) {
      ctx.beginPath();
      ctx.arc(px, py, 4 / s, 0, 7);
      ctx.fill();
    }
    this.nodes = cubics.length;
    glass.dataset.nodes = `${cubics.length}`;
  }

  hide() {
    this.asked = null;
    this.spot = null;
    this.known.clear();
    this.glass.hidden = true;
  }
}
