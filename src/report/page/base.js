"use strict";
// What the parts of the page share. Every word from the data goes in as text, never as
// markup.

const SVG = "http://www.w3.org/2000/svg";
const data = JSON.parse(document.getElementById("page-data").textContent);
const byId = (id) => document.getElementById(id);

const made = (tag, attributes = {}, ...inside) => {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...inside);
  return element;
};
const drawn = (tag, attributes, parent) => {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  if (parent) parent.append(element);
  return element;
};

/// Digits that a reader needs, a true minus.
const number = (value, digits = 4) => {
  if (!Number.isFinite(value)) return "";
  const text = Math.abs(value) >= 1000 ? value.toFixed(0) : String(Number(value.toPrecision(digits)));
  return text.replace("-", "\u2212");
};
