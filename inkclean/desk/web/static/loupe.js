// The loupe: what is on the page around a place, four times as large.

const SIDE = 264;
const HALF = 33;

export class Loupe {
  constructor(view) {
    this.view = view;
    this.glass = document.getElementById("loupe");
  }

  show([x, y]) {
    const { glass, view } = this;
    glass.hidden = false;
    requestAnimationFrame(() => {
      const ctx = glass.getContext("2d");
      const [cx, cy] = [view.x + x * view.k, view.y + y * view.k];
      const r = view.ratio;
      ctx.imageSmoothingEnabled = false;
      ctx.clearRect(0, 0, SIDE, SIDE);
      ctx.drawImage(view.canvas, (cx - HALF) * r, (cy - HALF) * r, 2 * HALF * r, 2 * HALF * r, 0, 0, SIDE, SIDE);
      const right = cx < view.canvas.clientWidth / 2;
      glass.style.left = right ? "auto" : "16px";
      glass.style.right = right ? "16px" : "auto";
      glass.style.top = "16px";
    });
  }

  hide() {
    this.glass.hidden = true;
  }
}
