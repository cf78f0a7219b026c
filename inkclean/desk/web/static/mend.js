// What a hand's line means on the areas: ends that snap to the ink, loops, and what a line parts.

import { patch, scratch } from "./tiles.js";

const REACH = 24; // css px around the finger within which ink and gaps are found
const INTO_MM = 0.25; // a line that snaps goes this far into the ink
const TIP_MM = 1.6; // ends of strokes are told by the share of ink in a square this wide,
const TIP = 2; // which counts as much as this times the reach
const FINE = 6; // px of the picture a mm, at least, to tell them by
const DARK = 128; // ink is darker than this in its picture
const inked = (value) => (value & 255) < DARK;
const WIDEST = 900; // px of the picture in which is looked for what a line parts

export const apart = ([x, y], [u, v]) => Math.hypot(x - u, y - v);

export const lengthOf = (line) => line.slice(1).reduce((sum, p, n) => sum + apart(p, line[n]), 0);

/** Whether a line comes back to where it began; `k` is css px a mm. */
export function isLoop(line, k) {
  const length = lengthOf(line) * k;
  return length > 90 && apart(line[0], line.at(-1)) * k < Math.max(28, 0.15 * length);
}

/** The line with its ends on the ink near them: on the end of a stroke rather than on its side. */
export async function snapped(line, view, ink) {
  const made = [...line];
  for (const [end, inner] of [[0, 1], [made.length - 1, made.length - 2]]) {
    const found = await inkNear(made[end], view, ink);
    if (found) made[end] = further(made[inner], found, INTO_MM);
  }
  return made;
}

function further([x0, y0], [x1, y1], by) {
  const length = Math.hypot(x1 - x0, y1 - y0) || 1;
  return [x1 + ((x1 - x0) / length) * by, y1 + ((y1 - y0) / length) * by];
}

/** The ink that a finger at a place means, in mm; null if none is near. */
async function inkNear([x, y], view, ink) {
  const fine = Math.max(0, Math.floor(Math.log2(ink.per / FINE)));
  const level = Math.min(view.levelOf(ink), fine);
  const per = ink.per / 2 ** level;
  const reach = Math.max(3, Math.ceil((REACH / view.k) * per));
  const r = Math.max(1, Math.round((TIP_MM / 2) * per));
  const [cx, cy] = [Math.floor(x * per), Math.floor(y * per)];
  const side = 2 * (reach + r) + 1;
  const dark = await patch(ink, level, cx - reach - r, cy - reach - r, side, side, 255);
  const sums = summed(dark, side, side);
  let best = null;
  for (let dy = -reach; dy <= reach; dy++)
    for (let dx = -reach; dx <= reach; dx++) {
      const away = Math.hypot(dx, dy);
      const [px, py] = [dx + reach + r, dy + reach + r];
      if (away > reach || !inked(dark[py * side + px])) continue;
      const share = within(sums, side, px - r, py - r, px + r, py + r) / (2 * r + 1) ** 2;
      const cost = away / reach + TIP * share;
      if (!best || cost < best.cost) best = { cost, at: [(cx + dx + 0.5) / per, (cy + dy + 0.5) / per] };
    }
  return best?.at ?? null;
}

function summed(values, width, height) {
  const sums = new Int32Array((width + 1) * (height + 1));
  for (let y = 0; y < height; y++)
    for (let x = 0, row = 0; x < width; x++) {
      row += inked(values[y * width + x]) ? 1 : 0;
      sums[(y + 1) * (width + 1) + x + 1] = sums[y * (width + 1) + x + 1] + row;
    }
  return sums;
}

function within(sums, width, x0, y0, x1, y1) {
  const w = width + 1;
  return sums[(y1 + 1) * w + x1 + 1] - sums[y0 * w + x1 + 1] - sums[(y1 + 1) * w + x0] + sums[y0 * w + x0];
}

/** Labels of the areas that lie in a loop, the largest first. `areas`: x, y, kind, mm² by label. */
export async function enclosed(loop, view, labels, areas) {
  const level = view.levelOf(labels);
  const per = labels.per / 2 ** level;
  const [xs, ys] = [loop.map(([x]) => x * per), loop.map(([, y]) => y * per)];
  const [x0, y0] = [Math.floor(Math.min(...xs)), Math.floor(Math.min(...ys))];
  const [w, h] = [Math.ceil(Math.max(...xs)) - x0 + 1, Math.ceil(Math.max(...ys)) - y0 + 1];
  const values = await patch(labels, level, x0, y0, w, h, 0);
  const ctx = scratch(w, h);
  ctx.beginPath();
  loop.forEach((_, n) => ctx.lineTo(xs[n] - x0, ys[n] - y0));
  ctx.fill();
  const mask = ctx.getImageData(0, 0, w, h).data;
  const count = new Map();
  for (let k = 0; k < values.length; k++)
    if (mask[4 * k + 3] > 127) count.set(values[k], (count.get(values[k]) ?? 0) + 1);
  const held = [...count].filter(([label, n]) => label && n / per ** 2 > 0.6 * areas[label - 1][3]);
  return held.sort((a, b) => b[1] - a[1]).map(([label]) => label);
}

/**
 * What a line parts from its area, as a picture to lay over the page: null if nothing on the screen.
 * `walls` are lines in mm that close areas too.
 */
export async function parted(line, walls, view, labels, ink) {
  const { clientWidth, clientHeight } = view.canvas;
  const mm = [clientWidth / view.k, clientHeight / view.k];
  let level = view.levelOf(labels);
  while ((Math.max(...mm) * labels.per) / 2 ** level > WIDEST && level < labels.levels - 1) level += 1;
  const per = labels.per / 2 ** level;
  const [x0, y0] = [Math.floor((-view.x / view.k) * per), Math.floor((-view.y / view.k) * per)];
  const [w, h] = mm.map((size) => Math.ceil(size * per) + 1);
  const [values, dark] = await Promise.all([patch(labels, level, x0, y0, w, h, 0), patch(ink, level, x0, y0, w, h, 255)]);
  const px = ([x, y]) => [x * per - x0, y * per - y0];
  const wall = strokes([line, ...walls], px, w, h);
  const at = (n) => {
    const [x, y] = px(n).map(Math.floor);
    return x < 0 || y < 0 || x >= w || y >= h ? -1 : y * w + x;
  };
  // what may be flooded of an area, 1 each: alpha of walls is the high byte
  const paper = (label) => {
    const free = new Uint8Array(w * h);
    for (let k = 0; k < free.length; k++) if (values[k] === label && (dark[k] & 255) >= DARK && wall[k] >>> 24 <= 40) free[k] = 1;
    return free;
  };
  for (const share of [0.5, 0.35, 0.65, 0.2, 0.8]) {
    const n = Math.max(1, Math.min(line.length - 1, Math.round(share * (line.length - 1))));
    const [[ax, ay], [bx, by]] = [line[n - 1], line[n]];
    const t = line.length > 2 ? 1 : share;
    const [mx, my] = [ax + (bx - ax) * t, ay + (by - ay) * t];
    const length = Math.hypot(bx - ax, by - ay) || 1;
    const label = values[at([mx, my])];
    const off = 2.6 / per;
    const sides = [1, -1].map((s) => at([mx - (s * off * (by - ay)) / length, my + (s * off * (bx - ax)) / length]));
    const free = label ? paper(label) : null;
    if (!free || !sides.every((k) => k >= 0 && free[k])) continue;
    const first = flooded(sides[0], w, h, free);
    if (!free[sides[1]]) return null; // the line leaves a way round
    const second = flooded(sides[1], w, h, free);
    const { mask } = first.count < second.count ? first : second;
    return { picture: tinted(mask, w, h), x: x0 / per, y: y0 / per, width: w / per, height: h / per };
  }
  return null;
}

function strokes(lines, px, w, h) {
  const ctx = scratch(w, h);
  ctx.lineWidth = 2.2;
  ctx.beginPath();
  for (const line of lines) line.forEach((p, n) => (n ? ctx.lineTo(...px(p)) : ctx.moveTo(...px(p))));
  ctx.stroke();
  return new Uint32Array(ctx.getImageData(0, 0, w, h).data.buffer);
}

/**
 * All px that hang together with one over px that are `free` (1 each), which they are no more then.
 * Whole runs of a row are taken at once.
 */
function flooded(start, w, h, free) {
  const mask = new Uint8Array(w * h);
  const todo = [start];
  let count = 0;
  while (todo.length) {
    const seed = todo.pop();
    if (!free[seed]) continue;
    const row = seed - (seed % w);
    let [left, right] = [seed, seed];
    while (left > row && free[left - 1]) left -= 1;
    while (right < row + w - 1 && free[right + 1]) right += 1;
    mask.fill(1, left, right + 1);
    free.fill(0, left, right + 1);
    count += right - left + 1;
    for (const step of [-w, w]) {
      if (row + step < 0 || row + step >= w * h) continue;
      // one seed for each run beside this one
      for (let k = left + step, before = 0; k <= right + step; k++) {
        if (free[k] && !before) todo.push(k);
        before = free[k];
      }
    }
  }
  return { mask, count };
}

const tint = new OffscreenCanvas(1, 1);

function tinted(mask, w, h) {
  const picture = tint;
  [picture.width, picture.height] = [w, h];
  const image = new ImageData(w, h);
  const out = new Uint32Array(image.data.buffer);
  for (let k = 0; k < mask.length; k++) if (mask[k]) out[k] = 0x90665de0; // rgba e0 5d 66 90
  picture.getContext("2d").putImageData(image, 0, 0);
  return picture;
}

/** The nearest of some cubics to a place within the finger's reach: its number, or −1. */
export function nearest(cubics, at, k, reach = 18) {
  let [best, away] = [-1, reach / k];
  cubics.forEach((cubic, n) => {
    for (const t of [0, 0.25, 0.5, 0.75, 1]) {
      const here = apart(on(cubic, t), at);
      if (here < away) [best, away] = [n, here];
    }
  });
  return [best, away];
}

export function on([a, b, c, d], t) {
  const s = 1 - t;
  return [0, 1].map((n) => s ** 3 * a[n] + 3 * s * s * t * b[n] + 3 * s * t * t * c[n] + t ** 3 * d[n]);
}

export const along = (cubic) => [0, 0.125, 0.25, 0.375, 0.5, 0.625, 0.75, 0.875, 1].map((t) => on(cubic, t));

/** Draw cubics as lines of one width. */
export function stroke(ctx, cubics, width, colour) {
  ctx.lineWidth = width;
  ctx.strokeStyle = colour;
  ctx.beginPath();
  for (const [a, b, c, d] of cubics) {
    ctx.moveTo(...a);
    ctx.bezierCurveTo(...b, ...c, ...d);
  }
  ctx.stroke();
}

export function thinned(line, most) {
  const step = Math.max(1, Math.ceil(line.length / most));
  const kept = line.filter((_, n) => n % step === 0);
  if (kept.at(-1) !== line.at(-1)) kept.push(line.at(-1));
  return kept;
}

/** A cubic through the line's ends and its points a third and two thirds of the way. */
export function through(line) {
  const pick = (share) => line[Math.round(share * (line.length - 1))];
  const [a, p, q, d] = line.length > 3 ? [line[0], pick(1 / 3), pick(2 / 3), line.at(-1)] : [line[0], null, null, line.at(-1)];
  if (!p) return [a, ...[1 / 3, 2 / 3].map((t) => [0, 1].map((n) => a[n] + (d[n] - a[n]) * t)), d];
  const b = [0, 1].map((n) => (-5 * a[n] + 18 * p[n] - 9 * q[n] + 2 * d[n]) / 6);
  const c = [0, 1].map((n) => (2 * a[n] - 9 * p[n] + 18 * q[n] - 5 * d[n]) / 6);
  return [a, b, c, d];
}
