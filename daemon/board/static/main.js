// The page: keeps what the server said of every bench, and draws it.

import { Detail } from "./detail.js";
import { el, put, show } from "./dom.js";
import { Feed } from "./feed.js";
import { Layout } from "./layout.js";
import { Tile } from "./tile.js";
import * as words from "./words.js";

const TICK_MS = 250;
const TOOLS_MS = 6000;

const $ = (id) => document.getElementById(id);
const layout = new Layout();
const tiles = new Map();
let benches = new Map();
let isFresh = false; // a new connection: the next patch is everything
let beat = null;
let offsetMs = null; // page's clock minus server's clock
let isLost = false;
let isDrawn = true;
const changed = new Set(); // benches to be drawn anew
let detail = null; // of the bench that was chosen

const feed = new Feed({
  hello(hello) {
    layout.setup = hello;
    isFresh = true;
    redraw();
  },
  patch({ benches: patched, gone }) {
    forgetIfFresh();
    for (const id of gone) benches.delete(id);
    for (const [id, parts] of Object.entries(patched)) {
      benches.set(id, { ...benches.get(id), ...parts });
      changed.add(id);
    }
    redraw();
  },
  beat(news, nowMs) {
    forgetIfFresh(); // no patch came before it: there is no bench
    beat = news;
    offsetMs = nowMs - news.now_s * 1000;
    tick();
  },
});

function forgetIfFresh() {
  if (isFresh) benches = new Map();
  isFresh = false;
}

function redrawAll() {
  for (const id of benches.keys()) changed.add(id);
  redraw();
}

function redraw() {
  if (!isDrawn) return;
  isDrawn = false;
  requestAnimationFrame(() => {
    isDrawn = true;
    draw();
  });
}

// What may be said of a bench here: without the server nothing is present.
function seen(bench) {
  if (!isLost) return bench;
  const since = (feed.heardAt ?? new Date()).toISOString();
  return { ...bench, status: { ...bench.status, condition: "cut", since: bench.status.since ?? since } };
}

const byName = new Intl.Collator("en", { numeric: true }).compare;

function draw() {
  const chosen = location.hash.slice(1); // a bench's name needs no encoding
  const isDetail = benches.has(chosen);
  const ids = [...benches.keys()].sort(byName);
  const shown = isDetail ? [chosen] : ids;
  for (const [id, tile] of tiles) {
    if (!benches.has(id)) {
      tile.element.remove();
      tiles.delete(id);
    }
  }
  const panels = drawDetail(isDetail ? chosen : null);
  const [first, end] = layout.apply(shown.length, panels.length);
  const isTileShown = !isDetail || layout.isTileShown;
  const onPage = new Set(isTileShown ? shown.slice(first, end) : []);
  ids.forEach((id, index) => drawTile(id, index, onPage.has(id)));
  panels.forEach((panel, index) => show(panel.element, index >= layout.panelsFrom && index < layout.panelsTo));
  document.documentElement.classList.toggle("alone", isDetail && !isTileShown);
  $("benches").dataset.count = String(shown.length);
  show($("empty"), ids.length === 0);
  if (beat) put($("empty"), "No bench heard on this broker yet.");
  show($("all"), isDetail && ids.length > 1);
  for (const id of ["previous", "hold", "next"]) show($(id), layout.pages > 1);
  drawHead();
  tick();
  fit();
}

// Draws the panels of the chosen bench and returns those that have something to show.
function drawDetail(id) {
  document.documentElement.classList.toggle("close-up", id !== null);
  if (detail && detail.id !== id) {
    detail.remove();
    detail = null;
    layout.page = 0;
  }
  if (id === null) return [];
  if (!detail) {
    detail = new Detail(id, redraw);
    for (const panel of detail.panels) $("benches").append(panel.element);
  }
  detail.update(seen(benches.get(id)));
  for (const panel of detail.panels) show(panel.element, panel.isFilled);
  return detail.filled;
}

// Content is dropped until the rest has room: a second line of what is awaited, then the ordered
// count's own place; it moves up beside the name.
const DROPS = [[true, true], [false, true], [true, false]];

function fit() {
  let open = [...tiles.values()].filter((tile) => !tile.element.hidden && tile.isUnfitted(layout.key));
  for (const [isLong, isOrder] of layout.isSmall ? [] : DROPS) {
    for (const tile of open) tile.allow(isLong, isOrder);
    open = open.filter((tile) => !tile.isFit(isLong));
  }
  for (const tile of open) tile.allow(false, false);
}

// Pages on which a bench needs help.
function pagesInNeed() {
  const inNeed = [...benches.keys()].sort(byName).map((id) => tiles.get(id)?.needsHelp ?? false);
  return inNeed.flatMap((needs, index) => (needs ? [Math.floor(index / layout.capacity)] : []));
}

function drawTile(id, index, isShown) {
  let tile = tiles.get(id);
  if (!tile) {
    tile = new Tile(id);
    tiles.set(id, tile);
  }
  const main = $("benches");
  if (main.children[index] !== tile.element) main.insertBefore(tile.element, main.children[index] ?? null);
  show(tile.element, isShown);
  if (tile.isSmall !== layout.isSmall) changed.add(id);
  tile.isSmall = layout.isSmall;
  if (!changed.delete(id)) return;
  const { look, isCalling } = tile;
  tile.update(seen(benches.get(id)));
  const isTurned = tile.look !== look && (words.needsHelp(look) || words.needsHelp(tile.look));
  if (look && (isTurned || (tile.isCalling && !isCalling))) tell(tile.call);
}

function drawHead() {
  const sites = new Set([...benches.values()].map((bench) => bench.about?.site).filter(Boolean));
  put($("heading"), sites.size === 1 ? [...sites][0] : "Benches");
  const help = [...tiles.values()].filter((tile) => tile.needsHelp).length;
  const trouble = troubleText();
  if (trouble && $("trouble").hidden) tell(trouble);
  put($("trouble"), trouble);
  put($("help"), `${help} need${help === 1 ? "s" : ""} help`);
  put($("page"), `${layout.page + 1}/${layout.pages}`);
  show($("trouble"), Boolean(trouble));
  show($("heading"), !trouble || layout.isNear());
  show($("help"), !trouble && help > 0);
  show($("page"), !trouble && layout.pages > 1);
  document.documentElement.classList.toggle("lost", isLost);
}

function troubleText() {
  if (isLost) {
    return feed.heardAt ? `No server since ${words.clockTime(feed.heardAt)}` : "No server";
  }
  if (!beat || beat.is_up) return "";
  const why = layout.isNear() && beat.trouble ? ` (${beat.broker}: ${beat.trouble})` : "";
  return `No broker since ${words.clockTime(beat.lost)}${why}`;
}

let told = 0;
function tell(text) {
  const line = el("span", "", `${text}. `);
  $("news").append(line);
  if ((told += 1) > 3) $("news").firstChild.remove();
}

// Everything that moves by itself is moved here: if the page hangs, it is seen to stand still.
function tick() {
  const now = new Date();
  const two = (number) => String(number).padStart(2, "0");
  put($("time"), `${two(now.getHours())}:${two(now.getMinutes())}:${two(now.getSeconds())}`);
  $("hand").setAttribute("transform", `rotate(${now.getSeconds() * 6})`);
  const nowS = offsetMs === null || isLost ? null : (performance.now() - offsetMs) / 1000;
  for (const tile of tiles.values()) if (!tile.element.hidden) tile.tick(nowS);
  detail?.load();
}

setInterval(() => {
  feed.watch();
  const wasLost = isLost;
  const wasUp = $("trouble").hidden;
  isLost = feed.isSilent();
  const isUp = !isLost && (!beat || beat.is_up);
  if (wasLost !== isLost) redrawAll();
  else if (wasUp !== isUp || layout.tick(pagesInNeed)) redraw();
  else tick();
}, TICK_MS);

$("hold").addEventListener("click", () => {
  layout.isHeld = !layout.isHeld;
  $("hold").setAttribute("aria-pressed", String(layout.isHeld));
});
for (const [id, by] of [["previous", -1], ["next", 1]]) {
  $(id).addEventListener("click", () => {
    layout.turn(by);
    redraw();
  });
}

const view = layout.isNear() ? "wall" : "near";
$("view").href = `?view=${view}${location.hash}`;
put($("view"), view === "near" ? "Read at arm’s length" : "Read across the hall");

// The tools come when a hand does, and leave the wall alone else.
let toolsTimer = 0;
addEventListener("pointermove", () => {
  document.documentElement.classList.add("hand");
  clearTimeout(toolsTimer);
  toolsTimer = setTimeout(() => document.documentElement.classList.remove("hand"), TOOLS_MS);
});
addEventListener("resize", redraw);
addEventListener("hashchange", redraw);
addEventListener("keydown", (event) => {
  if (event.key === "Escape" && location.hash) location.hash = "";
});
document.addEventListener("visibilitychange", () => feed.watch());
