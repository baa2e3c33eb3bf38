// Every text that is painted, with its type size and whether an edge cuts it.
// Text in an element with an ellipsis of its own is shortened openly, not cut.
(() => {
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const slack = 1.5; // px
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const text = node.textContent.trim();
    const parent = node.parentElement;
    if (!text || !parent.checkVisibility({ opacityProperty: true })) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    const box = range.getBoundingClientRect();
    const half = 0.4 * parseFloat(getComputedStyle(parent).fontSize); // of a glyph's height
    const middle = (box.top + box.bottom) / 2;
    let isPainted = box.width > 0 && box.height > 0;
    let isCut = false;
    for (let up = parent; up && isPainted; up = up.parentElement) {
      const style = getComputedStyle(up);
      if (style.clipPath !== "none" && style.position === "absolute") isPainted = false;
      if (style.overflow === "visible") continue;
      const edge = up.getBoundingClientRect();
      if (box.left >= edge.right - slack || middle - half >= edge.bottom - slack) isPainted = false;
      if (box.right > edge.right + slack && style.textOverflow !== "ellipsis") isCut = true;
      if (middle + half > edge.bottom + slack) isCut = true;
    }
    if (isPainted) found.push({ text, px: parseFloat(getComputedStyle(parent).fontSize), isCut });
  }
  return found;
})()
