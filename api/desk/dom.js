// Elements from plain values. Text is always set as text, so markup in what callers say stays text.

const SVG = "http://www.w3.org/2000/svg";

function fill(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? "" : value);
  }
  for (const child of children.flat(Infinity)) {
    if (child !== null && child !== undefined && child !== false) element.append(child);
  }
  return element;
}

/** An HTML element; attributes that begin with "on" are listeners, null children are left out. */
export const h = (tag, attributes = {}, ...children) =>
  fill(document.createElement(tag), attributes, children);

/** An SVG element. */
export const s = (tag, attributes = {}, ...children) =>
  fill(document.createElementNS(SVG, tag), attributes, children);

export const byId = (id) => document.getElementById(id);

/** A share from 0 to 1 as people read it. */
export function percent(share) {
  if (share >= 0.995) return ">99 %";
  if (share < 0.01) return "<1 %";
  return `${Math.round(share * 100)} %`;
}

/** "mend_first" -> "mend first". */
export const words = (id) => id.replaceAll("_", " ");
