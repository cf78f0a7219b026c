// Another weight at once: the edges of the ink's tiles moved by their distance, as in ink/weight.py.
// What differs until the page itself comes: distances are in steps of straight and slanted
// neighbours (up to 8 % off), a tile knows nothing of the next one, and gaps close a little sooner.

import { numbers } from "./numbers.js";
import { valuesOf } from "./tiles.js";

const STEEP = 0.7; // how much an edge that is drawn rises a px
const FAR = 1e3;

/** The change that shows ink cut with weight `from` at weight `to`, for each of a picture's sizes. */
export function reweighed(from, to, pxPerMm) {
  if (from === to) return null;
  return (level) => {
    const scale = pxPerMm / 2 ** level;
    const { most_mm, held_mm, held_px } = numbers.weight;
    const move = ((to - from) * most_mm * scale) / 2;
    const held = Math.max(held_mm * scale, held_px);
    return { key: () => `weight ${to}`, paint: (tile) => paint(tile, move, held) };
  };
}

/** Have what the tiles on the screen need worked out one by one, before the slider is moved. */
export async function makeReady(view, layer) {
  for (const { level, column, row } of [...view.placed(layer)]) {
    const tile = await valuesOf(layer.url(level, column, row));
    tile.edges ??= edges(tile);
    await new Promise((done) => setTimeout(done)); // a hand comes first
  }
}

/** The tile (`values`: 0 ink to 255 paper) as colours, its edges moved outwards by `move` px. */
export function paint(tile, move, held) {
  const { width, height, values } = tile;
  tile.edges ??= edges(tile);
  const { distance, half } = tile.edges;
  const image = new ImageData(width, height);
  const out = new Uint32Array(image.data.buffer);
  const [rise, thinner] = [255 * STEEP, move < 0];
  // the loop runs over millions of pixels at each step of a slider: no calls in it
  for (let k = 0; k < out.length; k++) {
    const grey = values[k] & 0xff;
    let own = move;
    if (thinner) {
      const room = half[k] - held;
      own = room <= 0 ? 0 : room < -move ? -room : move;
    }
    const level = 128 - rise * (distance[k] + own);
    const moved = level <= 0 ? 0 : level >= 255 ? 255 : level | 0;
    // lines finer than the pixels of a reduced picture have no edge to go by: they stay at least
    let shown = grey;
    if (move > 0 ? moved < grey : own !== 0 && moved > grey) shown = moved;
    out[k] = 0xff000000 | (shown << 16) | (shown << 8) | shown;
  }
  return image;
}

/** Distance of each pixel from the half level, positive in ink, and half the width of its stroke. */
export function edges({ values, width, height }) {
  const count = width * height;
  const share = new Float32Array(count);
  for (let k = 0; k < count; k++) share[k] = 0.5 - (values[k] & 0xff) / 255;
  const away = new Float32Array(count).fill(FAR);
  const across = (k, step, first, last) => {
    const here = share[k];
    const after = last ? 0 : share[k + step] - here;
    const before = first ? 0 : here - share[k - step];
    const crossesAfter = !last && here > 0 !== share[k + step] > 0;
    const crossesBefore = !first && here > 0 !== share[k - step] > 0;
    if (crossesAfter && (!crossesBefore || Math.abs(after) > Math.abs(before))) return [after, true];
    return crossesBefore ? [before, true] : [(after + before) / 2, false];
  };
  for (let y = 0, k = 0; y < height; y++)
    for (let x = 0; x < width; x++, k++) {
      const ink = share[k] > 0;
      const alike = x > 0 && x < width - 1 && ink === share[k - 1] > 0 && ink === share[k + 1] > 0;
      if (alike && y > 0 && y < height - 1 && ink === share[k - width] > 0 && ink === share[k + width] > 0) continue;
      const [gx, one] = across(k, 1, x === 0, x === width - 1);
      const [gy, other] = across(k, width, y === 0, y === height - 1);
      if (one || other) away[k] = Math.min(1, Math.abs(share[k]) / Math.max(Math.hypot(gx, gy), 1e-3));
    }
  spread(away, width, height);
  const distance = away.map((far, k) => (share[k] > 0 ? far : -far));
  const middles = [];
  for (let k = width + 1; k < count - width - 1; k++) {
    if (distance[k] <= 0) continue;
    const beside = (step) => distance[k] >= distance[k - step] && distance[k] >= distance[k + step];
    if (beside(1) || beside(width)) middles.push(k);
  }
  const half = new Float32Array(count);
  // a middle lies up to half a px beside the pixel that stands for it
  for (const k of middles)
    for (const row of [-width, 0, width])
      for (const step of [-1, 0, 1]) half[k + row + step] = Math.max(half[k + row + step], distance[k] + 0.2);
  for (let k = 0; k < count; k++) if (half[k] === 0) half[k] = FAR;
  return { distance, half };
}

/** Carry distances to all pixels by two sweeps (Borgefors 1986). */
function spread(away, width, height) {
  const sweep = (from, to, step) => {
    for (let y = from; y !== to; y += step)
      for (let n = 0, x = step > 0 ? 0 : width - 1; n < width; n++, x += step) {
        const k = y * width + x;
        const above = k - step * width;
        const inside = y !== from;
        let best = away[k];
        if (n > 0) best = Math.min(best, away[k - step] + 1);
        if (inside) best = Math.min(best, away[above] + 1);
        if (inside && n > 0) best = Math.min(best, away[above - step] + Math.SQRT2);
        if (inside && n < width - 1) best = Math.min(best, away[above + step] + Math.SQRT2);
        away[k] = best;
      }
  };
  sweep(0, height, 1);
  sweep(height - 1, -1, -1);
}
