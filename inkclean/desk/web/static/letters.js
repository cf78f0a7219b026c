// Lettering on the desk: marks moved to the art, the text or the balloons by a touch or a ring.

import { choice } from "./parts.js";

const COLOURS = { art: "#141414", text: "#be1e1e", balloons: "#145abe" };
const WORDS = [["text", "To text"], ["balloons", "To balloons"], ["art", "To art"]];
const SLIP = 6; // css px that a touch may slip

export class Letters {
  constructor(desk) {
    this.desk = desk;
    this.to = "text";
    this.ring = null;
  }

  get said() {
    return this.desk.state.stages.lettering;
  }

  get parts() {
    return choice(WORDS, this.to, (key) => {
      this.to = key;
    });
  }

  get tool() {
    return { down: (p) => this.begin(p), move: (p) => this.extend(p), up: () => this.end(), cancel: () => this.drop() };
  }

  layer() {
    const { said } = this;
    return said ? this.desk.layer("lettering", said, said.picture, said.px_per_mm, { side: "right" }) : null;
  }

  begin(at) {
    this.ring = [at];
    return true;
  }

  extend([x, y]) {
    const last = this.ring?.at(-1);
    if (!last || Math.hypot(x - last[0], y - last[1]) < 1 / this.desk.view.k) return;
    this.ring.push([x, y]);
    this.desk.view.draw();
  }

  async end() {
    const { ring } = this;
    this.drop();
    if (!ring) return;
    const [first] = ring;
    const far = Math.max(...ring.map(([x, y]) => Math.hypot(x - first[0], y - first[1])));
    const touched = ring.length < 3 || far * this.desk.view.k < SLIP;
    await this.desk.act({ kind: "letter", to: this.to, points: touched ? [first] : ring });
  }

  drop() {
    this.ring = null;
    this.desk.view.draw();
  }

  draw(ctx, k) {
    if (!this.ring) return;
    ctx.strokeStyle = COLOURS[this.to];
    ctx.lineWidth = 2 / k;
    ctx.beginPath();
    for (const [x, y] of this.ring) ctx.lineTo(x, y);
    ctx.stroke();
  }
}
