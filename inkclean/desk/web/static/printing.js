// How a page is printed: black lines, grey as dots of one ink, or spot inks with a plate each.

import { button, choice, el } from "./parts.js";

const WAYS = [["black", "Black lines"], ["grey", "Grey in dots"], ["spots", "Spot inks"]];
const GREYS = [["wash", "Wash"], ["pencil", "Pencil"], ["shade", "Shade"]];
const FIRST = [["blue", "#2a5db0"], ["red", "#d03030"]];
const MORE = [["yellow", "#ffd800"], ["green", "#2f8f5b"], ["violet", "#6b4fa0"], ["orange", "#f08a24"], ["pink", "#f06fa0"], ["brown", "#7a5230"]];

export class Printing {
  way = "black";
  lpi = 60;
  shape = "dots";
  greys = ["wash"];
  dots = false;
  spread = 0.2;
  inks = FIRST.map(([name, colour]) => ({ name, colour }));

  /** `make` is called when the files are wanted. */
  constructor(make) {
    this.make = make;
    this.fields = el("div", { class: "own" });
    const ways = el("div", { class: "own", role: "group", "aria-label": "Print in" }, ...choice(WAYS, this.way, (way) => {
      this.way = way;
      this.draw();
    }));
    this.panel = el("div", { class: "own" }, ways, this.fields);
    this.draw();
  }

  /** What the server is told; nothing for black lines alone. */
  said() {
    if (this.way === "black") return null;
    const screen = this.way === "grey" || this.dots ? { lpi: this.lpi, shape: this.shape } : {};
    if (this.way === "grey") return { ink: "grey", greys: this.greys, ...screen };
    return { ink: "spots", inks: this.inks, spread_mm: this.spread, ...screen };
  }

  draw() {
    const rows = { black: () => [], grey: () => this.grey(), spots: () => this.spots() }[this.way]();
    this.fields.replaceChildren(...rows, button("Make these files", () => this.make()));
  }

  grey() {
    const made = GREYS.map(([kind, words]) => toggle(words, this.greys.includes(kind), (on) => {
      this.greys = GREYS.map(([key]) => key).filter((key) => (key === kind ? on : this.greys.includes(key)));
    }));
    return [el("div", { class: "own", role: "group", "aria-label": "Dots are made of" }, ...made), ...this.screen()];
  }

  screen() {
    const shapes = choice([["dots", "Dots"], ["lines", "Lines"]], this.shape, (shape) => { this.shape = shape; });
    return [number("Lines per inch", this.lpi, 10, 300, 5, (v) => { this.lpi = v; }), ...shapes];
  }

  spots() {
    const rows = this.inks.map((ink, at) => {
      const name = el("input", { type: "text", value: ink.name, maxlength: "30", "aria-label": `Name of ink ${at + 1}` });
      name.addEventListener("change", () => { ink.name = name.value.trim(); });
      const colour = el("input", { type: "color", value: ink.colour, "aria-label": `Colour of ink ${at + 1}` });
      colour.addEventListener("change", () => { ink.colour = colour.value; });
      const gone = button("Remove", () => {
        this.inks.splice(at, 1);
        this.draw();
      }, { "aria-label": `Remove ink ${at + 1}` });
      return el("div", { class: "ink" }, colour, name, ...(this.inks.length > 1 ? [gone] : []));
    });
    const free = MORE.find(([name]) => !this.inks.some((ink) => ink.name === name));
    const more = button("Add an ink", () => {
      this.inks.push({ name: free[0], colour: free[1] });
      this.draw();
    });
    more.disabled = !free || this.inks.length >= 8;
    const dots = toggle("Tints in dots", this.dots, (on) => {
      this.dots = on;
      this.draw();
    });
    return [...rows, more, number("Colour under the lines, mm", this.spread, 0, 2, 0.1, (v) => { this.spread = v; }), dots, ...(this.dots ? this.screen() : [])];
  }
}

function toggle(words, now, changed) {
  const made = button(words, () => {
    const on = made.getAttribute("aria-pressed") !== "true";
    made.setAttribute("aria-pressed", `${on}`);
    changed(on);
  });
  made.setAttribute("aria-pressed", `${now}`);
  return made;
}

function number(words, now, from, to, step, changed) {
  const input = el("input", { type: "number", value: `${now}`, min: `${from}`, max: `${to}`, step: `${step}` });
  input.addEventListener("change", () => {
    const value = Math.min(to, Math.max(from, Number(input.value) || from));
    input.value = `${value}`;
    changed(value);
  });
  return el("label", {}, words, input);
}
