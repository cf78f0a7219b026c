// Colours to fill with: those of the page, those of another picture, and their names.

import { numbers } from "./numbers.js";
import { button, el } from "./parts.js";

const MOST = 8; // colours that a picture gives
const APART = 34; // two of them are further apart than this, in CIELAB
const SIDE = 96; // px to which a picture is reduced before it is asked

export class Palette {
  /** `chosen` hears the colour picked, `named` colour and name. */
  constructor(desk, chosen, named) {
    this.desk = desk;
    this.colour = null;
    this.extra = [];
    this.chosen = chosen;
    this.swatches = el("span", { class: "field", role: "group", "aria-label": "Colours of the page" });
    this.other = el("input", { type: "color", "aria-label": "Another colour" });
    this.other.value = "#c05a3a";
    this.other.addEventListener("input", () => this.pick(this.other.value));
    this.name = el("input", { type: "text", size: "11", autocomplete: "off" });
    this.name.addEventListener("change", () => {
      const words = this.name.value.trim();
      if (words && this.colour && words !== this.nameOf(this.colour)) named(this.colour, words);
    });
    const file = el("input", { type: "file", accept: "image/*", "aria-label": "Colours from a picture" });
    file.addEventListener("change", () => file.files[0] && this.borrow(file.files[0]));
    const borrow = el("span", { class: "file quiet" }, "Colours from a picture", file);
    this.parts = [this.swatches, this.other, el("label", {}, "Name", this.name), borrow];
  }

  get all() {
    const own = this.palette.map((colour, k) => [colour, this.names[k]]);
    return [...own, ...this.extra.filter(([colour]) => !this.palette.includes(colour))];
  }

  nameOf(colour) {
    return this.all.find(([one]) => one === colour)?.[1] ?? "";
  }

  show(palette, names) {
    this.palette = palette;
    this.names = names;
    this.name.maxLength = numbers.name_letters;
    if (!this.colour && palette.length > 1) this.colour = palette[1];
    if (document.activeElement !== this.name) this.name.value = this.nameOf(this.colour);
    const held = this.swatches.contains(document.activeElement) ? document.activeElement.dataset.colour : null;
    this.swatches.replaceChildren(...this.all.map(([colour, name]) => this.swatch(colour, name)));
    if (held) this.swatches.querySelector(`[data-colour="${held}"]`)?.focus();
  }

  swatch(colour, name) {
    const words = name || colour;
    const made = button("", () => this.pick(colour), { class: "swatch", "aria-label": words, title: words });
    made.dataset.colour = colour;
    const dot = el("canvas", { "aria-hidden": "true" });
    dot.width = dot.height = 8;
    const ctx = dot.getContext("2d");
    ctx.fillStyle = colour;
    ctx.fillRect(0, 0, 8, 8);
    made.append(dot);
    made.setAttribute("aria-pressed", `${colour === this.colour}`);
    return made;
  }

  pick(colour) {
    this.colour = colour;
    this.name.value = this.nameOf(colour);
    this.show(this.palette, this.names);
    this.chosen();
    this.desk.say(`${this.nameOf(colour) || colour} selected. Tap an area to fill it.`);
  }

  /** Offer the main colours of a picture; it stays in the browser. */
  async borrow(file) {
    try {
      const image = await createImageBitmap(file);
      const found = mainColours(image);
      image.close();
      this.extra = found.map((colour) => [colour, ""]);
      this.desk.say(`${found.length} colours from ${file.name}. Choose one, then tap an area.`);
      this.pick(found[0]);
    } catch {
      this.desk.say(`${file.name} cannot be opened here. Choose a JPEG, PNG or WebP.`, true);
    }
  }
}

/** The colours that cover most of a picture, each clearly unlike the others. */
export function mainColours(image) {
  const scale = Math.min(1, SIDE / Math.max(image.width, image.height));
  const canvas = new OffscreenCanvas(Math.max(1, Math.round(image.width * scale)), Math.max(1, Math.round(image.height * scale)));
  const ctx = canvas.getContext("2d");
  ctx.imageSmoothingQuality = "high";
  ctx.drawImage(image, 0, 0, canvas.width, canvas.height);
  const { data } = ctx.getImageData(0, 0, canvas.width, canvas.height);
  // counted in boxes of 16 codes a channel; a box's colour is the mean of what fell into it
  const boxes = new Map();
  for (let k = 0; k < data.length; k += 4) {
    if (data[k + 3] < 128) continue;
    const key = ((data[k] >> 4) << 8) | ((data[k + 1] >> 4) << 4) | (data[k + 2] >> 4);
    const box = boxes.get(key) ?? [0, 0, 0, 0];
    for (const n of [0, 1, 2]) box[n] += data[k + n];
    box[3] += 1;
    boxes.set(key, box);
  }
  const rows = [...boxes.values()].map(([r, g, b, n]) => {
    const rgb = [r / n, g / n, b / n];
    const at = lab(rgb);
    // a little of a strong colour is worth as much as a lot of a dull one
    return { rgb, lab: at, worth: n * (1 + Math.hypot(at[1], at[2]) / 12) };
  });
  rows.sort((a, b) => b.worth - a.worth);
  const kept = [];
  for (let far = APART; kept.length < MOST && far > 8; far *= 0.75)
    for (const row of rows) {
      if (kept.length >= MOST) break;
      if (kept.every((one) => Math.hypot(...one.lab.map((v, n) => v - row.lab[n])) > far)) kept.push(row);
    }
  return kept.map(({ rgb }) => "#" + rgb.map((v) => Math.round(v).toString(16).padStart(2, "0")).join(""));
}

/** sRGB codes to CIELAB under D65 (CIE 15; IEC 61966-2-1). */
function lab(rgb) {
  const [r, g, b] = rgb.map((v) => v / 255).map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4));
  const x = (0.4124 * r + 0.3576 * g + 0.1805 * b) / 0.9505;
  const y = 0.2126 * r + 0.7152 * g + 0.0722 * b;
  const z = (0.0193 * r + 0.1192 * g + 0.9505 * b) / 1.089;
  const [p, q, s] = [x, y, z].map((t) => (t > 216 / 24389 ? Math.cbrt(t) : (841 / 108) * t + 4 / 29));
  return [116 * q - 16, 500 * (p - q), 200 * (q - s)];
}
