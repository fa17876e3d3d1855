// The drawings of a handout for a program that has no browser: what the page would draw, as plain
// trees of shapes. It brings the little of a document that the drawing asks for.

import { chordBox } from "./chordbox.js";
import { gripsOf, riffOf, scalesOf } from "./lesson.js";
import { printed } from "./music.js";
import { scaleNeck } from "./neck.js";
import { drawSystems } from "./sheet.js";

const NECK = 640; // pixels; the picture is scaled to the paper

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
}

/** What is drawn of the parts, as JSON; the lines of the tab are `width` millimetres wide. */
export function drawLesson(parts, width) {
  globalThis.document = /** @type {any} */ ({
    createElement: (tag) => new Shape(tag),
    createElementNS: (_, tag) => new Shape(tag),
  });
  return JSON.stringify({
    systems: parts.map((part) => drawSystems(riffOf(part), width).map(({ svg }) => svg)),
    grips: gripsOf(parts).map(({ symbol, shape, as }) => ({
      name: printed(symbol),
      as: as ? printed(as) : "",
      svg: chordBox(shape),
    })),
    scales: scalesOf(parts).map(({ label, instrument, notes, drone }) => ({
      label,
      svg: scaleNeck(instrument, notes, { label, drone, width: NECK }).querySelector("svg"),
    })),
  });
}
