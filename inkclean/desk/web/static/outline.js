// The paper's outline on the photo: four corners, and edges that may be bowed between them.

export const SIDES = [
  { corner: "top left", side: "top" },
  { corner: "top right", side: "right" },
  { corner: "bottom right", side: "bottom" },
  { corner: "bottom left", side: "left" },
];
const BETWEEN = 7; // points of a straight edge once it is bowed

export class Outline {
  /** Corners in photo px; edges as points from corner to corner, or null where all are straight. */
  constructor(corners, edges) {
    this.corners = corners.map((c) => [...c]);
    this.between = corners.map((_, n) => (edges ? edges[n].slice(1, -1).map((p) => [...p]) : []));
  }

  side(n) {
    return [this.corners[n], ...this.between[n], this.corners[(n + 1) % 4]];
  }

  /** Where the handle of a corner, or of the edge that begins there, lies. */
  place(n, edge) {
    if (!edge) return this.corners[n];
    const points = this.side(n);
    const middle = (points.length - 1) / 2;
    const [a, b] = [points[Math.floor(middle)], points[Math.ceil(middle)]];
    return [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
  }

  move(n, edge, x, y) {
    const [px, py] = this.place(n, edge);
    const [dx, dy] = [x - px, y - py];
    if (edge) this.bow(n, dx, dy);
    else {
      // what hangs on the corner follows by how near it is
      this.follow(n, dx, dy, (t) => 1 - t);
      this.follow((n + 3) % 4, dx, dy, (t) => t);
      this.corners[n] = [x, y];
    }
  }

  follow(n, dx, dy, share) {
    const count = this.between[n].length;
    this.between[n] = this.between[n].map(([x, y], k) => {
      const s = share((k + 1) / (count + 1));
      return [x + s * dx, y + s * dy];
    });
  }

  bow(n, dx, dy) {
    const [a, b] = [this.corners[n], this.corners[(n + 1) % 4]];
    if (!this.between[n].length)
      this.between[n] = Array.from({ length: BETWEEN }, (_, k) => {
        const t = (k + 1) / (BETWEEN + 1);
        return [a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t];
      });
    // across the edge alone: a point that ran along it would bow nothing
    const length = Math.hypot(b[0] - a[0], b[1] - a[1]) || 1;
    const [nx, ny] = [-(b[1] - a[1]) / length, (b[0] - a[0]) / length];
    const far = dx * nx + dy * ny;
    this.follow(n, far * nx, far * ny, (t) => 4 * t * (1 - t));
  }

  draw(ctx, k) {
    for (const [width, colour] of [[5, "#fff"], [2.5, "#1d5266"]]) {
      ctx.lineWidth = width / k;
      ctx.strokeStyle = colour;
      ctx.beginPath();
      for (let n = 0; n < 4; n++) this.side(n).forEach(([x, y], j) => (n || j ? ctx.lineTo(x, y) : ctx.moveTo(x, y)));
      ctx.closePath();
      ctx.stroke();
    }
  }

  text(first = 0) {
    const spelt = ([x, y]) => `${x.toFixed(1)},${y.toFixed(1)}`;
    return [0, 1, 2, 3]
      .map((k) => (first + k) % 4)
      .map((n) => [this.corners[n], ...this.between[n]].map(spelt).join(" "))
      .join(";");
  }

  /** The outline of the page a quarter turned: counted from the corner before. */
  turned() {
    return this.text(3);
  }
}
