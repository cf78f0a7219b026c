// Tiles of pictures: fetched once, kept while there is room.

import { at } from "./net.js";

export const TILE = 512;
const MOST = 260;
const held = new Map(); // url → {image} or {image: null} while under way

/** Give the tile's bitmap if it is here; else have it fetched and call `come` when it is. */
export function tile(url, come, change = null) {
  const key = change ? `${url} ${change.key}` : url;
  const known = held.get(key);
  if (known) {
    held.delete(key);
    held.set(key, known);
    return known.image;
  }
  const entry = { image: null };
  held.set(key, entry);
  load(url, change)
    .then((image) => {
      entry.image = image;
      come();
    })
    .catch(() => held.delete(key));
  while (held.size > MOST) {
    const [oldest, gone] = held.entries().next().value;
    gone.image?.close();
    held.delete(oldest);
  }
  return null;
}

const raw = new Map(); // label tiles before they are coloured

async function load(url, change) {
  if (!change) return decode(url);
  if (!raw.has(url)) {
    raw.set(url, decode(url).then(labelsOf));
    if (raw.size > 120) raw.delete(raw.keys().next().value);
  }
  return createImageBitmap(change.paint(await raw.get(url)));
}

async function decode(url) {
  const reply = await fetch(at(url));
  if (reply.status !== 200) throw new Error("gone");
  return createImageBitmap(await reply.blob(), { colorSpaceConversion: "none" });
}

function labelsOf(image) {
  const canvas = new OffscreenCanvas(image.width, image.height);
  const ctx = canvas.getContext("2d", { willReadFrequently: true });
  ctx.drawImage(image, 0, 0);
  const { data } = ctx.getImageData(0, 0, image.width, image.height);
  const labels = new Uint16Array(image.width * image.height);
  for (let k = 0; k < labels.length; k++) labels[k] = data[4 * k] | (data[4 * k + 1] << 8);
  return { labels, width: image.width, height: image.height };
}

/** The label under a place of the full picture, from the tile there; 0 where unknown. */
export async function labelAt(url, x, y) {
  if (!raw.has(url)) raw.set(url, decode(url).then(labelsOf));
  const { labels, width } = await raw.get(url);
  return labels[y * width + x] ?? 0;
}
