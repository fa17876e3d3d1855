// The drawings of a handout for a program that has no browser: what the page would draw, as SVG.
// It brings the little of a document that the drawing asks for.

import { chordBox } from "./chordbox.js";
import { gripsOf, riffOf, scalesOf } from "./drawn.js";
import { printed } from "./music.js";
import { scaleNeck } from "./neck.js";
import { signs } from "./sheet.js";
import { drawSystems } from "./systems.js";

const SVG = "http://www.w3.org/2000/svg";
const NECK = 470; // pixels; the picture is scaled to the paper
const ESCAPED = { "&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;" };

// Signs that XML does not allow cannot be escaped either.
const BARRED = /[\u0000-\u0008\u000b\u000c\u000e-\u001f\ufffe\uffff]/g;

function escaped(text) {
  return text.replace(BARRED, "").replace(/[&<>"]/g, (sign) => ESCAPED[sign]);
}

class Shape {
  constructor(tag) {
    this.tag = tag;
    this.attributes = {};
    this.children = [];
    this.style = {};
  }

  setAttribute(name, value) {
    this.attributes[name] = String(value);
  }

  getAttribute(name) {
    return this.attributes[name] ?? null;
  }

  addEventListener() {}

  append(...children) {
    this.children.push(...children.map((child) => (child instanceof Shape ? child : `${child}`)));
  }

  /** The first shape below with a class or a tag. */
  querySelector(wanted) {
    for (const child of this.children) {
      if (!(child instanceof Shape)) continue;
      const classes = (child.attributes.class || "").split(" ").map((name) => `.${name}`);
      const found =
        child.tag === wanted || classes.includes(wanted) ? child : child.querySelector(wanted);
      if (found) return found;
    }
    return null;
  }

  toString() {
    const attributes = Object.entries(this.attributes)
      .map(([name, value]) => ` ${name}="${escaped(value)}"`)
      .join("");
    const inner = this.children.map((child) =>
      child instanceof Shape ? `${child}` : escaped(child),
    );
    return `<${this.tag}${attributes}>${inner.join("")}</${this.tag}>`;
  }
}

function drawn(svg) {
  svg.setAttribute("xmlns", SVG);
  return String(svg);
}

/** What is drawn of the parts, as JSON; the lines of the tab are `width` millimetres wide. */
export function drawLesson(parts, { whole, width, fingers }) {
  globalThis.document = /** @type {any} */ ({
    createElement: (tag) => new Shape(tag),
    createElementNS: (_, tag) => new Shape(tag),
  });
  return JSON.stringify({
    parts: parts.map((part) => {
      const riff = riffOf(part, { fingers });
      return {
        systems: drawSystems(riff, width).map(({ svg }) => drawn(svg)),
        signs: signs(riff.notes, riff.phrases, riff),
      };
    }),
    grips: gripsOf(parts, whole).map(({ symbol, shape, as, heavier }) => ({
      name: printed(symbol),
      as: as ? printed(as) : "",
      wide: Boolean(shape.caution),
      heavier: Boolean(heavier),
      svg: drawn(chordBox(shape)),
    })),
    scales: scalesOf(parts, whole).map(({ label, doc, notes, drone }) => ({
      label,
      svg: drawn(scaleNeck(doc, notes, { label, drone, width: NECK }).querySelector("svg")),
    })),
  });
}
