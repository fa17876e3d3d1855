// The whole tab in lines as wide as the page, each a slice of the same axis. Only the lines near
// the window are drawn; the others keep their room.

import { h, put, s } from "./dom.js";
import { engrave } from "./engrave.js";
import { stringNames } from "./music.js";
import { sized } from "./picture.js";

const NAMES = 26;
const MARGIN = 10;

export class Lines {
  constructor(strip) {
    this.strip = strip;
    this.lines = [];
    this.list = h("div", {
      class: "tab-list lines",
      role: "listbox",
      tabindex: "0",
      "aria-multiselectable": "true",
      "aria-label": "Tab in lines",
      "aria-describedby": "tab-keys",
    });
    this.element = this.list;
    this.watcher = new IntersectionObserver(
      (seen) => {
        for (const { target, isIntersecting } of seen) {
          const line = this.lines.find((each) => each.svg === target);
          if (!line) continue;
          line.near = isIntersecting;
          if (isIntersecting) this.draw(line);
          else {
            put(line.root);
            line.drawn = false;
            line.take.width = 0; // its pixels are given back, its room is kept
          }
        }
      },
      { rootMargin: "700px 0px" },
    );
    this.list.addEventListener("keydown", (event) => strip.events.key?.(event));
    this.pointer();
  }

  leave() {
    this.watcher.disconnect();
  }

  /** Lay the lines out anew: the notes, the width or the scale have changed. */
  lay() {
    const { strip } = this;
    const { axis, g } = strip;
    const width = strip.element.clientWidth - 2;
    const height = strip.tabHeight;
    const room = width - NAMES - MARGIN;
    const kept = this.lines;
    let stretch = 1.25;
    this.lines = axis.lines(room).map(({ from, to }, k, all) => {
      // A line is pulled out to the edge unless it is the last and short.
      const fit = room / (to - from);
      const scale = k + 1 < all.length ? fit : Math.min(fit, stretch);
      if (k + 1 < all.length) stretch = fit;
      const line = kept[k] || this.newLine();
      Object.assign(line, { from, to, scale, drawn: false });
      line.svg.setAttribute("width", width);
      line.svg.setAttribute("height", height);
      line.take.hidden = !strip.lane.tall;
      line.take.style.height = `${strip.lane.tall}px`;
      line.take.width = 0;
      put(
        line.names,
        stringNames(strip.view_.document).map((name, n) =>
          s("text", { x: 10, y: g.y(n + 1) + 4, mid: true, font: 10.5 }, name),
        ),
      );
      return line;
    });
    for (const line of kept.slice(this.lines.length)) {
      this.watcher.unobserve(line.svg);
      line.svg.remove();
      line.take.remove();
    }
    this.lines.forEach((line) => {
      if (line.svg.parentNode !== this.list) {
        this.list.append(line.svg, line.take);
        this.watcher.observe(line.svg);
      }
    });
    this.show();
  }

  newLine() {
    const root = s("g", { role: "presentation" });
    const band = s("rect", { class: "line-band", y: 0 });
    const head = s("line", { class: "line-head", y1: 0 });
    const names = s("g", { class: "names", "aria-hidden": "true" });
    const svg = s("svg", { class: "tab line", role: "presentation" }, head, root, band, names);
    const take = h("canvas", { class: "lane", "aria-hidden": "true" });
    return { svg, root, band, head, names, take, near: false };
  }

  /** Draw again what is near the window. */
  show() {
    for (const line of this.lines) {
      line.drawn = false;
      if (line.near) this.draw(line);
    }
    this.placeHead();
    this.placeBand();
    this.strip.element.dataset.drawn = String(this.list.querySelectorAll(".note").length);
  }

  draw(line) {
    if (line.drawn || !this.strip.inLines) return;
    line.drawn = true;
    const place = (x) => NAMES + (x - line.from) * line.scale;
    const strokes = engrave(this.strip, line.from, line.to, place, [NAMES - 6, place(line.to)]);
    // What a change leaves as it was stays in the page, and is not painted anew.
    if (!strokes.every((part, k) => line.root.childNodes[k]?.isEqualNode(part)))
      put(line.root, strokes);
    this.drawTake(line);
    this.strip.nameActive();
  }

  /** The take that was compared, under its line: the same axis, pulled out as the line is. */
  drawTake(line) {
    const { axis, lane } = this.strip;
    if (!lane.tall) return;
    const place = (x) => NAMES + (x - line.from) * line.scale;
    const width = place(line.to);
    if (!line.take.width) sized(line.take, width, lane.tall);
    lane.drawOn(line.take, {
      axis: {
        xOf: (sec) => place(axis.xOf(sec)),
        secAt: (x) => axis.secAt(line.from + (x - NAMES) / line.scale),
        stretches: (from, to) =>
          axis.stretches(from, to).map(([a, b, xa, xb]) => [a, b, place(xa), place(xb)]),
      },
      offset: 0,
      width,
      left: NAMES,
      named: line === this.lines[0],
    });
  }

  /** The take again, of which more has come. */
  showTake() {
    for (const line of this.lines) if (line.near && line.drawn) this.drawTake(line);
  }

  lineOf(sec) {
    const x = this.strip.axis.xOf(sec);
    return this.lines.find((line) => x < line.to) || this.lines[this.lines.length - 1];
  }

  ensureVisible(sec, block = "nearest") {
    const line = this.lineOf(sec);
    if (!line) return;
    line.near = true;
    this.draw(line);
    const box = line.svg.getBoundingClientRect();
    // Play lies over the head of the window, and over its foot what was changed and the panel.
    const style = getComputedStyle(line.svg);
    const [head, foot] = [style.scrollMarginTop, style.scrollMarginBottom].map(Number.parseFloat);
    if (box.top < head || box.bottom > window.innerHeight - foot)
      line.svg.scrollIntoView({ block });
  }

  placeHead() {
    const { strip } = this;
    const x = strip.axis.xOf(strip.playhead);
    for (const line of this.lines) {
      const here = x >= line.from && x < line.to;
      line.head.toggleAttribute("hidden", !here);
      line.head.style.display = here ? "" : "none";
      if (!here) continue;
      const at = NAMES + (x - line.from) * line.scale;
      for (const [key, value] of [
        ["x1", at],
        ["x2", at],
        ["y2", strip.tabHeight],
      ])
        line.head.setAttribute(key, value);
    }
  }

  placeBand() {
    const { strip } = this;
    const range = strip.draft || strip.loop;
    for (const line of this.lines) {
      const a = range ? Math.max(line.from, strip.axis.xOf(range[0])) : 0;
      const b = range ? Math.min(line.to, strip.axis.xOf(range[1])) : 0;
      line.band.style.display = b > a ? "" : "none";
      if (b <= a) continue;
      line.band.setAttribute("x", NAMES + (a - line.from) * line.scale);
      line.band.setAttribute("width", (b - a) * line.scale);
      line.band.setAttribute("height", strip.tabHeight);
    }
  }

  pointer() {
    let start = null;
    const secAt = (event) => {
      const line =
        this.lines.find(({ svg, take }) => {
          const last = take.hidden ? svg : take;
          return last.getBoundingClientRect().bottom > event.clientY;
        }) || this.lines[this.lines.length - 1];
      const x = event.clientX - line.svg.getBoundingClientRect().left;
      return this.strip.axis.secAt(
        Math.min(line.to, Math.max(line.from, line.from + (x - NAMES) / line.scale)),
      );
    };
    this.list.addEventListener("pointerdown", (event) => {
      if (event.button !== 0 || !this.lines.length) return;
      start = {
        x: event.clientX,
        y: event.clientY,
        sec: secAt(event),
        id: event.target.closest?.("[data-note]")?.dataset.note,
        touch: event.pointerType === "touch",
      };
    });
    this.list.addEventListener("pointermove", (event) => {
      if (!start || start.touch || Math.hypot(event.clientX - start.x, event.clientY - start.y) < 6)
        return;
      if (!this.strip.draft) this.list.setPointerCapture(event.pointerId);
      this.strip.draft = [start.sec, secAt(event)].sort((a, b) => a - b);
      this.placeBand();
    });
    const end = (event) => {
      const began = start;
      const { draft } = this.strip;
      start = null;
      this.strip.draft = null;
      if (!began || event.type === "pointercancel") {
        this.placeBand();
        return;
      }
      if (draft) {
        if (draft[1] - draft[0] > 0.05) this.strip.events.select(draft);
        this.placeBand();
        return;
      }
      const id = began.id ?? this.strip.figureNear(event, began.touch ? 26 : 10);
      if (id) this.strip.events.choose(Number(id), event.shiftKey, began.touch);
      else this.strip.events.seek(began.sec);
    };
    this.list.addEventListener("pointerup", end);
    this.list.addEventListener("pointercancel", end);
  }
}
