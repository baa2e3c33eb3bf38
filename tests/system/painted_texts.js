// Every text that is painted, with its type size and whether an edge cuts it.
// A text is cut if a part of it is painted and a part is not, unless the page says so itself
// with an ellipsis.
(() => {
  const slack = 1.5; // px

  // in: painted; out: wholly out of sight; cut: an edge goes through it
  function seen(line, parent) {
    const half = 0.4 * parseFloat(getComputedStyle(parent).fontSize); // of a glyph's height
    const middle = (line.top + line.bottom) / 2;
    let { right } = line;
    let isCut = false;
    for (let up = parent; up; up = up.parentElement) {
      const style = getComputedStyle(up);
      if (style.clipPath !== "none" && style.position === "absolute") return "out";
      if (style.overflow === "visible") continue;
      const edge = up.getBoundingClientRect();
      if (line.left >= edge.right - slack || middle - half >= edge.bottom - slack) return "out";
      if (style.textOverflow === "ellipsis") right = Math.min(right, edge.right);
      if (right > edge.right + slack) isCut = true;
      if (middle + half > edge.bottom + slack) isCut = true;
    }
    return isCut ? "cut" : "in";
  }

  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const text = node.textContent.trim();
    const parent = node.parentElement;
    if (!text || !parent.checkVisibility({ opacityProperty: true })) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    const lines = [...range.getClientRects()].filter((line) => line.width > 0);
    const kinds = new Set(lines.map((line) => seen(line, parent)));
    if (!kinds.has("in") && !kinds.has("cut")) continue;
    const isClamped = getComputedStyle(parent).webkitLineClamp !== "none";
    const isCut = kinds.has("cut") || (kinds.has("out") && !isClamped);
    found.push({ text, px: parseFloat(getComputedStyle(parent).fontSize), isCut });
  }
  return found;
})()
