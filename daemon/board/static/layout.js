// How large the type must be, and how many benches then have room.

const ARC_MINUTES = 20; // height of a capital letter, trade practice for signs that must be read
const TILE_WIDTH_EM = 9;
const TILE_HEIGHT_EM = 2.75;
const SMALL_EM = 5.2; // a lower tile shows no chart, as bench.css has it
const PANEL_HEIGHT_EM = 4.6; // a heading, a drawing and its labels
const TILE_RATIO = 2; // a tile reads best about twice as wide as it is high
const GAP_EM = 0.2;
const HEAD_EM = 1.25;
const PAGE_MS = 12000;

// Font size in CSS px at which a capital letter is seen under 20 arc minutes.
export function typePx(distanceM, screenIn) {
  const capMm = distanceM * 1000 * Math.tan(((ARC_MINUTES / 60) * Math.PI) / 180);
  const diagonalPx = Math.hypot(screen.width, screen.height);
  const mmPerPx = (screenIn * 25.4) / diagonalPx;
  return capMm / mmPerPx / capitalShare();
}

let share = null;
function capitalShare() {
  if (share === null) {
    const context = document.createElement("canvas").getContext("2d");
    context.font = `100px ${getComputedStyle(document.body).fontFamily}`;
    share = context.measureText("H").actualBoundingBoxAscent / 100 || 0.7;
  }
  return share;
}

// Columns, rows and tiles a page. Content is dropped before type shrinks; benches that
// have no room at all go on further pages.
export function grid(count, widthEm, heightEm, leastEm = TILE_HEIGHT_EM) {
  const maxColumns = Math.max(1, Math.floor((widthEm + GAP_EM) / (TILE_WIDTH_EM + GAP_EM)));
  const maxRows = Math.max(1, Math.floor((heightEm + GAP_EM) / (leastEm + GAP_EM)));
  let best = { columns: maxColumns, rows: maxRows, cost: Infinity };
  for (let columns = 1; columns <= Math.min(count, maxColumns); columns += 1) {
    const rows = Math.ceil(count / columns);
    if (rows > maxRows) continue;
    const ratio = widthEm / columns / (heightEm / rows);
    const cost = Math.abs(Math.log(ratio / TILE_RATIO)) + (columns * rows - count) / count;
    if (cost < best.cost) best = { columns, rows, cost };
  }
  return { columns: best.columns, rows: best.rows, capacity: best.columns * best.rows };
}

export class Layout {
  constructor() {
    this.page = 0;
    this.pages = 1;
    this.capacity = 1; // tiles on a page
    this.lastInTurn = 0; // page that came in its turn
    this.lastInNeed = -1; // page that came between because of a bench that needs help
    this.key = ""; // changes with the geometry
    this.isSmall = false; // tiles without room for a chart
    this.isHeld = false;
    this.turnedMs = 0;
    this.setup = { distance_m: 6, screen_in: 43 };
  }

  // ?view=near | wall, ?distance_m=, ?screen_in= speak before the server's settings do.
  isNear() {
    const view = new URLSearchParams(location.search).get("view");
    if (view === "near" || view === "wall") return view === "near";
    return matchMedia("(max-width: 700px)").matches;
  }

  distanceM = () => this.setting("distance_m");
  screenIn = () => this.setting("screen_in");

  setting(key) {
    const asked = Number(new URLSearchParams(location.search).get(key));
    return asked > 0 ? asked : this.setup[key];
  }

  // Sizes the page and says which of `count` benches are on it: [first, end). With panels of
  // a bench's detail, says which of these are on it: panelsFrom, panelsTo, isTileShown.
  apply(count, panels = 0) {
    const root = document.documentElement;
    const isNear = this.isNear();
    root.classList.toggle("near", isNear);
    root.classList.toggle("wall", !isNear);
    [this.panelsFrom, this.panelsTo, this.isTileShown] = [0, panels, true];
    this.isSmall = false;
    if (isNear) {
      root.style.removeProperty("font-size");
      root.style.setProperty("--rem", "24"); // marks at arm’s length may be larger
      this.pages = 1;
      this.key = "near";
      return [0, count];
    }
    const px = typePx(this.distanceM(), this.screenIn());
    root.style.setProperty("font-size", `${px.toFixed(2)}px`);
    root.style.setProperty("--rem", px.toFixed(2));
    const cards = Math.max(count, 1) + panels;
    const { columns, rows, capacity } = grid(cards, innerWidth / px - GAP_EM, innerHeight / px - HEAD_EM - GAP_EM, panels ? PANEL_HEIGHT_EM : TILE_HEIGHT_EM);
    root.style.setProperty("--columns", columns);
    root.style.setProperty("--rows", rows);
    this.isSmall = innerHeight / px / rows < SMALL_EM;
    this.key = [innerWidth, innerHeight, px, columns, rows].join();
    this.capacity = capacity;
    if (panels) return this.applyPanels(panels, columns, capacity);
    this.pages = Math.max(1, Math.ceil(count / capacity));
    this.page %= this.pages;
    return [this.page * capacity, Math.min(count, (this.page + 1) * capacity)];
  }

  // The bench itself stays in sight while its panels turn, if there is room for two cards.
  applyPanels(panels, columns, capacity) {
    const root = document.documentElement;
    const beside = Math.max(1, capacity - 1);
    this.pages = capacity === 1 ? panels + 1 : Math.ceil(panels / beside);
    this.page %= this.pages;
    this.isTileShown = capacity > 1 || this.page === 0;
    this.panelsFrom = capacity === 1 ? this.page - 1 : this.page * beside;
    this.panelsTo = Math.min(panels, this.panelsFrom + beside);
    const cards = Number(this.isTileShown) + this.panelsTo - Math.max(0, this.panelsFrom);
    const rows = Math.ceil(cards / columns);
    root.style.setProperty("--rows", rows);
    root.style.setProperty("--tile-columns", 1 + columns * rows - cards); // no hole at the end
    return [0, 1];
  }

  turn(by) {
    this.show(this.page + by);
    this.lastInTurn = this.page;
  }

  show(page) {
    this.page = (page + this.pages) % this.pages;
    this.turnedMs = performance.now();
  }

  // Returns whether it turned the page by itself. `inNeed` returns the pages with a bench that
  // needs help, in order: one of them comes after each page that came in its turn, so that a
  // call in a long hall is not out of sight for minutes.
  tick(inNeed) {
    if (this.pages < 2 || this.isHeld || performance.now() - this.turnedMs < PAGE_MS) return false;
    const others = this.page === this.lastInTurn ? inNeed().filter((page) => page !== this.page) : [];
    if (others.length) {
      this.lastInNeed = others.find((page) => page > this.lastInNeed) ?? others[0];
      this.show(this.lastInNeed);
    } else {
      this.page = this.lastInTurn;
      this.turn(1);
    }
    return true;
  }
}
