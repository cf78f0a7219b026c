// Places to check: gone through one by one, each answered yes or no by a tap or a key.

import { button } from "./parts.js";

const LEAST_PX = 26; // css px of a ring, at least
const SAME_MM = 0.02; // a place that was answered is told by where it lies

// what is asked of areas
export const ASKED = {
  gap: "this gap is open. Close it?",
  bridge: "this gap is closed by a bridge. Keep it?",
  line: "this line parts two areas. Keep them apart?",
};

export class Checks {
  /**
   * `all` gives the places (x, y, size), costliest first; `words` says what is asked at one;
   * `yes` and `no` do what the answer asks for; `across` mm around a place are shown at least.
   */
  constructor(desk, all, words, yes, no, across) {
    Object.assign(this, { desk, all, words, across });
    this.answers = { y: yes, n: no };
    this.place = null;
    this.yes = button("Yes", () => this.answer("y"), { title: "Key: Y" });
    this.no = button("No", () => this.answer("n"), { title: "Key: N" });
    this.next = button("Next", () => this.step());
    this.parts = [this.yes, this.no, this.next];
  }

  get left() {
    const { checked } = this.desk.state;
    const open = ({ x, y }) => !checked.some(([u, v]) => Math.hypot(u - x, v - y) < SAME_MM);
    return this.all().filter((place) => open(place) && !place.answered);
  }

  /** Show how many are left; a place that is gone is asked about no more. */
  refresh() {
    const { left } = this;
    if (this.place && !left.includes(this.place)) {
      const { x, y } = this.place;
      this.place = left.find((one) => Math.hypot(one.x - x, one.y - y) < SAME_MM) ?? null;
    }
    const held = [this.yes, this.no].includes(document.activeElement);
    this.yes.hidden = this.no.hidden = !this.place;
    if (held && !this.place) this.desk.view.canvas.focus(); // the keyboard goes on from there
    this.next.disabled = !left.length;
    this.next.textContent = left.length ? `${this.place ? "Next" : "Begin"} (${left.length} to check)` : "Nothing to check";
  }

  /** Go to the next place, from the first on. */
  step() {
    const { left } = this;
    const at = left.indexOf(this.place);
    this.show(left[(at + 1) % left.length] ?? null, at + 1 >= left.length ? 0 : at + 1);
  }

  show(place, number) {
    this.place = place;
    this.refresh();
    if (!place) return this.desk.say("Nothing to check.");
    this.desk.view.visit(place.x, place.y, Math.max(this.across, 3 * place.size));
    return this.desk.say(`${number + 1} of ${this.left.length}: ${this.words(place)}`);
  }

  async answer(key) {
    const { place, left } = this;
    if (!place) return;
    const number = left.indexOf(place);
    place.answered = true;
    const rest = this.left;
    this.show(rest[number % Math.max(1, rest.length)] ?? null, number % Math.max(1, rest.length));
    if ((await this.answers[key](place)) === null) place.answered = false;
    this.refresh();
  }

  /** A tap: go to the place under the finger. */
  point(at) {
    const { left } = this;
    const away = left.map(({ x, y, size }) => Math.hypot(x - at[0], y - at[1]) - size / 2);
    const number = away.indexOf(Math.min(...away));
    if (number >= 0 && away[number] < 30 / this.desk.view.k) this.show(left[number], number);
  }

  /** A key of the keyboard: Y, N. */
  key(name) {
    if (!this.place || !(name in this.answers)) return false;
    this.answer(name);
    return true;
  }

  /** Leave a place as it is, for good. */
  right({ x, y }) {
    return this.desk.act({ kind: "checked", at: [x, y] });
  }

  draw(ctx, k) {
    this.left.forEach((place, number) => {
      const now = place === this.place;
      const r = Math.max(0.6 * Math.min(place.size, 16), LEAST_PX / k);
      for (const [width, colour] of [[now ? 7 : 5, "#fff"], [now ? 4 : 2.5, now ? "#1d5266" : "#b4540a"]]) {
        ctx.lineWidth = width / k;
        ctx.strokeStyle = colour;
        ctx.beginPath();
        ctx.arc(place.x, place.y, r, 0, 7);
        ctx.stroke();
      }
      // which marks it is about, so few that they can be told apart
      const marks = now ? [...(place.specks ?? []), ...(place.kept ?? [])] : [];
      ctx.lineWidth = 1.5 / k;
      ctx.strokeStyle = "#b4540a";
      for (const [x, y, size] of marks.length <= 60 ? marks : []) {
        ctx.beginPath();
        ctx.arc(x, y, Math.max(size, 6 / k), 0, 7);
        ctx.stroke();
      }
      ctx.font = `600 ${18 / k}px sans-serif`;
      ctx.lineWidth = 5 / k;
      ctx.strokeStyle = "#fff";
      ctx.fillStyle = now ? "#1d5266" : "#8f3d14";
      ctx.strokeText(`${number + 1}`, place.x + r + 4 / k, place.y + 6 / k);
      ctx.fillText(`${number + 1}`, place.x + r + 4 / k, place.y + 6 / k);
    });
  }
}
