// The last pieces: run-out of each clamping against the limits, as a chart and as a table.

import { el } from "./dom.js";
import { binShape, svg } from "./shapes.js";
import { clockTime, mark, MARKS, name, um } from "./words.js";

const SLOTS = 30;
const ROOM = 1.6; // times the best grade's limit at least
const HEADROOM = 1.25; // times the last grade's limit at most
const ROWS = 12;
const LEGEND = Object.values(MARKS).map(({ sign, text }) => `${sign} ${text}`).join(", ");

// Oldest left, newest right; a mark's shape says the same as its height.
export function drawPieces(pieces, grades) {
  const accepted = grades.map((grade) => grade.acceptance_um);
  if (!accepted.length || !pieces.length) return [];
  const seen = pieces.flatMap((piece) => piece.clampings.map((each) => each.tir_um ?? 0));
  const wanted = Math.max(...seen.map((tir) => tir * 1.1), accepted[0] * ROOM);
  const top = Math.min(wanted, Math.max(...accepted) * HEADROOM);
  const lines = accepted.filter((limit) => limit <= top);
  const height = (value) => `${(100 * (1 - Math.min(value, top) / top)).toFixed(2)}%`;
  const plot = svg("svg", { class: "plot", "aria-hidden": "true" });
  for (const limit of lines) {
    const y = height(limit);
    plot.append(svg("line", { x1: "0", x2: "100%", y1: y, y2: y, class: "limit" }));
  }
  const slots = Math.max(SLOTS, pieces.length);
  pieces.forEach((piece, newest) => {
    const from = slots - 1 - newest;
    piece.clampings.forEach((clamping, index) => {
      const x = (100 * (from + (index + 1) / (piece.clampings.length + 1))) / slots;
      plot.append(point(`${x.toFixed(2)}%`, height, clamping, grades));
    });
  });
  return [plot, limits(lines, height)];
}

function point(x, height, clamping, grades) {
  const kind = mark(clamping, grades);
  const y = kind === "invalid" ? "100%" : height(clamping.tir_um);
  if (kind === "within" || kind === "lower") {
    return svg("circle", { cx: x, cy: y, class: `point ${kind}` });
  }
  const path = kind === "beyond" ? "M0-5 5 4H-5Z" : "M-4-10 4-2M-4-2 4-10";
  return svg("svg", { x, y, class: "at" }, svg("path", { d: path, class: `point ${kind}` }));
}

function limits(lines, height) {
  const labels = el("div", "limits");
  for (const limit of lines) {
    const label = el("span", "", um(limit));
    label.style.setProperty("top", height(limit));
    labels.append(label);
  }
  labels.setAttribute("aria-hidden", "true");
  return labels;
}

export function pieceRows(pieces, grades, bins, count = ROWS) {
  const head = el("tr", "", ...["Piece", "Bin", "TIR µm", "Why", "At"].map((text) => {
    const cell = el("th", "", text);
    cell.scope = "col";
    if (text === "Why") cell.className = "why";
    return cell;
  }));
  const rows = pieces.slice(0, count).map((piece) => {
    const shape = bins.find((bin) => bin.id === piece.bin)?.shape;
    const number = el("th", "", String(piece.piece));
    number.scope = "row";
    return el("tr", piece.put_away ? "" : "pending", number,
      el("td", "tag", ...(piece.bin ? [binShape(shape), el("span", "", piece.bin)] : ["–"])),
      el("td", "tirs", ...piece.clampings.map((each) => tir(each, grades))),
      el("td", "why", piece.put_away ? piece.reason : `in hand: ${piece.reason}`),
      el("td", "", clockTime(piece.at)));
  });
  const limitsText = grades.map((grade) => `${name(grade.grade)} up to ${um(grade.acceptance_um)}`).join(", ");
  const caption = el("caption", "", `Last pieces, newest first. ${limitsText} µm. ${LEGEND}`);
  return [el("table", "", caption, el("thead", "", head), el("tbody", "", ...rows))];
}

function tir(clamping, grades) {
  const { sign, text } = MARKS[mark(clamping, grades)];
  const value = clamping.tir_um === null ? "invalid" : um(clamping.tir_um);
  return el("span", "tir", el("span", "sign", sign), value, el("span", "unseen", ` ${text} `));
}
