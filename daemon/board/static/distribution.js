// First clampings of the lot: how many in each class, against the limits.

import { el } from "./dom.js";
import { drawing, footLabels, percent } from "./panel.js";
import { svg } from "./shapes.js";
import { um } from "./words.js";

const ROOM = 1.6; // times the best grade's limit at least

// Classes given by their upper edges, and one more count for what lies above the last.
export function drawDistribution(recent, grades) {
  const edges = recent?.histogram_um ?? [];
  const counts = recent?.histogram ?? [];
  const n = counts.reduce((sum, count) => sum + count, 0);
  if (!edges.length || !n) return null;
  const best = grades[0]?.acceptance_um ?? 0;
  const wanted = edges.findIndex((edge) => edge >= best * ROOM);
  const used = counts.findLastIndex((count) => count > 0);
  const classes = Math.max(used, wanted) + 1;
  const top = edges[Math.min(classes, edges.length) - 1];
  const width = 100 / classes;
  const isAbove = classes > edges.length; // the open class has a bar of its own
  const scale = isAbove ? (100 - width) / top : 100 / top;
  const most = Math.max(...counts);
  const bars = counts.slice(0, classes).map((count, index) => {
    const from = index ? edges[index - 1] : 0;
    const isOpen = index >= edges.length;
    const height = (100 * count) / most;
    return svg("rect", {
      x: percent(isOpen ? 100 - width : from * scale),
      width: percent(isOpen ? width : (edges[index] - from) * scale),
      y: percent(100 - height),
      height: percent(height),
      class: isOpen ? "bar open" : "bar",
    });
  });
  const limits = grades.map((grade) => grade.acceptance_um).filter((limit) => limit <= top);
  const lines = limits.map((limit) => {
    const x = percent(limit * scale);
    return svg("line", { x1: x, x2: x, y1: "0", y2: "100%", class: "limit" });
  });
  const base = svg("line", { x1: "0", x2: "100%", y1: "100%", y2: "100%", class: "base" });
  return {
    more: `n ${n}`,
    chart: [drawing(...bars, base, ...lines), footLabels(limits.map((limit) => ({ at: limit * scale, text: `${um(limit)} µm` })))],
    words: [inWords(edges, counts)],
  };
}

function inWords(edges, counts) {
  const told = counts.map((count, index) => {
    const from = index ? `above ${um(edges[index - 1])}` : "";
    const to = index < edges.length ? `up to ${um(edges[index])}` : "";
    return count ? `${[from, to].filter(Boolean).join(" ")} µm: ${count}` : "";
  });
  return el("p", "unseen", told.filter(Boolean).join("; "));
}
