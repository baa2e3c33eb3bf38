// A table: a caption, the names of its columns, and rows whose first cell names them.

import { el } from "./dom.js";

// A cell is a text or a node.
export function table(caption, columns, rows) {
  const head = columns.map((text) => {
    const cell = el("th", "", text);
    cell.scope = "col";
    return cell;
  });
  const body = rows.map(([first, ...cells]) => {
    const named = el("th", "", first);
    named.scope = "row";
    return el("tr", "", named, ...cells.map((cell) => el("td", "", cell)));
  });
  return el("table", "", el("caption", "", caption), el("thead", "", el("tr", "", ...head)), el("tbody", "", ...body));
}
