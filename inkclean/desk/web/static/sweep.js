// A dab drawn over many areas: each is filled at once, as far as the dab stays in it.

import { apart } from "./mend.js";

const STEP_PX = 4; // it looks where it is at every so many css px,
const STAY_PX = 8; // and fills an area that it stays in for so many

export class Sweep {
  constructor(areas, at) {
    this.areas = areas;
    this.met = new Map(); // areas filled, each with a place in it
    this.crossed = new Map(); // background that it came across
    this.within = 0; // the area that it is in
    this.stayed = 0; // for so many css px
    this.done = areas.label(at, false).then((label) => {
      this.began = label;
    });
  }

  extend(from, to) {
    this.done = this.done.then(() => this.dropped || this.over(from, to));
  }

  async over(from, to) {
    const { areas } = this;
    const steps = Math.max(1, Math.ceil((apart(from, to) * areas.desk.view.k) / STEP_PX));
    for (let n = 1; n <= steps; n++) {
      const at = [0, 1].map((axis) => from[axis] + ((to[axis] - from[axis]) * n) / steps);
      const label = await areas.label(at, false);
      if (label !== this.within) [this.within, this.stayed] = [label, 0];
      this.stayed += STEP_PX;
      if (!label || this.stayed < STAY_PX || this.met.has(label)) continue;
      // between the areas that are meant lies background, that is not
      if (label !== this.began && areas.seen.areas[label - 1]?.[2]) this.crossed.set(label, at);
      else this.fill(label, at);
    }
  }

  fill(label, at) {
    this.met.set(label, at);
    this.areas.fill([label]);
  }

  /** The places that were filled; the background is if the dab ends on it. */
  async end(at) {
    await this.done;
    const label = await this.areas.label(at, false);
    if (this.crossed.has(label)) this.fill(label, this.crossed.get(label));
    this.crossed.delete(label);
    return [...this.met.values()];
  }

  /** Fill no more; tells whether anything was. */
  drop() {
    this.dropped = true;
    return this.met.size > 0;
  }

  get said() {
    const filled = this.met.size === 1 ? "Filled." : `Filled ${this.met.size} areas.`;
    return this.crossed.size ? `${filled} To fill the background, start or end on it.` : filled;
  }
}
