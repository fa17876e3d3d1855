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
    strip: { shown: { fingers } },
  };
}

/** One way to play each chord of the parts, in their order. */
export function gripsOf(parts) {
  const found = new Map();
  for (const { theory } of parts.map((part) => part.document))
    for (const symbol of theory.loop?.symbols || []) {
      const way = (theory.ways || []).find((each) => each.symbol === symbol);
      const shape = way && (way.plain?.[0] || way.easier?.[0] || way.heavier?.[0]);
      if (shape && !found.has(symbol)) found.set(symbol, { symbol, shape, as: way.as_played });
    }
  return [...found.values()];
}

/** The pictures of the modes on the neck, once for each mode of the parts. */
export function scalesOf(parts) {
  const seen = new Set();
  return parts.flatMap(({ document: { theory, instrument, drone } }) => {
    const { mode, scale } = theory;
    if (!mode || mode.candidates?.length || !scale?.on_string?.length) return [];
    const name = printed(`${mode.tonic} ${mode.name}`);
    if (seen.has(name)) return [];
    seen.add(name);
    const under = drone ? [drone.string, ...(drone.other_strings || [])] : [];
    const { string } = scale.on_string[0];
    const along = `${name} along string ${string}${drone ? " over the drone" : ""}`;
    const found = [{ label: along, instrument, notes: scale.on_string, drone: under }];
    if (scale.in_position?.length)
      found.push({
        label: `${name} in one position`,
        instrument,
        notes: scale.in_position,
        drone: [],
      });
    return found;
  });
}
