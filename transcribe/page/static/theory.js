// The theory of the riff, as a short reading: mode and why, the loop, ways to play each chord.

import { chordBox } from "./chordbox.js";
import { busy, control, h, notice, put, recall, remember } from "./dom.js";
import { isLongRow, plural, printed, sentence } from "./music.js";
import { scaleNeck } from "./neck.js";

export function theoryPane(riff) {
  const element = h("div", { class: "theory" });
  const hear = (label, body, name = label) =>
    control(
      {
        "aria-label": name,
        onclick: (event) =>
          busy(event.target, async () => {
            try {
              await riff.transport.hear({ kind: "hear", ...body });
            } catch (error) {
              notice(error.message, { kind: "error", key: "hear" });
            }
          }),
      },
      label,
    );
  const refresh = () => {
    const theory = riff.data.document.theory;
    if (!theory?.mode) {
      put(element, h("p", { class: "quiet" }, "No mode was found: there are too few notes."));
      return;
    }
    put(
      element,
      modePart(theory.mode, hear, riff.data.document.drone),
      h("div", {}, theory.loop ? loopPart(theory, hear) : null, whyPart(theory.mode)),
      theory.scale?.on_string?.length ? neckPart(riff, theory) : null,
      theory.ways?.length ? waysPart(theory.ways, hear, again) : null,
    );
  };
  const again = () => {
    refresh();
    element.querySelector(".ways input")?.focus();
  };
  refresh();
  return { element, refresh };
}

function modePart(mode, hear, drone) {
  const confidence = Math.round(mode.confidence * 100);
  const deciding = mode.deciding || [];
  return h(
    "section",
    {},
    h("h3", {}, printed(`${mode.tonic} ${mode.name}`)),
    mode.candidates?.length
      ? h(
          "p",
          {},
          printed(`So few different notes tell no mode. It may be ${mode.candidates.join(", ")}.`),
        )
      : null,
    h(
      "p",
      {},
      mode.written?.held ? "Written in the file" : `${confidence} % sure`,
      mode.parent ? printed(`; it has the notes of ${mode.parent}`) : "",
      ". ",
      hear("Hear the scale", { what: "scale" }),
    ),
    mode.degrees?.length ? degreeBars(mode.degrees, drone) : null,
    deciding.length
      ? [
          h("p", {}, "What decides it (marked △ under the tab):"),
          h(
            "ul",
            {},
            deciding.map((text) => h("li", {}, sentence(text))),
          ),
        ]
      : null,
  );
}

/** How much of the time each degree sounds, as bars; the numbers stand over them. */
function degreeBars(degrees, drone) {
  const most = Math.max(...degrees.map((each) => each.share), 0.01);
  return h(
    "figure",
    { class: "degrees" },
    h(
      "ul",
      {},
      degrees.map(({ degree, note, role, share }) =>
        h(
          "li",
          { class: role === "tonic" || role === "scale" ? role : "foreign" },
          h("span", { class: "share" }, `${Math.round(100 * share)} %`),
          h("span", {
            class: "bar",
            "aria-hidden": "true",
            style: { height: `${Math.round((70 * share) / most) + 1}px` },
          }),
          h("b", {}, printed(degree)),
          h("span", {}, printed(note)),
        ),
      ),
    ),
    h(
      "figcaption",
      {},
      `The share of the time that each degree sounds${drone ? ", the drone left out" : ""}`,
    ),
  );
}

/** The mode along the string of the melody, and in one position of the hand. */
function neckPart(riff, { mode, scale }) {
  const { drone } = riff.data.document;
  const name = printed(`${mode.tonic} ${mode.name}`);
  const width = Math.min(900, Math.max(460, riff.pane.clientWidth / 2 - 40));
  const strings = drone ? [drone.string, ...(drone.other_strings || [])] : [];
  const along = `${name} along string ${scale.on_string[0].string}${drone ? " over the drone" : ""}`;
  const figure = (label, notes, under) =>
    notes?.length
      ? h(
          "div",
          {},
          h("h4", {}, label),
          scaleNeck(riff.data.document, notes, { label, drone: under, width }),
        )
      : null;
  return h(
    "section",
    { class: "on-neck" },
    h("h3", {}, "On the neck"),
    h(
      "p",
      { class: "hint" },
      "Filled: the tonic. A heavy ring: a degree that tells the mode from its neighbours. A heavy string: the drone.",
    ),
    figure(along, scale.on_string, strings),
    figure(`${name} in one position`, scale.in_position, []),
  );
}

/** The reasons behind the mode, and what else it might be. */
function whyPart(mode) {
  const evidence = (mode.evidence || []).filter((text) => !(mode.deciding || []).includes(text));
  if (!evidence.length && !mode.undecided?.length && !mode.runners_up?.length) return null;
  const others = (mode.runners_up || []).filter((r) => r.confidence >= 0.005);
  return h(
    "section",
    {},
    h("h3", {}, `Why ${printed(`${mode.tonic} ${mode.name}`)}`),
    evidence.length
      ? h(
          "ul",
          {},
          evidence.map((text) => h("li", {}, sentence(text))),
        )
      : null,
    mode.undecided?.length
      ? [
          h("p", {}, "What is left open:"),
          h(
            "ul",
            {},
            mode.undecided.map((text) => h("li", {}, sentence(text))),
          ),
        ]
      : null,
    others.length
      ? h(
          "p",
          { class: "quiet" },
          printed(
            `It could also be ${others
              .slice(0, 3)
              .map((r) => `${r.tonic} ${r.name} (${Math.round(r.confidence * 100)} %)`)
              .join(", ")}.`,
          ),
        )
      : null,
  );
}

function loopPart(theory, hear) {
  const { loop } = theory;
  const title = loop.implied ? "Chords it hints at" : loop.once ? "The chords" : "The loop";
  const words = "A single line: no chords are played.";
  const hint = loop.implied ? h("p", { class: "quiet" }, words) : null;
  const bars = loop.by_bar?.length ? loop.by_bar.map((bar) => bar.join(" ")) : loop.symbols;
  // A drone on one chord goes round nothing; say so rather than count it.
  if (loop.symbols.length === 1 && !loop.departures?.length) {
    const roman = loop.romans?.[0] ? ` (${loop.romans[0]})` : "";
    return h(
      "section",
      {},
      h("h3", {}, title),
      hint,
      h(
        "p",
        {},
        loop.implied ? "One chord fits throughout: " : "One chord throughout: ",
        h("span", { class: "loop" }, printed(loop.symbols[0])),
        `${roman}. `,
        theory.ways?.length ? hear("Hear it", { what: "loop" }, "Hear the loop") : null,
      ),
    );
  }
  // What does not come round, and is long, stands over the tab; a row of it tells nothing.
  if (isLongRow(loop))
    return h(
      "section",
      {},
      h("h3", {}, title),
      hint,
      h("p", {}, `${plural(new Set(loop.symbols).size, "different chord")}, over the tab.`),
    );
  return h(
    "section",
    {},
    h("h3", {}, title),
    hint,
    h(
      "p",
      { class: "loop" },
      "| ",
      bars.map((bar) => [h("b", {}, printed(bar)), " | "]),
    ),
    loop.romans?.some(Boolean) ? h("p", {}, loop.romans.join(" – ")) : null,
    h(
      "p",
      {},
      `${plural(loop.bars, "bar")}`,
      loop.times && !loop.once ? `, ${Number(loop.times.toFixed(1))} times round` : "",
      ". ",
      theory.ways?.length
        ? hear(loop.once ? "Hear them" : "Hear the loop", { what: "loop" })
        : null,
    ),
    (loop.departures || []).map((d) =>
      h("p", { class: "quiet" }, printed(`Bar ${d.bar} departs from it: ${d.symbols.join(" ")}.`)),
    ),
    loop.plain && loop.plain.join() !== loop.symbols.join()
      ? h("p", { class: "quiet" }, printed(`Plainer, to sing along: ${loop.plain.join(" – ")}`))
      : null,
  );
}

function waysPart(ways, hear, again) {
  const left = h("input", {
    type: "checkbox",
    checked: recall("left-handed", false),
    onchange: () => {
      remember("left-handed", left.checked);
      again();
    },
  });
  const levels = [
    ["easier", "Easier"],
    ["plain", "Usual grips"],
    ["heavier", "Heavier"],
  ];
  return h(
    "section",
    { class: "ways" },
    h("h3", {}, "Ways to play the chords"),
    h("label", { class: "tick" }, left, "Left-handed pictures"),
    // Each shape says in a word what asks for care; the whole sentence stands once.
    [
      ...new Set(
        ways
          .flatMap((way) =>
            levels.flatMap(([key]) => (way[key] || []).map((shape) => shape.caution)),
          )
          .filter(Boolean),
      ),
    ].map((text) => h("p", { class: "caution" }, h("strong", {}, "Take care: "), sentence(text))),
    ways.map((way) =>
      h(
        "div",
        { class: "way" },
        h(
          "h4",
          {},
          printed(way.as_played ? `${way.symbol}, the ${way.as_played} shape` : way.symbol),
        ),
        h(
          "div",
          { class: "levels" },
          levels
            .filter(([key]) => way[key]?.length)
            .map(([key, name]) =>
              h(
                "div",
                { class: "level" },
                h("span", { class: "level-name" }, name),
                h(
                  "div",
                  { class: "shapes" },
                  way[key].map((shape) => shapeFigure(shape, hear)),
                ),
              ),
            ),
        ),
        (way.capo || [])
          .slice(0, 2)
          .map((plan) =>
            h(
              "p",
              { class: "quiet" },
              `${plan.capo ? `With a capo at fret ${plan.capo}` : "Without the capo"}, play it as ${printed(plan.think)}.`,
            ),
          ),
      ),
    ),
  );
}

function shapeFigure(shape, hear) {
  return h(
    "figure",
    {},
    chordBox(shape),
    h(
      "figcaption",
      {},
      h("span", {}, printed(shape.symbol)),
      shape.kind ? h("small", {}, shape.kind) : null,
      hear(
        "Hear",
        { what: "chord", frets: shape.frets },
        `Hear ${[shape.symbol, shape.kind].filter(Boolean).join(", ")}: ${[...shape.frets]
          .reverse()
          .map((fret) => fret ?? "x")
          .join(" ")}`,
      ),
      shape.caution ? h("small", { class: "caution" }, "Take care: wide stretch") : null,
    ),
  );
}
