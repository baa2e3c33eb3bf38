// One bench on the page. The order of the sections in the stylesheet is what is dropped last.

import { drawPieces, pieceRows } from "./pieces.js";
import { binShape, stateShape } from "./shapes.js";
import { data, el, fill, put, show } from "./dom.js";
import * as words from "./words.js";

export class Tile {
  constructor(id) {
    this.id = id;
    this.look = "";
    this.isCalling = false;
    this.isSmall = false; // no room for a chart; the name leads to it
    this.build();
  }

  build() {
    const part = (this.part = {});
    part.name = el("a", "name");
    part.name.href = `#${this.id}`;
    part.brief = el("p", "brief");
    part.aside = el("p", "aside");
    part.shape = el("span", "mark");
    part.word = el("span", "word");
    part.detail = el("span", "detail");
    part.lasting = el("span", "lasting");
    part.link = el("span", "link");
    part.piece = el("span", "piece");
    part.call = el("span", "call", stateShape("triangle"));
    part.band = el("div", "band", part.shape, part.word, part.link, part.detail, part.call,
      part.piece, part.lasting);
    part.alarms = el("ul", "alarms");
    part.waits = el("p", "waits");
    part.bins = el("ul", "bins");
    part.order = el("p", "order");
    part.ratio = el("p", "ratio");
    part.counts = el("p", "counts");
    part.outlook = el("p", "outlook");
    part.pace = el("p", "pace");
    part.check = el("p", "check");
    part.caption = el("p", "caption");
    part.more = el("p", "more");
    part.lot = el("p", "lot");
    part.age = el("p", "age");
    part.work = el("p", "work");
    part.chart = el("div", "chart");
    part.rows = el("div", "rows");
    const heading = el("h2", "", part.name);
    heading.id = `bench-${this.id}`;
    const left = el("div", "column", part.order, part.counts, part.outlook, part.ratio, part.pace,
      part.check, part.caption, part.more, part.lot, part.age);
    const right = el("div", "column", part.work, part.chart);
    part.body = el("div", "body", el("div", "columns", left, right), part.waits, part.bins, part.rows);
    this.element = el("section", "bench", el("div", "inside",
      el("div", "head", heading, part.aside, part.brief), part.band, part.alarms,
      part.body));
    this.element.setAttribute("aria-labelledby", heading.id);
  }

  // Draws what is known of the bench; `bench.status` is never missing.
  update(bench) {
    this.bench = bench;
    const isLive = words.isLive(bench);
    data(this.element, "condition", bench.status.condition);
    put(this.part.name, bench.about?.title || this.id);
    this.updateBand(bench, isLive);
    this.updateAlarms(isLive ? bench : { alarms: {}, state: null });
    this.updateOrder(bench.lot, isLive);
    this.updateBins(bench, isLive);
    this.updateWork(bench, isLive);
    this.updateLot(isLive ? bench.lot : null);
    this.updatePieces(bench, isLive);
    this.updateCheck(isLive ? bench.state : null);
  }

  updateCheck(state) {
    const { texts, isDue } = words.masterCheck(state);
    show(this.part.check, Boolean(state));
    this.part.check.classList.toggle("due", isDue);
    items(this.part.check, texts);
  }

  updateBand(bench, isLive) {
    const band = words.band(bench);
    const where = band.bin ? `bin ${band.bin}` : "";
    this.word = [band.word, band.link, band.detail, where].filter(Boolean).join(" ");
    this.look = band.look;
    data(this.element, "look", band.look);
    fill(this.part.shape, band.shape, () => [stateShape(band.shape)]);
    put(this.part.word, band.word);
    put(this.part.link, band.link ?? "");
    fill(this.part.detail, [band.detail, band.bin, bench.about?.bins], () =>
      band.bin ? binTag(band.bin, bench.about?.bins ?? []) : [band.detail ?? ""]);
    const piece = isLive ? bench.state?.piece : null;
    put(this.part.piece, piece ? `piece ${piece}` : "");
  }

  updateAlarms(bench) {
    const told = words.openAlarms(bench);
    this.isCalling = told.some((alarm) => alarm.isRaised);
    this.element.classList.toggle("calling", this.isCalling);
    show(this.part.alarms, told.length > 0);
    show(this.part.call, this.isCalling);
    fill(this.part.alarms, told, () => told.map((alarm, index) => {
      const which = told.length > 1 ? `${index + 1}/${told.length} ` : "";
      const answer = alarm.answer ? ` (${alarm.answer})` : "";
      const since = alarm.since ? el("span", "since", ` (since ${words.clockTime(alarm.since)})`) : "";
      const toDo = alarm.toDo ? el("span", "to-do", ". ", ...sentence(alarm.toDo)) : "";
      return el("li", alarm.isRaised ? "raised" : "answered", stateShape("triangle"), el("span", "text", which, alarm.text, answer, since, toDo));
    }));
  }

  updateOrder(lot, isLive) {
    const grade = words.orderedGrade(lot);
    const isOrder = Boolean(grade && grade.ordered !== null);
    show(this.part.brief, Boolean(grade) && isLive);
    show(this.part.order, Boolean(grade));
    show(this.part.caption, Boolean(grade));
    if (!grade) return;
    put(this.part.brief, isOrder ? `${grade.put_away}/${grade.ordered}` : `${grade.put_away}`);
    fill(this.part.order, [grade.put_away, grade.ordered], () => [
      String(grade.put_away), isOrder ? el("span", "of", ` of ${grade.ordered}`) : ""]);
    const state = ORDER[lot.order_state] ?? (isOrder ? "ordered" : "");
    items(this.part.caption, [isLive ? "" : "last known", words.name(grade.grade), state]);
    const done = isOrder ? Math.min(1, grade.put_away / Math.max(1, grade.ordered)) : 0;
    this.part.order.style.setProperty("--done", isLive ? done : 0);
  }

  updateBins(bench, isLive) {
    const bins = bench.about?.bins ?? [];
    const shown = bins.map((bin) => ({
      ...bin,
      lamp: isLive ? (bench.lamps?.[bin.id] ?? "off") : "unknown",
      count: isLive ? words.binCount(bench.lot, bin) : null,
    }));
    show(this.part.bins, shown.length > 0);
    fill(this.part.bins, shown, () => shown.map(binItem));
    const others = shown.filter((bin) => bin.count !== null && bin.holds !== words.orderedGrade(bench.lot)?.grade);
    show(this.part.counts, others.length > 0);
    fill(this.part.counts, others, () => others.map((bin) => el("span", "", ...binTag(bin.id, bins), ` ${bin.count}`)));
  }

  updateWork(bench, isLive) {
    const { who, why } = isLive ? words.waits(bench) : { who: "", why: "" };
    show(this.part.waits, Boolean(who || why));
    fill(this.part.waits, [who, why], () => [who ? el("strong", "", `${who}: `) : "", why || "is awaited"]);
    const state = isLive ? bench.state : null;
    const grades = bench.lot?.grades ?? [];
    show(this.part.work, Boolean(state?.piece));
    fill(this.part.work, [state?.piece, state?.tirs, state?.clampings, grades], () => workItems(state, grades));
  }

  updateLot(lot) {
    const ratio = words.yieldOf(lot);
    show(this.part.ratio, Boolean(ratio));
    show(this.part.more, Boolean(ratio));
    if (ratio) {
      items(this.part.ratio, [`yield ${ratio.share}, n ${ratio.n}`, ratio.grade]);
      items(this.part.more, [`${ratio.retried} retried`]);
    }
    const outlook = words.forecast(lot);
    show(this.part.outlook, Boolean(outlook.text));
    this.part.outlook.classList.toggle("short", outlook.isShort);
    fill(this.part.outlook, outlook, () => [outlook.isShort ? stateShape("triangle") : "", el("span", "", outlook.text)]);
    const pace = words.pace(lot);
    show(this.part.pace, pace.length > 0);
    items(this.part.pace, pace);
    const isLot = Boolean(lot?.lot);
    show(this.part.lot, isLot);
    show(this.part.aside, isLot);
    if (!isLot) return;
    const of = lot.quantity === null ? "" : ` of ${lot.quantity}`;
    items(this.part.lot, [lot.lot, lot.article, `${lot.measured}${of} measured`]);
    items(this.part.aside, [ratio ? `${ratio.retried} retried` : "", lot.lot, lot.article]);
  }

  updatePieces(bench, isLive) {
    const grades = bench.lot?.grades ?? [];
    const bins = bench.about?.bins ?? [];
    const pieces = isLive && !this.isSmall ? (bench.recent?.pieces ?? []).slice(0, 30) : [];
    show(this.part.chart, pieces.length > 0);
    show(this.part.rows, pieces.length > 0);
    if (this.isSmall && !this.part.chart.firstChild) return;
    fill(this.part.chart, [pieces, grades], () => drawPieces(pieces, grades));
    fill(this.part.rows, [pieces, grades, bins], () => pieceRows(pieces, grades, bins));
  }

  isUnfitted(geometry) {
    const { alarms, waits, order } = this.part;
    const texts = this.isSmall ? this.isCalling : [alarms.textContent, waits.textContent];
    const key = [geometry, texts, this.look, order.hidden].join();
    const isUnfitted = this.fitted !== key;
    this.fitted = key;
    return isUnfitted;
  }

  // Gives what is awaited a second line, and the ordered count a place of its own.
  allow(isLong, isOrder) {
    this.element.classList.toggle("short-waits", !isLong);
    this.element.classList.toggle("no-order", !isOrder);
  }

  // The lamps come before a second line, and where somebody is called before the count's place.
  isFit(isLong) {
    return this.hasRoomFor("order") && (this.hasRoomFor("bins") || !(isLong || this.isCalling));
  }

  // A section without room has wrapped out of the body's right edge.
  hasRoomFor(name) {
    const box = this.part[name].getBoundingClientRect();
    return box.width === 0 || box.left < this.part.body.getBoundingClientRect().right - 1;
  }

  // What a screen reader is told when the bench needs help, or no longer does.
  get call() {
    const alarm = this.isCalling ? this.part.alarms.textContent : "";
    return [`${this.part.name.textContent}: ${this.word}`, alarm].filter(Boolean).join(". ");
  }

  get needsHelp() {
    return this.isCalling || words.needsHelp(this.look);
  }

  // Draws what moves without news; `nowS` is the server's clock, null when it is not known.
  tick(nowS) {
    const { status } = this.bench;
    const isLive = status.condition === "live" && nowS !== null;
    const isTimed = isLive && status.entered_s !== null && this.bench.state;
    const lasted = isTimed ? words.lasting(nowS - status.entered_s) : "";
    put(this.part.lasting, isTimed && !status.entered_known ? `> ${lasted}` : lasted);
    show(this.part.age, isLive && status.heard_s !== null);
    if (isLive && status.heard_s !== null) put(this.part.age, `heard ${words.lasting(nowS - status.heard_s)} ago`);
  }
}

// A command in it stands between backticks.
function sentence(text) {
  const said = `${text.charAt(0).toUpperCase()}${text.slice(1)}.`;
  return said.split("`").map((part, index) => (index % 2 ? el("code", "", part) : part));
}

const ORDER = { "filled-check-due": "filled, check due", filled: "filled" };

function items(element, texts) {
  fill(element, texts, () => texts.filter(Boolean).map((text) => el("span", "", text)));
}

export function binTag(id, bins) {
  const bin = bins.find((each) => each.id === id);
  return [binShape(bin?.shape), el("span", "", id)];
}

const LAMPS = { off: "dark", on: "lit", slow: "flashing slowly", fast: "flashing fast: wrong bin", unknown: "unknown" };

function binItem(bin) {
  const badge = el("span", "badge", binShape(bin.shape), el("b", "", bin.id));
  const count = el("span", "bin-count", bin.count === null ? "" : String(bin.count));
  const item = el("li", "bin", badge, count);
  item.dataset.lamp = bin.lamp;
  const told = el("span", "unseen", `, ${bin.shape}, ${words.name(bin.holds)}, lamp ${LAMPS[bin.lamp] ?? "unknown"}. `);
  badge.append(told);
  return item;
}

function workItems(state, grades) {
  if (!state) return [];
  const done = state.tirs.map((clamping) => {
    const { sign, text } = words.MARKS[words.mark(clamping, grades)];
    const value = clamping.tir_um === null ? "" : words.um(clamping.tir_um);
    return el("span", "tir", el("span", "sign", sign), value, el("span", "unseen", ` ${text}`));
  });
  const open = Math.max(0, (state.clampings ?? 0) - state.tirs.filter((each) => each.result !== "invalid").length);
  const todo = Array.from({ length: Math.min(open, 9) }, () => el("span", "tir todo", "–"));
  return [el("span", "unseen", `Piece ${state.piece}, TIR in µm: `), ...done, ...todo];
}
