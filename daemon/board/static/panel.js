// A card of the detail view: a heading, a drawing, and the same in words for whoever listens.

import { el, put } from "./dom.js";
import { svg } from "./shapes.js";

export class Panel {
  constructor(benchId, id, title) {
    this.whose = el("span", "whose");
    this.of = el("span", "of");
    const heading = el("h3", "", el("span", "title", this.whose, title), " ", this.of);
    heading.id = `${benchId}-${id}`;
    this.chart = el("div", "chart");
    this.words = el("div", "words");
    this.body = el("div", "panel-body", this.chart, this.words);
    this.element = el("section", `panel ${id}`, heading, this.body);
    this.element.setAttribute("aria-labelledby", heading.id);
    this.element.hidden = true;
    this.isFilled = false;
  }

  // Draws anew if `key` changed. `build` returns {chart, words, more}, or null for no content.
  draw(whose, key, build) {
    put(this.whose, `${whose}: `);
    const text = JSON.stringify(key);
    if (this.key === text) return;
    this.key = text;
    const built = build();
    this.isFilled = built !== null;
    put(this.of, built?.more ?? "");
    this.chart.replaceChildren(...(built?.chart ?? []));
    this.words.replaceChildren(...(built?.words ?? []));
  }
}

export const drawing = (...children) => svg("svg", { class: "plot", "aria-hidden": "true" }, ...children);

export const percent = (value) => `${value.toFixed(2)}%`;

// A curve through points given in percent of the plot, however wide that is.
export function curve(points, className) {
  const d = points.map(([x, y], index) => `${index ? "L" : "M"}${x.toFixed(2)} ${y.toFixed(2)}`).join("");
  const path = svg("path", { d, class: className, "vector-effect": "non-scaling-stroke" });
  return svg("svg", { viewBox: "0 0 100 100", preserveAspectRatio: "none", width: "100%", height: "100%" }, path);
}

// Labels beside a plot: [{at: percent from the top, text}].
export function sideLabels(labels) {
  const box = el("div", "limits");
  box.setAttribute("aria-hidden", "true");
  for (const { at, text } of labels) {
    const label = el("span", "", text);
    label.style.setProperty("top", percent(at));
    box.append(label);
  }
  return box;
}

// Labels below a plot: [{at: percent from the left, text}]; one that would touch the last is left out.
export function footLabels(labels) {
  const box = el("div", "foot");
  box.setAttribute("aria-hidden", "true");
  let last = -Infinity;
  for (const { at, text } of labels) {
    if (at - last < 22) continue;
    last = at;
    const label = el("span", at > 80 ? "end" : at === 0 ? "start" : "", text);
    label.style.setProperty("left", percent(at));
    box.append(label);
  }
  return box;
}
