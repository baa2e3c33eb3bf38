// How much of a text is painted: whether all of it, and how many of its first characters. What
// an ellipsis takes the place of is not painted.
(element) => {
  const box = element.getBoundingClientRect();
  const isWhole = element.scrollHeight <= element.clientHeight + 1 && element.scrollWidth <= element.clientWidth + 1;
  const text = element.textContent;
  const em = parseFloat(getComputedStyle(element).fontSize);
  const range = document.createRange();
  const walker = document.createTreeWalker(element, NodeFilter.SHOW_TEXT);
  let painted = 0;
  let last = null;
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    for (let index = 0; index < node.length; index += 1) {
      range.setStart(node, index);
      range.setEnd(node, index + 1);
      const glyph = range.getBoundingClientRect();
      if (glyph.width === 0) {
        painted += 1; // a space at a line's end, or not shown
        continue;
      }
      const isIn = glyph.bottom <= box.bottom + 1 && glyph.right <= box.right + 1;
      if (!isIn) return { text, isWhole, painted: isWhole ? text.length : cut(last, painted) };
      painted += 1;
      last = glyph;
    }
  }
  return { text, isWhole, painted };

  // The ellipsis is at most an em wide: what stands within it of the edge may be gone.
  function cut(glyph, count) {
    return glyph && glyph.right > box.right - em ? Math.max(0, count - Math.ceil(em / glyph.width) - 1) : count;
  }
}
