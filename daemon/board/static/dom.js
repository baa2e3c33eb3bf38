// Building and changing the page. Text only ever goes in as text: it comes from a broker.

export function el(name, className = "", ...children) {
  const element = document.createElement(name);
  if (className) element.className = className;
  element.append(...children);
  return element;
}

export function put(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

export function show(element, isShown) {
  if (element.hidden === isShown) element.hidden = !isShown;
}

export function data(element, key, value) {
  if (element.dataset[key] !== value) element.dataset[key] = value;
}

const keys = new WeakMap();

// Rebuilds an element's children only when what they show has changed.
export function fill(element, key, build) {
  const text = JSON.stringify(key);
  if (keys.get(element) === text) return;
  keys.set(element, text);
  element.replaceChildren(...build());
}
