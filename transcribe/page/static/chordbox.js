// A chord as a picture of the neck: the theory and the handout draw with it.

import { recall, s } from "./dom.js";

/** A chord as a small upright picture of the neck, the lowest string to the left. */
export function chordBox(shape) {
  const words = shape.frets.map(
    (fret, k) =>
      `string ${k + 1} ${fret === null ? "not played" : fret === 0 ? "open" : `fret ${fret}`}`,
  );
  const label = `${shape.symbol}: ${words.join(", ")}`;
  const strings = shape.frets.length;
  const used = shape.frets.filter((fret) => fret > 0);
  const low = used.length && Math.max(...used) > 4 ? Math.min(...used) : 1;
  const rows = Math.max(4, used.length ? Math.max(...used) - low + 1 : 4);
  const gap = 13;
  const left = 24;
  const top = 22;
  // As the player sees the neck: the low string on the left, for a left-handed one on the right.
  const mirrored = recall("left-handed", false);
  const x = (string) => left + (mirrored ? string - 1 : strings - string) * gap;
  const y = (fret) => top + (fret - low + 0.5) * gap * 1.1;
  const box = s("svg", {
    class: "chord-box",
    width: left + strings * gap + 4,
    height: top + rows * gap * 1.1 + 8,
    role: "img",
    "aria-label": label,
  });
  for (let string = 1; string <= strings; string += 1)
    box.append(
      s("line", {
        class: "string",
        x1: x(string),
        x2: x(string),
        y1: top,
        y2: top + rows * gap * 1.1,
      }),
    );
  for (let row = 0; row <= rows; row += 1)
    box.append(
      s("line", {
        class: row === 0 && low === 1 ? "nut" : "fret",
        x1: x(strings),
        x2: x(1),
        y1: top + row * gap * 1.1,
        y2: top + row * gap * 1.1,
      }),
    );
  if (low > 1)
    box.append(
      s("text", { x: left - 9, y: y(low) + 4, "text-anchor": "end", font: 10 }, String(low)),
    );
  shape.frets.forEach((fret, k) => {
    const string = k + 1;
    if (fret === null || fret === undefined)
      box.append(s("text", { x: x(string), y: top - 6, mid: true, font: 10 }, "×"));
    else if (fret === 0)
      box.append(s("circle", { class: "open", cx: x(string), cy: top - 9, r: 3.4 }));
    else {
      box.append(s("circle", { class: "stopped", cx: x(string), cy: y(fret), r: 5.2 }));
      const finger = shape.fingers?.[k];
      if (finger)
        box.append(
          s(
            "text",
            { class: "finger", x: x(string), y: y(fret) + 3, mid: true, font: 8.5 },
            String(finger),
          ),
        );
    }
  });
  return box;
}
