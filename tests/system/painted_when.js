// Notes when a verdict's text is painted, and how long frames take. Put in before the page's
// own script; `window.painted()` returns what was found since it was called last.
(() => {
  let ages = [];
  let frames = [];
  let last = null;
  const frame = (now) => {
    if (last !== null) frames.push(now - last);
    last = now;
    requestAnimationFrame(frame);
  };
  requestAnimationFrame(frame);
  const look = (records) => {
    const told = new Set();
    for (const { target } of records) {
      const waits = target.nodeType === 1 ? target.closest(".waits") : null;
      if (waits?.closest(".bench").checkVisibility()) told.add(waits);
    }
    const stamps = [...told].map((waits) => / at (\d{13})$/.exec(waits.textContent)).filter(Boolean);
    if (!stamps.length) return;
    // The first callback runs before the next frame: the one after it knows this one is out.
    requestAnimationFrame(() => requestAnimationFrame(() => {
      for (const [, ms] of stamps) ages.push(Date.now() - Number(ms));
    }));
  };
  document.addEventListener("DOMContentLoaded", () => {
    const seen = new MutationObserver(look);
    seen.observe(document.getElementById("benches"), { subtree: true, childList: true });
  });
  window.painted = () => {
    const found = { ages, frames };
    [ages, frames] = [[], []];
    return found;
  };
})();
