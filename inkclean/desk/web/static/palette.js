// Colours to fill with: the book's first, then those of the page and of another picture.

import { numbers } from "./numbers.js";
import { button, el } from "./parts.js";

const MOST = 8; // colours that a picture gives
const APART = 34; // two of them are further apart than this, in CIELAB
const SIDE = 96; // px to which a picture is reduced before it is asked

export class Palette {
  /** `areas` are those filled; `chosen` hears the colour picked, `named` colour and name. */
  constructor(areas, chosen, named) {
    this.areas = areas;
    this.desk = areas.desk;
    this.colour = null;
    this.ref = ""; // the name of the book's colour that is picked
    this.extra = [];
    this.chosen = chosen;
    this.book = el("span", { class: "field", role: "group", "aria-label": "Colours of the book" });
    this.swatches = el("span", { class: "field", role: "group", "aria-label": "Colours of the page" });
    this.other = el("input", { type: "color", "aria-label": "Another colour" });
    this.other.value = "#c05a3a";
    this.other.addEventListener("input", () => this.pick(this.other.value));
    this.name = el("input", { type: "text", size: "11", autocomplete: "off" });
    this.name.addEventListener("change", () => {
      const words = this.name.value.trim();
      if (this.ref) return words && words !== this.ref && this.rename(words);
      if (words && this.colour && words !== this.nameOf(this.colour)) named(this.colour, words);
      return null;
    });
    this.change = el("input", { type: "color", "aria-label": "Change this colour on every page" });
    this.change.addEventListener("change", () => this.recolour(this.change.value));
    this.changing = el("label", {}, "On every page", this.change);
    this.keep = button("Into the book", () => this.intoBook());
    this.drop = button("Out of the book", () => this.outOfBook());
    const file = el("input", { type: "file", accept: "image/*", "aria-label": "Colours from a picture" });
    file.addEventListener("change", () => file.files[0] && this.borrow(file.files[0]));
    const borrow = el("span", { class: "file quiet" }, "Colours from a picture", file);
    const name = el("label", {}, "Name", this.name);
    this.parts = [this.book, this.swatches, this.other, name, this.changing, this.keep, this.drop, borrow];
  }

  get entries() {
    return (this.desk.state?.book ?? []).filter((one) => !one.gone);
  }

  get entry() {
    return this.ref ? this.desk.state.book.find((one) => one.name === this.ref) : undefined;
  }

  /** Give the colour picked another name; the name of another one makes the two one. */
  rename(words) {
    const { entry } = this;
    const like = (one) => one !== entry && !one.gone && one.name.toLowerCase() === words.toLowerCase();
    const other = this.desk.state.book.find(like);
    const was = new Set([...(other?.was ?? []), ...(entry.was ?? []), entry.name]);
    was.delete(other?.name ?? words);
    const made = { name: other?.name ?? words, colour: (other ?? entry).colour, was: [...was] };
    return this.booked(other ? [other, entry] : [entry], [made]);
  }

  recolour(colour) {
    const { entry } = this;
    return entry && colour !== entry.colour ? this.booked([entry], [{ ...entry, colour }]) : null;
  }

  /** What has this colour on the page refers to the book from now on. */
  intoBook() {
    const bind = this.colour;
    const name = this.name.value.trim() || this.nameOf(bind) || bind;
    const there = this.desk.state.book.find((one) => one.name.toLowerCase() === name.toLowerCase());
    const made = there ? { ...there, gone: false } : { name, colour: bind };
    return this.booked(there ? [there] : [], [made], bind);
  }

  outOfBook() {
    const { entry } = this;
    return this.booked([entry], [{ ...entry, gone: true }]);
  }

  /** Change colours of the book; what is on the screen follows at once. */
  async booked(out, into, bind) {
    const { palette, names, book } = this.areas.seen;
    const [made] = into;
    this.take(made.gone ? "" : made.name, made.colour);
    const meant = (ref, row) => out.some((one) => one.name === ref) || (bind && !ref && palette[row] === bind);
    const rows = book.flatMap((ref, row) => (meant(ref, row) ? [row] : []));
    for (const row of rows) [palette[row], names[row], book[row]] = [made.colour, made.name, made.name];
    this.areas.repaint();
    const done = await this.desk.act({ kind: "book", out, into, ...(bind && { bind }) });
    if (done === null) this.areas.snapshot(); // refused: as it was
    this.areas.repaint();
  }

  take(ref, colour) {
    this.ref = ref;
    this.colour = colour;
  }

  /** What an act says of the colour picked. */
  get said() {
    const { colour, ref } = this;
    return { colour, name: this.nameOf(colour), ...(ref && { book: ref }) };
  }

  /** The row of the colour picked among those of the page, a new one if it is not there. */
  row({ palette, names, book }) {
    const { colour, ref } = this;
    let row = palette.findIndex((one, n) => one === colour && book[n] === ref);
    if (row < 0) row = palette.push(colour) - 1;
    book[row] ??= ref;
    names[row] ??= this.nameOf(colour);
    return row;
  }

  get all() {
    const own = this.palette.map((colour, k) => [colour, this.names[k]]).filter((_, k) => !this.refs[k]);
    return [...own, ...this.extra.filter(([colour]) => !own.some(([one]) => one === colour))];
  }

  nameOf(colour) {
    if (this.ref && this.colour === colour) return this.ref;
    return this.all.find(([one]) => one === colour)?.[1] ?? "";
  }

  show({ palette, names, book }) {
    this.palette = palette;
    this.names = names;
    this.refs = book;
    const { entries, entry } = this;
    if (this.ref && !entry) {
      const now = this.desk.state.book.find((one) => (one.was ?? []).includes(this.ref));
      if (now) this.take(now.name, now.colour); // renamed in another window
    } else if (entry?.gone) this.take("", entry.colour);
    else if (entry) this.colour = entry.colour;
    if (!this.colour && entries.length) this.take(entries[0].name, entries[0].colour);
    this.name.maxLength = numbers.name_letters;
    if (!this.colour && palette.length > 1) this.colour = palette[1];
    if (document.activeElement !== this.name) this.name.value = this.nameOf(this.colour);
    if (this.colour) this.change.value = this.colour;
    this.changing.hidden = this.drop.hidden = !this.ref;
    this.keep.hidden = Boolean(this.ref) || !this.colour || this.colour === palette[0]; // paper stays paper
    this.book.hidden = !entries.length;
    const held = document.activeElement?.classList.contains("swatch") ? document.activeElement.dataset : null;
    this.lay(this.book, entries.map((one) => [one.colour, one.name, one.name]));
    this.lay(this.swatches, this.all.map(([colour, name]) => [colour, name, ""]));
    const same = (one) => one.dataset.colour === held.colour && one.dataset.ref === held.ref;
    if (held) [...this.book.children, ...this.swatches.children].find(same)?.focus();
  }

  /** Lay out a swatch for each row; those that are there stay: a finger may be on one. */
  lay(root, rows) {
    const rowsNow = JSON.stringify(rows);
    if (root.rows !== rowsNow) root.replaceChildren(...rows.map((row) => this.swatch(...row)));
    root.rows = rowsNow;
    const down = ({ colour, ref }) => colour === this.colour && ref === this.ref;
    for (const made of root.children) made.setAttribute("aria-pressed", `${down(made.dataset)}`);
  }

  swatch(colour, name, ref) {
    const words = name || colour;
    const made = button("", () => this.pick(colour, ref), { class: "swatch", "aria-label": words, title: words });
    made.dataset.colour = colour;
    made.dataset.ref = ref;
    const dot = el("canvas", { "aria-hidden": "true" });
    dot.width = dot.height = 8;
    const ctx = dot.getContext("2d");
    ctx.fillStyle = colour;
    ctx.fillRect(0, 0, 8, 8);
    made.append(dot);
    return made;
  }

  pick(colour, ref = "") {
    this.take(ref, colour);
    this.name.value = this.nameOf(colour);
    this.show(this.areas.seen);
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
function mainColours(image) {
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
