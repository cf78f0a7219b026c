// Which colour each area has on the screen, and when it last got another.

import { byTable } from "./tiles.js";

const ALL = 65536;

export class Tints {
  constructor() {
    this.table = new Uint32Array(ALL).fill(0xffffffff); // the colour of each label, as RGBA
    this.since = new Uint32Array(ALL); // which change was the label's last
    this.latest = 0;
  }

  /** A layer's change from labels to colours: only tiles with an area that changed are painted. */
  of({ palette, of }) {
    const colours = palette.map((hex) => {
      const n = parseInt(hex.slice(1), 16);
      return (0xff000000 | ((n & 255) << 16) | (n & 0xff00) | (n >> 16)) >>> 0;
    });
    const table = new Uint32Array(ALL).fill(0xffffffff);
    table.set(Uint32Array.from(of, (row) => colours[row]));
    this.latest += 1;
    for (let label = 0; label < ALL; label++) if (table[label] !== this.table[label]) this.since[label] = this.latest;
    this.table = table;
    const last = (labels) => labels.reduce((most, label) => Math.max(most, this.since[label]), 0);
    return { key: (there) => last(there()), paint: (tile) => byTable(tile, table) };
  }
}
