// One bench looked at closely: its last pieces, distribution, sweeps, and the bench's own fitness.

import { el } from "./dom.js";
import { drawDistribution } from "./distribution.js";
import { drawFitness, fitnessTables } from "./fitness.js";
import { Panel } from "./panel.js";
import { drawPieces, pieceRows } from "./pieces.js";
import { byPiece, drawSweeps } from "./sweeps.js";
import { isLive } from "./words.js";

const AGAIN_MS = 3000;

export class Detail {
  // `drawn` is called when sweeps came that change what there is to see.
  constructor(id, drawn) {
    this.id = id;
    this.drawn = drawn;
    this.clampings = [];
    this.number = null; // of the sweeps that are here
    this.asked = null;
    this.askedMs = -Infinity;
    this.chosen = null; // a piece whose sweeps somebody wants to keep in sight
    this.build();
  }

  build() {
    this.pieces = new Panel(this.id, "pieces", "Last pieces");
    this.each = new Panel(this.id, "each", "Piece by piece");
    this.each.chart.className = "rows";
    this.firsts = new Panel(this.id, "firsts", "First clampings");
    this.sweeps = new Panel(this.id, "sweeps", "Sweeps");
    this.fitness = new Panel(this.id, "fitness", "Bench over time");
    this.checks = new Panel(this.id, "checks", "Check by check");
    this.checks.chart.className = "rows";
    this.earlier = this.button("Earlier piece", -1);
    this.later = this.button("Later piece", 1);
    this.sweeps.body.append(el("div", "turning", this.earlier, this.later));
    this.panels = [this.pieces, this.firsts, this.sweeps, this.fitness, this.each, this.checks];
  }

  button(text, by) {
    const button = el("button", "", text);
    button.type = "button";
    button.addEventListener("click", () => this.turn(by));
    return button;
  }

  turn(by) {
    const held = this.held();
    const at = held.indexOf(this.shown(held)) + by;
    this.chosen = at >= held.length - 1 ? null : held[Math.max(0, at)].piece;
    this.drawn();
  }

  held = () => byPiece(this.clampings, this.bench?.lot?.lot ?? null);
  shown = (held) => held.find((each) => each.piece === this.chosen) ?? held.at(-1) ?? null;

  // Draws what is known; a bench that is not live has nothing to be looked at closely.
  update(bench) {
    this.bench = bench;
    const live = isLive(bench);
    const whose = bench.about?.title || this.id;
    const grades = bench.lot?.grades ?? [];
    const bins = bench.about?.bins ?? [];
    const pieces = live ? (bench.recent?.pieces ?? []) : [];
    this.pieces.draw(whose, [pieces, grades], () => (pieces.length ? { chart: drawPieces(pieces, grades) } : null));
    this.each.draw(whose, [pieces, grades, bins], () =>
      pieces.length ? { chart: pieceRows(pieces, grades, bins, pieces.length) } : null);
    const recent = live ? bench.recent : null;
    this.firsts.draw(whose, [recent?.histogram, recent?.histogram_um, grades], () => drawDistribution(recent, grades));
    const told = [recent?.checks, recent?.zero_drift_um, recent?.holder];
    this.fitness.draw(whose, told, () => drawFitness(recent));
    this.checks.draw(whose, told, () => {
      const chart = fitnessTables(recent);
      return chart.length ? { chart } : null;
    });
    this.drawSweeps(whose, grades, live);
    this.load();
  }

  drawSweeps(whose, grades, live) {
    const held = live ? this.held() : [];
    const shown = this.shown(held);
    const at = held.indexOf(shown);
    this.sweeps.draw(whose, [shown, grades], () => (shown ? drawSweeps(shown, grades) : null));
    this.earlier.disabled = at <= 0;
    this.later.disabled = at >= held.length - 1;
  }

  // Fetches the sweeps when the server has others; a lost answer is asked for again.
  async load() {
    const wanted = this.bench?.sweeps ?? null;
    const now = performance.now();
    if (wanted === this.number || (wanted === this.asked && now - this.askedMs < AGAIN_MS)) return;
    this.asked = wanted;
    this.askedMs = now;
    try {
      const answer = await fetch(`sweeps/${this.id}`);
      if (!answer.ok) return;
      this.clampings = await answer.json();
      this.number = wanted;
      this.drawn();
    } catch {
      // the server is away; the page says so itself
    }
  }

  // Panels that take a place on the wall; tables are there for whoever reads or listens near by.
  get filled() {
    return this.panels.filter((panel) => panel.isFilled && panel !== this.each && panel !== this.checks);
  }

  remove() {
    for (const panel of this.panels) panel.element.remove();
  }
}
