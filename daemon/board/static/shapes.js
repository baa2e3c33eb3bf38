// Shapes: a state is known by its shape before its word can be read, a bin by shape and letter.
// All are drawn in a box of 100 by 100.

const SVG = "http://www.w3.org/2000/svg";

// solid: filled; line: stroked
const STATES = {
  play: { solid: "M22 10 90 50 22 90Z" },
  turn: { line: "M80 38A34 34 0 1 0 84 56", solid: "M92 12 88 50 56 32Z" },
  tray: { line: "M12 58V88H88V58", solid: "M40 8H60V40H78L50 70 22 40H40Z" },
  check: { line: "M14 54 40 80 88 20" },
  cells: { solid: "M8 8H32V32H8ZM68 38H92V62H68ZM38 68H62V92H38Z", line: "M40 10H60V30H40ZM70 10H90V30H70ZM10 40H30V60H10ZM40 40H60V60H40ZM10 70H30V90H10ZM70 70H90V90H70Z", thin: true },
  target: { line: "M50 18A32 32 0 1 0 50.1 18ZM50 4V34M50 66V96M4 50H34M66 50H96" },
  glass: { solid: "M20 10H80L50 50ZM50 50 80 90H20Z" },
  box: { line: "M14 14H86V86H14Z" },
  triangle: { solid: "M50 6 96 90H4ZM44 36 46 64H54L56 36ZM45 70V80H55V70Z" },
  octagon: { solid: "M31 4H69L96 31V69L69 96H31L4 69V31ZM22 42V58H78V42Z" },
  away: { line: "M50 10A40 40 0 1 0 50.1 10ZM22 78 78 22" },
  question: { line: "M28 34A22 22 0 1 1 60 52Q50 58 50 70", solid: "M43 80H57V94H43Z" },
};

const BINS = {
  ring: "M50 5A45 45 0 1 0 50.1 5Z",
  disc: "M50 5A45 45 0 1 0 50.1 5Z",
  square: "M8 8H92V92H8Z",
  pentagon: "M50 4 97 40 79 94H21L3 40Z",
  bar: "M3 22H97V78H3Z",
  triangle: "M50 2 98 92H2Z",
  diamond: "M50 2 98 50 50 98 2 50Z",
  hexagon: "M26 6H74L98 50 74 94H26L2 50Z",
};
const OTHER_BIN = "M22 8H78Q92 8 92 22V78Q92 92 78 92H22Q8 92 8 78V22Q8 8 22 8Z";

export function svg(name, attributes = {}, ...children) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  element.append(...children);
  return element;
}

export function stateShape(name) {
  const shape = STATES[name] ?? STATES.question;
  const paths = [];
  if (shape.line) {
    paths.push(svg("path", { d: shape.line, class: shape.thin ? "line thin" : "line" }));
  }
  if (shape.solid) paths.push(svg("path", { d: shape.solid, class: "solid" }));
  return svg("svg", { viewBox: "0 0 100 100", class: "shape", "aria-hidden": "true" }, ...paths);
}

export function binShape(name) {
  const path = svg("path", { d: BINS[name] ?? OTHER_BIN });
  return svg("svg", { viewBox: "0 0 100 100", class: "bin-shape", "aria-hidden": "true" }, path);
}
