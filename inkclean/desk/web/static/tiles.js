// Tiles of pictures: fetched once, kept while there is room.

import { at } from "./net.js";
import { numbers } from "./numbers.js";

// How many tiles are kept: of pictures, and of values and what was painted of them. Fewer than are
// on the screen would be made again at every frame.
const LEAST = { pictures: 48, values: 24 };
const MOST_PICTURES = 180;
const most = { ...LEAST };
const NUMBERS = "application/octet-stream"; // tiles that are whole numbers, not a picture
const held = new Map(); // url → {image}, {image: null} while under way
const raw = new Map(); // url → {values, width, height}, or a promise of it
const heard = new WeakSet(); // promises of values that somebody waits for
const painted = new Map(); // url → {key, image}: values as colours, the latest table only

/** Keep as many tiles as a screen needs that shows `count`: those before and after a change. */
export function keepFor(count) {
  most.pictures = Math.max(LEAST.pictures, Math.min(3 * count, MOST_PICTURES));
  most.values = Math.max(LEAST.values, 2 * count);
  trim(held, most.pictures, closed);
  trim(raw, most.values);
  trim(painted, most.values, emptied);
}

/**
 * Give the tile's bitmap and what it shows, `image` and `look`, if it is here; else have it
 * fetched and call `come` when it is.
 */
export function tile(url, come, change = null) {
  if (change) return recoloured(url, come, change);
  const known = held.get(url);
  if (known) {
    held.delete(url);
    held.set(url, known);
    return known.image && { image: known.image, look: url };
  }
  const entry = { image: null };
  held.set(url, entry);
  decode(url)
    .then((image) => {
      entry.image = image;
      // it may have been let go of while it was under way
      if (held.get(url) === entry) come();
      else closed(entry);
    })
    .catch(() => held.get(url) === entry && held.delete(url));
  trim(held, most.pictures, closed);
  return null;
}

/** The same of a tile whose values become colours here, at once whenever the table changes. */
function recoloured(url, come, change) {
  const known = painted.get(url);
  const values = here(url) ?? asked(url);
  if (values instanceof Promise) {
    if (!heard.has(values)) values.then(come, () => {});
    heard.add(values);
    return null;
  }
  const key = change.key(() => valuesIn(values));
  const look = `${url} ${key}`;
  const image = known?.image ?? new OffscreenCanvas(values.width, values.height);
  if (known?.key !== key) image.getContext("2d").putImageData(change.paint(values), 0, 0);
  painted.delete(url);
  painted.set(url, { key, image });
  trim(painted, most.values, emptied);
  return { image, look };
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
    if (raw.get(url) === coming) raw.set(url, made); // nobody let go of it meanwhile
    return made;
  });
  raw.set(url, coming);
  coming.catch(() => raw.get(url) === coming && raw.delete(url));
  trim(raw, most.values);
  return coming;
}

export async function valuesOf(url) {
  return here(url) ?? asked(url);
}

/** The values of a tile, or a promise of them; undefined if nobody asked for it yet. */
function here(url) {
  const shown = held.get(url)?.image;
  if (!raw.has(url) && shown) {
    // it is on the screen as it is: nothing need be fetched
    raw.set(url, read(shown));
    trim(raw, most.values);
  }
  return raw.get(url);
}

/** An empty canvas to draw on and read at once: there is one for all, so that none waits to be freed. */
export function scratch(width, height) {
  [slate.canvas.width, slate.canvas.height] = [width, height];
  return slate;
}

const slate = new OffscreenCanvas(1, 1).getContext("2d", { willReadFrequently: true });

function read(image) {
  const { width, height } = image;
  const ctx = scratch(width, height);
  ctx.drawImage(image, 0, 0);
  const data = new Uint32Array(ctx.getImageData(0, 0, width, height).data.buffer);
  const values = new Uint16Array(data.length);
  for (let k = 0; k < data.length; k++) values[k] = data[k] & 0xffff;
  return { values, width, height };
}

/** Let go of the tiles of a picture that will not be shown again. */
export function forget(start) {
  for (const [map, gone] of [[held, closed], [raw, () => {}], [painted, emptied]])
    for (const [url, entry] of [...map])
      if (url.startsWith(start)) {
        gone(entry);
        map.delete(url);
      }
}

/** Let go of what was worked out beside the values of tiles, by its name. */
export function lighten(name) {
  for (const tile of raw.values()) delete tile[name];
}

const closed = ({ image }) => image?.close();

const emptied = ({ image }) => {
  image.width = image.height = 0;
};

function trim(map, room, gone = () => {}) {
  while (map.size > room) {
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

/** All values that are somewhere in a tile, found once. */
function valuesIn(tile) {
  if (!tile.there) {
    const met = new Uint8Array(65536);
    for (let k = 0; k < tile.values.length; k++) met[tile.values[k]] = 1;
    tile.there = [];
    for (let value = 0; value < 65536; value++) if (met[value]) tile.there.push(value);
  }
  return tile.there;
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
