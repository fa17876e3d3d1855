// Other ways to finger the whole riff, and reading it again with another tuning, capo or hand.

import { get, post } from "./api.js";
import { askingPart } from "./asking.js";
import { ask, control, h, notice, put, recall, say } from "./dom.js";
import { capital, openStrings, plural } from "./music.js";
import { placesNeck } from "./neck.js";
import { settingsForm } from "./shelf.js";
import { asked } from "./tell.js";
import { Work } from "./work.js";

export function againPane(riff) {
  const others = h("div", {});
  const asking = askingPart(riff);
  const works = h("ul", { class: "works", "aria-label": "Work in progress" });
  const doc = riff.data.document;
  const form = settingsForm({
    tuning: riff.data.tuning === "standard" ? "" : riff.data.tuning || openStrings(doc).join(","),
    capo: doc.instrument.capo,
    hand_span_mm: doc.player?.hand_span_mm || "",
  });
  form.element.open = true;
  const again = async (from) => {
    const work = new Work(
      from === "take" ? "Reading the recording again" : "Fingering the notes again",
    );
    works.append(work.element);
    try {
      const started = await post(`/api/riffs/${riff.id}/again`, {
        from,
        settings: from === "take" ? form.values() : whole(form.values()),
      });
      const made = await work.follow(started.job);
      await riff.refresh(await get(`/api/riffs/${riff.id}`));
      if (from !== "take") {
        told(made);
        return;
      }
      const carried =
        from === "take"
          ? ` ${plural(made.carried, "pin")} carried over${made.lost ? `, ${made.lost} fit no note any more` : ""}; the old document is kept as ${made.kept}.`
          : "";
      notice(`Done.${carried}`, { key: "again" });
    } catch (error) {
      work.element.remove();
      if (error.status !== 499) notice(error.message, { kind: "error", key: "again" });
    }
  };
  /** What was left empty is said too: no capo, standard tuning, a medium hand. */
  const whole = (values) => ({ tuning: "standard", capo: 0, hand_span_mm: 0, ...values });
  const outcome = h("div", {});
  const told = (made) => {
    const kept = made.pins - made.lost.length;
    const pins = made.pins ? `${kept} of ${plural(made.pins, "pin")} kept` : "";
    const lost = made.lost.length
      ? `, ${made.lost.length} lost, for ${made.lost.length === 1 ? "its place is" : "their places are"} not there any more`
      : "";
    notice(
      `Fingered anew: ${plural(made.moved.length, "note")} moved. ${pins}${lost}${pins ? "." : ""}`,
      {
        key: "again",
        into: outcome,
        actions:
          riff.data.undo?.facts.what === "fingering anew"
            ? [
                [
                  "Take it back",
                  () => {
                    if (riff.data.undo?.facts.what === "fingering anew") riff.edit({ op: "undo" });
                  },
                ],
              ]
            : [],
      },
    );
  };
  const readAgain = control(
    {
      onclick: async () => {
        const sure = await ask(
          "Read the recording again?",
          "The notes are found anew, so notes that were added or deleted by hand come back as they were heard. Pins are carried over where the notes still match, and the old document is kept beside the new one.",
          [
            ["Leave it", null],
            ["Read it again", true, true],
          ],
        );
        if (sure) again("take");
      },
    },
    "Read the recording again",
  );

  const numbers = recall("numbers", false);
  let cost = null;
  function refresh() {
    asking.refresh();
    readAgain.hidden = !riff.data.take.there;
    const list = riff.data.document.alternatives || [];
    if (!list.length) {
      const none = "There is no other fingering that differs enough to be worth a look.";
      put(others, h("p", { class: "quiet" }, none));
      return;
    }
    cost = null;
    draw(list);
    get(`/api/riffs/${riff.id}/cost`)
      .then((found) => {
        cost = found.cost;
        draw(list);
      })
      .catch(() => {});
  }

  function draw(list) {
    const places = (positions) =>
      riff.notes
        .map((note) => positions[note.id] || [note.string, note.fret])
        .filter(([string]) => string !== null);
    const { drone } = riff.data.document;
    const strings = drone ? [drone.string, ...(drone.other_strings || [])] : [];
    const card = (name, positions, rest) =>
      h(
        "li",
        { class: "card" },
        h("h4", {}, name),
        placesNeck(riff.data.document, places(positions), {
          drone: strings,
          label: `${name}: the places on the neck`,
        }),
        rest,
      );
    const shown = others.querySelector("[aria-pressed=true]")?.dataset.number;
    put(
      others,
      h(
        "ul",
        { class: "others" },
        card(
          "As it is",
          {},
          h(
            "p",
            {},
            numbers && cost !== null ? `Cost ${cost.toFixed(1)}.` : "The fingering that is saved.",
          ),
        ),
        list.map((other, k) =>
          card(capital(other.name), other.positions, describe(other, k, String(k) === shown)),
        ),
      ),
    );
  }

  /** Easier or harder for the hand than the fingering as it is, and what else it asks. */
  function compared(other) {
    const price = `cost ${other.cost.toFixed(1)}`;
    if (cost === null) return price;
    const ratio = other.cost / Math.max(cost, 1);
    const words =
      ratio < 0.7
        ? "easier for the hand"
        : ratio < 1.15
          ? "about as easy"
          : ratio < 2
            ? "harder for the hand"
            : "much harder for the hand";
    const also = asked(other.why?.facts.because);
    // A drawback stands against what is easy, and adds to what is hard.
    const joined = also ? `, ${ratio < 1.15 ? "but" : "and"} ${also}` : "";
    return (numbers ? price : words) + joined;
  }

  function describe(other, k, pressed) {
    const moved = riff.notes.filter((note) => {
      const place = other.positions[note.id];
      return place && (place[0] !== note.string || place[1] !== note.fret);
    });
    const show = control(
      {
        "aria-pressed": String(pressed),
        "data-number": k,
        onclick: () => {
          const on = show.getAttribute("aria-pressed") !== "true";
          for (const button of others.querySelectorAll("[aria-pressed]"))
            button.setAttribute("aria-pressed", "false");
          show.setAttribute("aria-pressed", String(on));
          riff.preview(on ? other : null);
          say(on ? `The tab shows: ${other.name}.` : "The tab shows the fingering as it is.");
        },
      },
      "Show",
    );
    return [
      h("p", {}, `${plural(moved.length, "note")} elsewhere, ${compared(other)}.`),
      h(
        "span",
        { class: "row tight" },
        show,
        control(
          {
            disabled: !moved.length,
            onclick: () => {
              riff.preview(null);
              riff.edit({ op: "alternative", number: k });
            },
          },
          "Use it",
        ),
      ),
    ];
  }

  refresh();
  return {
    element: h(
      "div",
      { class: "again" },
      h("div", {}, asking.element, h("section", {}, h("h3", {}, "Other fingerings"), others)),
      h(
        "section",
        {},
        h("h3", {}, "With another tuning or hand"),
        form.element,
        h(
          "div",
          { class: "row" },
          control({ class: "main", onclick: () => again("notes") }, "Finger the notes again"),
          readAgain,
        ),
        works,
        outcome,
      ),
    ),
    refresh,
  };
}
