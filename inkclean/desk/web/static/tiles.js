// Tiles of pictures: fetched once, kept while there is room.

import { at } from "./net.js";
import { numbers } from "./numbers.js";

// A large tablet at full sharpness shows some 40 tiles of each of two pictures, old and new.
const MOST = 180;
const NUMBERS = "application/octet-stream"; // tiles that are whole numbers, not a picture
const held = new Map(); // url → {image}, {image: null} while under way
const raw = new Map(); // url → {values, width, height}, or a promise of it
const heard = new WeakSet(); // promises of values that somebody waits for
const painted = new Map(); // url → {key, image}: values as colours, the latest table only

/** Give the tile's bitmap if it is here; else have it fetched and call `come` when it is. */
export function tile(url, come, change = null) {
  if (change) return recoloured(url, come, change);
  const known = held.get(url);
  if (known) {
    held.delete(url);
    held.set(url, known);
    return known.image;
  }
  const entry = { image: null };
  held.set(url, entry);
  decode(url)
    .then((image) => {
      entry.image = image;
      come();
    })
    .catch(() => held.delete(url));
  trim(held, MOST, (gone) => gone.image?.close());
  return null;
}

/** The same of a tile whose values become colours here, at once whenever the table changes. */
function recoloured(url, come, change) {
  const known = painted.get(url);
  if (known?.key === change.key) return known.image;
  let values = raw.get(url);
  const shown = held.get(url)?.image;
  if (!values && shown) {
    // it is on the screen as it is: nothing need be fetched
    values = read(shown);
    raw.set(url, values);
    trim(raw, MOST / 3);
  }
  values ??= asked(url);
  if (values instanceof Promise) {
    if (!heard.has(values)) values.then(come, () => {});
    heard.add(values);
    return null;
  }
  const image = known?.image ?? new OffscreenCanvas(values.width, values.height);
  image.getContext("2d").putImageData(change.paint(values), 0, 0);
  painted.delete(url);
  painted.set(url, { key: change.key, image });
  trim(painted, MOST / 3);
  return image;
}

async function fetched(url) {
  const reply = await fetch(at(url));
  if (reply.status !== 200) throw new Error("gone");
  return reply;
}

async function decode(url) {
  return createImageBitmap(await (await fetched(url)).blob(), { colorSpaceConversion: "none" });
}

/** A tile of whole numbers: its width, its height, and then all of them. */
function counted(buffer) {
  const [width, height] = new Uint16Array(buffer, 0, 2);
  return { values: new Uint16Array(buffer, 4), width, height };
}

async function seen(reply) {
  const image = await createImageBitmap(await reply.blob(), { colorSpaceConversion: "none" });
  const made = read(image);
  image.close();
  return made;
}

/** The values of a tile that was not asked for yet, as a promise. */
function asked(url) {
  const coming = fetched(url).then(async (reply) => {
    const made = reply.headers.get("content-type") === NUMBERS ? counted(await reply.arrayBuffer()) : await seen(reply);
    raw.set(url, made);
    return made;
  });
  raw.set(url, coming);
  coming.catch(() => raw.delete(url));
  trim(raw, MOST / 3);
  return coming;
}

export async function valuesOf(url) {
  return raw.get(url) ?? asked(url);
}

function read(image) {
  const { width, height } = image;
  const canvas = new OffscreenCanvas(width, height);
  const ctx = canvas.getContext("2d", { willReadFrequently: true });
  ctx.drawImage(image, 0, 0);
  const data = new Uint32Array(ctx.getImageData(0, 0, width, height).data.buffer);
  const values = new Uint16Array(data.length);
  for (let k = 0; k < data.length; k++) values[k] = data[k] & 0xffff;
  return { values, width, height };
}

/** Let go of the tiles of a picture that will not be shown again. */
export function forget(start) {
  for (const [url, entry] of held)
    if (url.startsWith(start)) {
      entry.image?.close();
      held.delete(url);
    }
  for (const map of [raw, painted]) for (const url of [...map.keys()]) if (url.startsWith(start)) map.delete(url);
}

function trim(map, most, gone = () => {}) {
  while (map.size > most) {
    const [oldest, entry] = map.entries().next().value;
    gone(entry);
    map.delete(oldest);
  }
}

/** Values become colours by a table of RGBA numbers, one for each value that `mask` leaves. */
export function byTable({ values, width, height }, table, mask = 0xffff) {
  const image = new ImageData(width, height);
  const out = new Uint32Array(image.data.buffer);
  for (let k = 0; k < values.length; k++) out[k] = table[values[k] & mask];
  return image;
}

/** The value under a place of the full picture, from the tile there; 0 where unknown. */
export async function valueAt(url, x, y) {
  const { values, width } = await valuesOf(url);
  return values[y * width + x] ?? 0;
}

/** The value under a place if its tile is here already. */
export function valueNow(url, x, y) {
  const known = raw.get(url);
  return known?.values ? known.values[y * known.width + x] : 0;
}

/** The values of a piece of a layer's picture at one of its sizes; `beyond` where there is none. */
export async function patch(layer, level, x0, y0, w, h, beyond) {
  const side = numbers.tile_px;
  const out = new Uint16Array(w * h).fill(beyond);
  const [wide, high] = [layer.width, layer.height].map((full) => Math.ceil(full / 2 ** level));
  const [first, last] = [[x0, y0].map((v) => Math.max(0, v)), [Math.min(wide, x0 + w), Math.min(high, y0 + h)]];
  const asked = [];
  for (let row = Math.floor(first[1] / side); row * side < last[1]; row++)
    for (let column = Math.floor(first[0] / side); column * side < last[0]; column++)
      asked.push(valuesOf(layer.url(level, column, row)).then((tile) => ({ row, column, ...tile })));
  for (const { row, column, values, width, height } of await Promise.all(asked)) {
    const [left, right] = [Math.max(first[0], column * side), Math.min(last[0], column * side + width)];
    for (let y = Math.max(first[1], row * side); y < Math.min(last[1], row * side + height); y++) {
      const from = (y - row * side) * width - column * side;
      if (right > left) out.set(values.subarray(from + left, from + right), (y - y0) * w + left - x0);
    }
  }
  return out;
}
