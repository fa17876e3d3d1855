// What the handout draws of a lesson, on the screen and on paper.

import { Bars, printed } from "./music.js";

/** A part as the drawing of the sheet asks for a riff, and the phrases in the bars that it has. */
export function riffOf(told, { fingers = false } = {}) {
  const { notes, rhythm } = told.document;
  const bars = new Bars(rhythm);
  const per = bars.meter[0];
  const numbers = notes.map((note) => bars.place(note).bar);
  const [first, last] = [Math.min(...numbers), Math.max(...numbers)];
  return {
    data: { document: told.document, bars: told.bars, legato_from: told.legato_from },
    notes,
    bars,
    first,
    last,
    phrases: bars.phrases.filter(
      (each) => each.start_beat < last * per && each.end_beat > (first - 1) * per,
    ),
    unsure: new Set(told.unsure),
    verdicts: new Map(told.verdicts),
    extras: told.extras,
    strip: { shown: { fingers } },
  };
}

/** One way to play each chord of the parts, in their order, and the power chords of the whole. */
export function gripsOf(parts, whole) {
  const found = new Map();
  for (const { theory } of parts.map((part) => part.document))
    for (const symbol of theory.loop?.symbols || []) {
      const way = (theory.ways || []).find((each) => each.symbol === symbol);
      const shape = way && (way.plain?.[0] || way.easier?.[0] || way.heavier?.[0]);
      if (shape && !found.has(symbol)) found.set(symbol, { symbol, shape, as: way.as_played });
    }
  for (const shape of whole?.heavier || [])
    if (!found.has(shape.symbol))
      found.set(shape.symbol, { symbol: shape.symbol, shape, heavier: true });
  return [...found.values()];
}

/** The pictures of the modes on the neck: that of the whole, else once each those of the parts. */
export function scalesOf(parts, whole) {
  if (whole) {
    const { instrument, names } = parts[0].document;
    return scalePictures(
      whole,
      { instrument, names },
      whole.drone_string ? [whole.drone_string] : [],
    );
  }
  const seen = new Set();
  return parts.flatMap(({ document: doc }) => {
    const { theory, drone } = doc;
    const name = theory.mode && `${theory.mode.tonic} ${theory.mode.name}`;
    if (!name || seen.has(name) || theory.mode.candidates?.length) return [];
    seen.add(name);
    const under = drone ? [drone.string, ...(drone.other_strings || [])] : [];
    return scalePictures(theory, doc, under);
  });
}

function scalePictures({ mode, scale }, doc, drone) {
  if (!scale?.on_string?.length) return [];
  const name = printed(`${mode.tonic} ${mode.name}`);
  const over = drone.length ? " over the drone" : "";
  const label = `${name} along string ${scale.on_string[0].string}${over}`;
  const found = [{ label, doc, notes: scale.on_string, drone }];
  if (scale.in_position?.length) {
    const notes = scale.in_position;
    found.push({ label: `${name} in one position`, doc, notes, drone: [] });
  }
  return found;
}
