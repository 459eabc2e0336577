// What every part of the page builds with. Law: text reaches the page by textContent only, with whatever would not be
// seen (controls, bidirectional marks, private use) written out first, as harness/reports/escape.py does.

const SVG = "http://www.w3.org/2000/svg";
const HIDDEN = /[\p{Cc}\p{Cf}\p{Cs}\p{Co}\p{Cn}\p{Zl}\p{Zp}]/gu;

export function plain(text) {
  return String(text ?? "").replace(HIDDEN, (letter) => {
    const code = letter.codePointAt(0);
    const hex = code.toString(16);
    if (code <= 0xff) return `\\x${hex.padStart(2, "0")}`;
    return code <= 0xffff ? `\\u${hex.padStart(4, "0")}` : `\\U${hex.padStart(8, "0")}`;
  });
}

export const byId = (id) => document.getElementById(id);

/** Build an element; a string among the children becomes text. */
export function el(tag, attributes = {}, ...children) {
  return fill(document.createElement(tag), attributes, children);
}

export function svg(tag, attributes = {}, ...children) {
  return fill(document.createElementNS(SVG, tag), attributes, children);
}

function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  for (const child of children) node.append(typeof child === "string" ? plain(child) : child);
  return node;
}

/** Set a text where it differs: a scene comes twenty times a second, and most of it is as it was. */
export function put(node, text) {
  const shown = plain(text);
  if (node.textContent !== shown) node.textContent = shown;
}

export function set(node, name, value) {
  if (node.getAttribute(name) !== String(value)) node.setAttribute(name, value);
}

export function seconds(value) {
  if (value === null || value === undefined) return "";
  if (value >= 100) return String(Math.round(value));
  return value.toFixed(value >= 10 && value % 1 < 0.05 ? 0 : 1);
}

export const isStill = () => matchMedia("(prefers-reduced-motion: reduce)").matches;
