// A picture of the neck: frets as far apart as on the instrument, string 1 on top. The places of a
// note, the mode along a string and the small necks of the fingerings are drawn on it. For a
// left-handed player the nut is on the right.

import { h, recall, s } from "./dom.js";
import { placeText, printed, stringNames } from "./music.js";

const DOTS = [3, 5, 7, 9, 12, 15, 17, 19, 21, 24]; // frets that most necks mark (common practice)

/**
 * The neck of a riff, `doc`, from fret `low` (0: the nut) to `high`, `width` pixels wide; `gap` from
 * string to string.
 * Frets lie at x = L (1 - 2^(-n/12)) (Fletcher & Rossing, 9.2), so millimetres are in proportion.
 */
export function drawNeck(doc, { low = 0, high, width, gap = 28, small = false }) {
  const { capo, open_midi } = doc.instrument;
  const strings = open_midi.length;
  const nut = small ? 16 : 84;
  const height = gap * (strings - 1) + (small ? 2 * gap + 8 : 66);
  const top = small ? gap : 29;
  const share = (fret) => 1 - 2 ** (-(fret + capo) / 12);
  const scale = (width - nut - (small ? 4 : 14)) / (share(high) - share(low));
  const mirrored = recall("left-handed", false);
  const across = (at) => (mirrored ? width - at : at);
  const x = (fret) => across(nut + scale * (share(fret) - share(low)));
  const y = (string) => top + gap * (string - 1);
  const middle = (fret) =>
    fret === 0 ? across(nut - (small ? 8 : 36)) : (x(Math.max(low, fret - 1)) + x(fret)) / 2;
  const ground = s("g", {});
  const line = (name, x1, x2, y1, y2) => ground.append(s("line", { class: name, x1, x2, y1, y2 }));
  const words = (at, base, text, anchor = "middle") =>
    ground.append(
      s(
        "text",
        { class: "fret-number", x: at, y: base, "text-anchor": anchor, font: small ? 9 : 11 },
        text,
      ),
    );
  for (let fret = low; fret <= high; fret += 1) {
    line(fret ? "fret" : "nut", x(fret), x(fret), y(1) - gap / 5, y(strings) + gap / 5);
    const room = fret > low && Math.abs(x(fret) - x(fret - 1));
    // High up the frets are too narrow for a number each; every other one has its own there.
    const needed = fret < 10 ? 15 : 22;
    const told = small ? DOTS.includes(fret + capo) || fret === low + 1 : fret % 2 || room > needed;
    if (room && told) words(middle(fret), height - (small ? 1 : 5), String(fret));
    if (room && DOTS.includes(fret + capo))
      ground.append(
        s("circle", {
          class: "inlay",
          cx: middle(fret),
          cy: (y(1) + y(strings)) / 2,
          r: small ? 2.5 : 4,
        }),
      );
  }
  if (!small) {
    stringNames(doc).forEach((name, k) => words(across(8), y(k + 1) + 4, name));
    if (capo) words(across(nut + 4), height - 5, `capo ${capo}`, mirrored ? "start" : "end");
  }
  for (let string = 1; string <= strings; string += 1)
    line("string", x(low), x(high), y(string), y(string));
  const svg = s("svg", { class: "neck", width, height }, ground);
  return { svg, x, y, middle, across, mirrored, width, height, strings, gap };
}

/** The open strings that ring on under all. */
export function drawDrone(neck, strings) {
  for (const string of strings)
    neck.svg.append(
      s("line", {
        class: "drone",
        x1: neck.middle(0),
        x2: neck.across(neck.width - 4),
        y1: neck.y(string),
        y2: neck.y(string),
      }),
    );
}

/** A round mark at a place, with a word or a number in it. */
export function mark(neck, string, fret, text, name = "") {
  const r = Math.min(neck.gap * (neck.gap < 16 ? 0.4 : 0.42), 12);
  const [cx, cy] = [neck.middle(fret), neck.y(string)];
  neck.svg.append(
    s(
      "g",
      { class: `spot ${name}` },
      s("circle", { cx, cy, r }),
      text ? s("text", { x: cx, y: cy + 0.34 * r * 1.1, mid: true, font: 1.05 * r }, text) : null,
    ),
  );
}

/** The notes of the mode on the neck, the tonic and the deciding degrees told apart by shape. */
export function scaleNeck(doc, notes, { label, drone = [], width }) {
  const frets = notes.map((note) => note.fret);
  const least = Math.min(...frets);
  const low = drone.length || least <= 1 ? 0 : least - 1;
  const neck = drawNeck(doc, { low, high: Math.max(...frets, low + 4), width, gap: 24 });
  drawDrone(neck, drone);
  for (const note of notes) mark(neck, note.string, note.fret, printed(note.degree), note.mark);
  const spoken = notes.map(
    (note) => `${printed(note.note)} ${placeText(note.string, note.fret)}, degree ${note.degree}`,
  );
  neck.svg.setAttribute("role", "img");
  neck.svg.setAttribute("aria-label", `${label}: ${spoken.join("; ")}`);
  return h("div", { class: "neck-scroll", tabindex: "0", role: "group", "aria-label": label }, [
    neck.svg,
  ]);
}

/** Where a fingering lies, small: every place that it uses, the drone's strings heavier. */
export function placesNeck(doc, places, { drone = [], label, width = 250 }) {
  const { instrument } = doc;
  const stopped = places.map(([, fret]) => fret).filter(Boolean);
  const least = Math.min(...stopped, instrument.frets);
  const open = places.some(([, fret]) => fret === 0);
  const low = open || least <= 2 ? 0 : least - 1;
  const neck = drawNeck(doc, {
    low,
    high: Math.min(instrument.frets - instrument.capo, Math.max(...stopped, low + 4) + 1),
    width,
    gap: 11,
    small: true,
  });
  drawDrone(neck, drone);
  const seen = new Set();
  for (const [string, fret] of places) {
    if (seen.has(`${string}/${fret}`)) continue;
    seen.add(`${string}/${fret}`);
    mark(neck, string, fret, "", fret ? "filled" : "open");
  }
  neck.svg.setAttribute("role", "img");
  neck.svg.setAttribute("aria-label", label);
  return neck.svg;
}
