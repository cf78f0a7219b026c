// The desk: which page, which station, and what the server tells of them.

import { Areas } from "./areas.js";
import { Ink } from "./ink.js";
import { get, listen, post } from "./net.js";
import { learn } from "./numbers.js";
import { button, el } from "./parts.js";
import { Sheet } from "./sheet.js";
import { Shelf } from "./shelf.js";
import { Take } from "./take.js";
import { forget } from "./tiles.js";
import { View } from "./view.js";

const $ = (id) => document.getElementById(id);

class Desk {
  constructor() {
    this.view = new View($("page"));
    this.hand = $("hand");
    this.handles = $("handles");
    this.wipe = $("wipe");
    this.page = this.last = null; // the page that is open, and that which was so last
    this.state = null;
    this.sent = 0; // edits that are not answered yet
    this.turn = Promise.resolve(); // until the last of them is
    this.early = []; // what was heard of a page before its state had come
    this.latest = 0; // how often the page was changed, as far as was heard
    this.share = 0.5;
    this.shelf = new Shelf($("shelf"), this);
    this.stations = { sheet: new Sheet(this), ink: new Ink(this), areas: new Areas(this), take: new Take(this) };
    this.now = null;
    this.edge();
    this.wiping();
    listen(
      (event) => this.hear(event),
      () => this.say("The desk does not answer. Your work is saved. If the desk was stopped, start it again and use the address it prints.", true),
      () => this.again(),
    );
    document.addEventListener("keydown", (e) => {
      if (!(e.ctrlKey || e.metaKey) || e.key.toLowerCase() !== "z" || !this.page) return;
      e.preventDefault();
      this.step(e.shiftKey ? "redo" : "undo");
    });
    document.addEventListener("keydown", (e) => {
      if (e.ctrlKey || e.metaKey || e.altKey || e.target.matches?.("input, select")) return;
      if (this.now?.key?.(e.key.toLowerCase())) e.preventDefault();
    });
    this.trying(() => this.shelf.refresh()).then(() => this.lay());
  }

  edge() {
    this.pages = button("Pages", () => this.lay(), { icon: "pages" });
    const names = { sheet: "Sheet", ink: "Ink", areas: "Areas", take: "Get files" };
    this.steps = {};
    for (const [key, words] of Object.entries(names)) {
      this.steps[key] = button(words, () => this.go(key), { class: "station" });
      this.steps[key].dataset.station = key;
    }
    this.back = button("Undo", () => this.step("undo"), { icon: "undo", quiet: true });
    this.forth = button("Redo", () => this.step("redo"), { icon: "redo", quiet: true });
    this.whole = button("Whole page", () => this.view.fit(), { icon: "fit", quiet: true });
    $("edge").append(this.pages, ...Object.values(this.steps), this.back, this.forth, this.whole);
  }

  /** Lay out the pages. */
  lay() {
    this.leave();
    this.page = null;
    this.state = null;
    this.hand.hidden = true;
    $("shelf").hidden = false;
    this.shelf.show();
    this.marks();
    this.say(this.shelf.pages.length ? "Tap a page to open it." : "");
  }

  async open(id) {
    await this.trying(async () => {
      if (this.last !== id) forget(`api/pages/${this.last}/`);
      this.leave();
      this.page = this.last = id;
      this.state = null;
      this.early = [];
      const state = await get(`api/pages/${id}`).catch((error) => {
        if (this.page === id) this.page = null;
        throw error;
      });
      if (this.page !== id || this.state) return; // another one was opened meanwhile
      this.state = state;
      this.latest = this.state.count;
      learn(this.state.numbers);
      $("shelf").hidden = true;
      this.hand.hidden = false;
      this.view.layers = [];
      this.go("sheet");
      const newer = ({ event, stage, said }) => event !== "stage" || said.n > (this.state.stages[stage]?.n ?? -1);
      for (const event of this.early) if (newer(event)) this.hear(event);
    });
  }

  leave() {
    this.now?.leave?.();
    this.view.home();
    this.now = null;
    this.view.tool = null;
    this.view.overlay = null;
    this.view.moved = null;
    this.handles.replaceChildren();
    this.wipe.hidden = true;
    this.view.wipe = null;
  }

  go(key) {
    if (!this.page) return;
    this.leave();
    this.now = this.stations[key];
    this.key = key;
    this.hand.replaceChildren();
    this.say("");
    this.now.enter();
    if (this.view.fits) this.view.fit();
    this.marks();
    this.bring();
  }

  bring() {
    const goal = this.now?.goal;
    if (goal) this.trying(() => post(`api/pages/${this.page}/bring/${goal}`));
  }

  /** Say in the document how far the page is, for whoever watches it from outside. */
  tellStages() {
    const stages = Object.entries(this.state?.stages ?? {});
    const made = stages.map(([name, said]) => `${name}:${said.key ?? said.use}`);
    document.body.dataset.stages = made.join(" ");
    document.body.dataset.count = `${this.state?.count ?? ""}`;
  }

  marks() {
    this.tellStages();
    for (const [key, made] of Object.entries(this.steps)) {
      made.disabled = !this.page;
      if (this.page && key === this.key) made.setAttribute("aria-current", "step");
      else made.removeAttribute("aria-current");
    }
    this.back.disabled = !this.state?.undo;
    this.forth.disabled = !this.state?.redo;
    this.whole.disabled = !this.page;
    if (this.page) this.pages.removeAttribute("aria-current");
    else this.pages.setAttribute("aria-current", "page");
  }

  /** Keep an edit; the page follows. */
  async act(act) {
    return this.trying(async () => {
      const state = await this.edit("acts", act);
      if (state.note) this.say(state.note);
      return state;
    });
  }

  async step(way) {
    if (!this.page) return;
    await this.trying(async () => {
      const state = await this.edit(way, null);
      this.say([way === "undo" ? "Undone." : "Redone.", state.note].filter(Boolean).join(" "));
    });
  }

  /** Send an edit; the server has the page follow it to what is looked at, without being asked. */
  async edit(way, words) {
    const { page } = this;
    const goal = this.now?.goal;
    this.sent += 1;
    // edits count in the order in which they were made: each waits for the answer to the one before
    const answer = this.turn.then(() => post(`api/pages/${page}/${way}${goal ? `?goal=${goal}` : ""}`, words));
    this.turn = answer.catch(() => {});
    try {
      const state = await answer;
      this.adopt(state);
      this.marks();
      this.now?.changed?.();
      if (this.now?.goal !== goal) this.bring();
      return state;
    } finally {
      this.sent -= 1;
      if (!this.sent && page === this.page && this.latest > this.state?.count) this.elsewhere();
    }
  }

  /** Take over a newer state; what was heard of the stages meanwhile is not forgotten. */
  adopt(state) {
    if (state.id !== this.page || !this.state) return;
    state.stages ??= this.state.stages;
    for (const [name, said] of Object.entries(this.state.stages))
      if ((said.n ?? 0) > (state.stages[name]?.n ?? 0)) state.stages[name] = said;
    if (state.count >= this.state.count) this.state = state;
  }

  follow() {
    this.marks();
    this.now?.changed?.();
    this.bring();
  }

  hear(event) {
    if (event.event === "shelf") this.trying(() => this.shelf.refresh());
    if (!this.page || event.page !== this.page) return;
    if (!this.state) {
      this.early.push(event);
      return;
    }
    if (event.event === "changed") {
      this.latest = event.count;
      // what was sent from here is answered by itself
      if (!this.sent && event.count > this.state.count) this.elsewhere();
    }
    if (event.event === "stage") {
      const old = this.state.stages[event.stage];
      this.state.stages[event.stage] = event.said;
      this.now?.stage?.(event.stage);
      this.release(old, event.said);
      this.tellStages();
    }
    if (event.event === "done") this.now?.done?.();
    if (event.event === "failed") this.say(event.why, true);
    if (event.event === "taking" || event.event === "taken") this.stations.take.hear(event);
  }

  /** Let go of the pictures that a stage told of before, unless they are still on the screen. */
  release(old, said) {
    for (const name of ["picture", "flat"])
      if (old?.[name] && old[name] !== said[name] && !this.view.shows(old[name])) forget(`${this.base(old[name])}/`);
  }

  /** Another tab changed the page. */
  async elsewhere() {
    await this.trying(async () => {
      const state = await get(`api/pages/${this.page}`);
      if (!this.state || state.count <= this.state.count) return;
      this.adopt(state);
      this.follow();
    });
  }

  async again() {
    this.say("The desk is back. Nothing is lost.");
    await this.trying(async () => {
      await this.shelf.refresh();
      if (!this.state) return;
      this.state.stages = {};
      this.adopt(await get(`api/pages/${this.page}`));
      this.follow();
    });
  }

  async trying(what) {
    try {
      return await what();
    } catch (error) {
      if (error?.name !== "Error" && !(error instanceof Error)) throw error;
      this.say(error.message, true);
      return null;
    }
  }

  say(words, doubt = false) {
    $("say").textContent = words;
    $("say").classList.toggle("doubt", doubt);
  }

  /** Say one line, and the rest of it to whoever opens it; what was opened stays open. */
  sayShort(line, rest) {
    const open = Boolean($("say").querySelector("details")?.open);
    $("say").classList.remove("doubt");
    $("say").replaceChildren(el("details", { open }, el("summary", {}, line), ` ${rest}`));
  }

  progress(words, share) {
    const bar = el("progress", { max: "1" });
    bar.value = share;
    bar.setAttribute("aria-label", words);
    $("say").classList.remove("doubt");
    $("say").replaceChildren(`${words} `, bar);
  }

  /** Show the wipe line between the layers of side left and right. */
  showWipe() {
    this.wipe.hidden = false;
    this.placeWipe(this.share);
  }

  hideWipe() {
    this.wipe.hidden = true;
    this.view.wipe = null;
    this.view.draw();
  }

  placeWipe(share) {
    this.share = Math.max(0, Math.min(1, share));
    const x = this.share * this.view.canvas.clientWidth;
    this.wipe.style.left = `${x}px`;
    this.wipe.setAttribute("aria-valuenow", `${Math.round(100 * this.share)}`);
    this.view.wipe = x;
    this.view.draw();
  }

  wiping() {
    const w = this.wipe;
    const follow = (e) => {
      const box = this.view.canvas.getBoundingClientRect();
      this.placeWipe((e.clientX - box.left) / box.width);
    };
    w.addEventListener("pointerdown", (e) => w.setPointerCapture(e.pointerId));
    w.addEventListener("pointermove", (e) => w.hasPointerCapture(e.pointerId) && follow(e));
    w.addEventListener("keydown", (e) => {
      const step = { ArrowLeft: -0.02, ArrowRight: 0.02, Home: -1, End: 1 }[e.key];
      if (!step) return;
      e.preventDefault();
      this.placeWipe(this.share + step);
    });
    new ResizeObserver(() => !w.hidden && this.placeWipe(this.share)).observe(this.view.canvas);
  }

  /** Where the tiles of a picture are. */
  base(picture) {
    return `api/pages/${this.page}/tiles/${picture}`;
  }

  /** A layer of the view from a stage that has a picture. */
  layer(name, said, picture, per, more = {}) {
    const base = this.base(picture);
    return {
      name, picture, per, start: `${base}/`, width: said.width, height: said.height, levels: said.levels,
      url: (level, column, row) => `${base}/${level}/${column}/${row}`,
      ...more,
    };
  }
}

new Desk();
