// The holder's share of the run-out over time: the line is what is known, the band its doubt.

import { el } from "./dom.js";
import { curve, drawing, footLabels, percent, sideLabels } from "./panel.js";
import { svg } from "./shapes.js";
import { clockTime, um } from "./words.js";

const HEADROOM = 1.25;
const STROKES = ["solid", "dashed", "dotted"];

// One line a position; across: first clampings since the holder last left the spindle.
export function drawHolder(recent) {
  const series = (recent?.holder ?? []).filter((each) => each.points.length);
  if (!series.length) return null;
  const limits = [...new Set(series.map((each) => each.limit_um).filter((limit) => limit !== null))];
  const all = series.flatMap((each) => each.points);
  const top = HEADROOM * Math.max(...limits, ...all.map((point) => point.share_um)) || 1;
  const first = Math.min(...all.map((point) => point.number));
  const last = Math.max(...all.map((point) => point.number));
  const x = (point) => (last === first ? 50 : (100 * (point.number - first)) / (last - first));
  const y = (value) => 100 * (1 - Math.min(Math.max(value, 0), top) / top);
  const base = svg("line", { x1: "0", x2: "100%", y1: "100%", y2: "100%", class: "base" });
  const lines = limits.map((limit) => svg("line", { x1: "0", x2: "100%", y1: percent(y(limit)), y2: percent(y(limit)), class: "limit" }));
  const bands = series.map(({ points }) => band(points, x, y));
  const curves = series.map(({ points }, index) => share(points, x, y, index));
  return {
    more: series.map(newest).join(", "),
    chart: [drawing(...bands, base, ...lines, ...curves), sideLabels(limits.map((limit) => ({ at: y(limit), text: um(limit) }))), ends(all)],
    words: [told(series), legend(series, limits)],
  };
}

function band(points, x, y) {
  const upper = points.map((point) => [x(point), y(point.share_um + point.uncertainty_um)]);
  const lower = points.map((point) => [x(point), y(point.share_um - point.uncertainty_um)]);
  return curve([...upper, ...lower.reverse()], "doubt");
}

// A single point is no line yet.
function share(points, x, y, index) {
  if (points.length > 1) return curve(points.map((point) => [x(point), y(point.share_um)]), `curve curve-${Math.min(index, 2)}`);
  return svg("circle", { cx: percent(x(points[0])), cy: percent(y(points[0].share_um)), class: "point within" });
}

function newest({ position, above, points }, _index, { length }) {
  const { share_um, uncertainty_um } = points.at(-1);
  const where = length > 1 ? `${position} ` : "";
  return `${where}${share_um.toFixed(2)} ± ${uncertainty_um.toFixed(2)} µm${above ? ", above its limit" : ""}`;
}

function ends(all) {
  const times = all.map((point) => point.at).sort();
  const from = { at: 0, text: clockTime(times[0]) };
  return footLabels(times.length > 1 ? [from, { at: 100, text: clockTime(times.at(-1)) }] : [from]);
}

function told(series) {
  const each = series.map(({ position, limit_um, above, first_clampings, points }) => {
    const { share_um, uncertainty_um } = points.at(-1);
    const limit = limit_um === null ? "no limit" : `${above ? "above the limit" : "limit"} ${um(limit_um)} µm`;
    return `${position}: ${um(share_um)} µm, about 95 % within ${um(uncertainty_um)} µm either way, ${limit}, ${first_clampings} first clampings`;
  });
  return el("p", "unseen", each.join("; "));
}

function legend(series, limits) {
  const lines = series.length > 1 ? series.map(({ position }, index) => `${position} ${STROKES[Math.min(index, 2)]}`).join(", ") : "";
  const n = Math.max(...series.map((each) => each.first_clampings));
  const since = `As TIR, from ${n} first clampings since the holder last left the spindle; the band is about 95 %`;
  return el("p", "legend", [since, limits.length ? "broken line: limit" : "no limit set", lines].filter(Boolean).join("; "));
}
