// The layers of the view, drawn once and kept: what a hand draws over them does not draw them again.

const MOST = 0.6; // where more of the screen than this changes, all of it is drawn

const nameOf = ({ name, box, look }) => `${name} ${box} ${look}`;
const meet = ([l, t, r, b], [u, v, w, z]) => l < w && u < r && t < z && v < b;

export class Backing {
  constructor() {
    this.canvas = new OffscreenCanvas(1, 1);
    this.ctx = this.canvas.getContext("2d");
    this.key = null;
    this.shown = new Map(); // boxes of pieces by all that tells how they look
  }

  /**
   * The picture of some pieces, each an `image` (its `part`, null for all) in a `box` of the
   * screen; `look` tells what it shows. `key` tells where the page lies; `wipe` (px) parts pieces
   * of the sides "left" and "right", null for no such line. Only what changed is drawn.
   */
  show(width, height, key, pieces, wipe) {
    const { canvas } = this;
    const fresh = new Map(pieces.map((piece) => [nameOf(piece), piece.box]));
    if (canvas.width !== width || canvas.height !== height) {
      [canvas.width, canvas.height] = [width, height];
      this.key = null;
    }
    const all = [[0, 0, width, height]];
    let stale = all;
    if (key === this.key) {
      const missing = (from, to) => [...from].filter(([name]) => !to.has(name)).map(([, box]) => box);
      const boxes = new Map([...missing(fresh, this.shown), ...missing(this.shown, fresh)].map((box) => [`${box}`, box]));
      const area = [...boxes.values()].reduce((sum, [l, t, r, b]) => sum + (r - l) * (b - t), 0);
      stale = area > MOST * width * height ? all : [...boxes.values()];
    }
    [this.key, this.shown] = [key, fresh];
    for (const box of stale) this.draw(box, pieces, wipe);
    return canvas;
  }

  /** Draw one box of the screen anew. */
  draw([l, t, r, b], pieces, wipe) {
    const { ctx, canvas } = this;
    ctx.save();
    ctx.beginPath();
    ctx.rect(l, t, r - l, b - t);
    ctx.clip();
    ctx.clearRect(l, t, r - l, b - t);
    for (const { image, part, box, side, blend, smooth } of pieces) {
      if (!meet(box, [l, t, r, b])) continue;
      ctx.save();
      if (wipe !== null && side) {
        ctx.beginPath();
        if (side === "left") ctx.rect(0, 0, wipe, canvas.height);
        else ctx.rect(wipe, 0, canvas.width, canvas.height);
        ctx.clip();
      }
      if (blend) ctx.globalCompositeOperation = blend;
      ctx.imageSmoothingEnabled = smooth;
      const [x, y, w, h] = [box[0], box[1], box[2] - box[0], box[3] - box[1]];
      if (part) ctx.drawImage(image, ...part, x, y, w, h);
      else ctx.drawImage(image, x, y, w, h);
      ctx.restore();
    }
    ctx.restore();
  }
}
