// Which marks are removed at a dust size, shown while it is set: from the server's own lists.

import { numbers } from "./numbers.js";

const MOST_RINGS = 60; // more marks than this are dots, not rings

export class Marks {
  constructor(desk) {
    this.desk = desk;
    this.step = null;
  }

  get said() {
    return this.desk.state.stages.marks;
  }

  /** Sizes offered, in mm; the one in use is always among them. */
  steps(now) {
    const offered = this.said?.steps ?? numbers.dust_sizes_mm;
    return [...new Set([...offered, now])].sort((a, b) => a - b);
  }

  show(mm) {
    const { desk, said } = this;
    const n = said ? said.steps.indexOf(mm) : -1;
    this.step = n < 0 ? null : n;
    const count = this.step === null ? null : said.marks.filter((m) => (m[3] >> n) & 1).length;
    const what = count === null ? "" : count === 1 ? ": one mark removed" : `: ${count} marks removed`;
    desk.say(mm ? `Dust up to ${mm} mm${what}.` : "Every mark stays.");
    desk.view.draw();
  }

  hide() {
    this.step = null;
  }

  /** Marks that go are wiped and ringed, marks that stay drawn; `removed` are gone now. */
  draw(ctx, k, removed) {
    if (this.step === null || !this.said) return false;
    const gone = new Set();
    for (const [x, y, size, steps] of this.said.marks) {
      if (!((steps >> this.step) & 1)) continue;
      gone.add(`${x} ${y}`);
      disc(ctx, x, y, size / 2 + 0.12, "#fff");
    }
    for (const [x, y, size] of removed) if (!gone.has(`${x} ${y}`)) disc(ctx, x, y, size / 2, "#111");
    const many = gone.size > MOST_RINGS;
    if (many)
      for (const [x, y, size, steps] of this.said.marks)
        if ((steps >> this.step) & 1) disc(ctx, x, y, Math.max(size / 2, 1.5 / k), "#b4540a");
    for (const [width, colour] of many ? [] : [[4, "#fff"], [2, "#b4540a"]]) {
      ctx.lineWidth = width / k;
      ctx.strokeStyle = colour;
      for (const [x, y, size, steps] of this.said.marks) {
        if (!((steps >> this.step) & 1)) continue;
        ctx.beginPath();
        ctx.arc(x, y, Math.max(size, 6 / k), 0, 7);
        ctx.stroke();
      }
    }
    return true;
  }
}

/** A dot of `r` mm. */
export function disc(ctx, x, y, r, colour) {
  ctx.fillStyle = colour;
  ctx.beginPath();
  ctx.arc(x, y, Math.max(r, 0.05), 0, 7);
  ctx.fill();
}
