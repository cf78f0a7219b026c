// Small parts of the page: elements, our own icons, sliders.

const DRAWN = {
  pages: "M5 5h10l4 4v11H5z M9 3h10v12",
  undo: "M4 10c5-6 15-4 15 5 0 2-1 4-2 5 M4 10l6 2 M4 10l1-6",
  redo: "M20 10c-5-6-15-4-15 5 0 2 1 4 2 5 M20 10l-6 2 M20 10l-1-6",
  turn: "M7 4h9v16H7z M19 12c2 4-1 8-5 9 M19 12l-3 2 M19 12l2 3",
  left: "M19 12H6 M11 6c-1 3-3 5-5 6 2 1 4 3 5 6",
  right: "M5 12h13 M13 6c1 3 3 5 5 6-2 1-4 3-5 6",
  fit: "M4 9V4h5 M15 4h5v5 M20 15v5h-5 M9 20H4v-5",
};

export function icon(name) {
  const space = "http://www.w3.org/2000/svg";
  const svg = document.createElementNS(space, "svg");
  svg.setAttribute("viewBox", "0 0 24 24");
  svg.setAttribute("aria-hidden", "true");
  const path = document.createElementNS(space, "path");
  path.setAttribute("d", DRAWN[name]);
  for (const [key, value] of [["fill", "none"], ["stroke", "currentColor"], ["stroke-width", "2"]])
    path.setAttribute(key, value);
  path.setAttribute("stroke-linecap", "round");
  path.setAttribute("stroke-linejoin", "round");
  svg.append(path);
  return svg;
}

export function el(tag, more = {}, ...inside) {
  const made = document.createElement(tag);
  for (const [key, value] of Object.entries(more)) {
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else if (key in made && typeof value !== "string") made[key] = value;
    else made.setAttribute(key, value);
  }
  made.append(...inside);
  return made;
}

export function button(words, act, more = {}) {
  const { icon: drawn, quiet, ...rest } = more;
  const made = el("button", { type: "button", onclick: act, ...rest });
  if (drawn) made.append(icon(drawn));
  if (quiet) made.setAttribute("aria-label", words);
  else made.append(words);
  if (quiet) made.title = words;
  return made;
}

/** A slider with its value in words beside it; `put` sets it from outside. */
export function slider(words, from, to, step, value, moved, settled, spelt = (v) => `${v}`) {
  const input = el("input", { type: "range", min: `${from}`, max: `${to}`, step: `${step}` });
  const shown = el("output", { "aria-hidden": "true" });
  const tell = () => {
    shown.textContent = spelt(Number(input.value));
    input.setAttribute("aria-valuetext", shown.textContent);
  };
  const made = el("label", {}, words, input, shown);
  made.put = (v) => {
    input.value = v;
    tell();
  };
  input.addEventListener("input", () => {
    tell();
    moved(Number(input.value));
  });
  input.addEventListener("change", () => settled(Number(input.value)));
  made.put(value);
  return made;
}

/** Buttons of which one is down at a time; `chosen` hears which. */
export function choice(words, now, chosen) {
  const all = words.map(([key, text]) => {
    const made = button(text, () => {
      for (const other of all) other.setAttribute("aria-pressed", `${other === made}`);
      chosen(key);
    });
    made.setAttribute("aria-pressed", `${key === now}`);
    return made;
  });
  return all;
}
