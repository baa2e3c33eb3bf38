// The sweeps of one piece, unrolled: one plot a clamping, the best grade's limit as a band.

import { el } from "./dom.js";
import { curve, drawing, percent } from "./panel.js";
import { svg } from "./shapes.js";
import { mark, MARKS, um } from "./words.js";

const SHOWN = 4;
const HEADROOM = 1.25; // times the last grade's limit at most

// Pieces of this lot that have sweeps, oldest first: [{piece, clampings}].
export function byPiece(clampings, lot) {
  const pieces = new Map();
  for (const clamping of clampings) {
    if (clamping.piece === null || clamping.lot !== lot) continue;
    if (!pieces.has(clamping.piece)) pieces.set(clamping.piece, []);
    pieces.get(clamping.piece).push(clamping);
  }
  return [...pieces].map(([piece, of]) => ({ piece, clampings: of.slice(-SHOWN) }));
}

export function drawSweeps({ piece, clampings }, grades) {
  const accepted = grades.map((grade) => grade.acceptance_um);
  const best = accepted[0] ?? 0;
  const widest = Math.max(...clampings.flatMap((each) => each.points.map((points) => spread(points.um))), 0);
  const most = Math.max(best, ...accepted) * HEADROOM;
  const height = Math.max(best * HEADROOM, Math.min(widest * 1.1, most || Infinity)) || 1;
  return {
    more: `piece ${piece}`,
    chart: clampings.map((each) => oneSweep(each, grades, best, height)),
    words: legend(clampings, best),
  };
}

const spread = (values) => (values.length ? Math.max(...values) - Math.min(...values) : 0);

function oneSweep(clamping, grades, best, height) {
  const plot = drawing();
  for (const side of best ? [-1, 1] : []) {
    const y = percent(50 - (side * 50 * best) / height);
    plot.append(svg("line", { x1: "0", x2: "100%", y1: y, y2: y, class: "limit" }));
  }
  clamping.points.forEach((points, index) => plot.append(...line(points, index, height)));
  const { sign, text } = MARKS[mark(clamping, grades)];
  const value = clamping.tir_um === null ? "" : um(clamping.tir_um);
  const label = el("figcaption", value ? "valued" : "", el("span", "sign", sign), value, el("span", "said", value ? "" : "invalid"), el("span", "unseen", ` ${text}${clamping.reason ? `: ${clamping.reason}` : ""}`));
  return el("figure", "sweep", plot, label);
}

function line({ at_ms, um: values }, index, height) {
  if (values.length < 2) return [];
  const [first, last] = [at_ms[0], at_ms.at(-1)];
  const middle = (Math.max(...values) + Math.min(...values)) / 2;
  const points = values.map((value, at) => {
    const x = (100 * (at_ms[at] - first)) / (last - first || 1);
    const y = 50 - (100 * (value - middle)) / height;
    return [x, Math.min(100, Math.max(0, y))];
  });
  return [curve(points, `curve curve-${Math.min(index, 2)}`)];
}

const STROKES = ["solid", "dashed", "dotted"];

function legend(clampings, best) {
  const positions = clampings.at(-1)?.points.map((points) => points.position) ?? [];
  const lines = positions.length > 1 ? positions.map((position, index) => `${position} ${STROKES[Math.min(index, 2)]}`).join(", ") : "";
  const band = best ? `Between the broken lines: ${um(best)} µm` : "";
  return [el("p", "legend", [band, lines].filter(Boolean).join("; "))];
}
