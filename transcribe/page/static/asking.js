// Asking for a fingering in words: a hand position, no open strings and the like; and giving it up.

import { h, put } from "./dom.js";
import { capital } from "./music.js";

/**
 * What can be asked: its name, its words with # for a number, and the least number.
 * @type {[string, string, number?][]}
 */
const ASKED = [
  ["In one position", "position #", 1],
  ["No open strings", "no open strings"],
  ["Let it ring", "let it ring"],
  ["Along one string", "along string #", 1],
  ["Up to a fret", "highest fret #", 0],
  ["Three notes a string", "three notes a string"],
];

/** @returns {{element: HTMLElement, refresh: () => void}} */
export function askingPart(riff) {
  const what = h(
    "select",
    {},
    ASKED.map(([name], k) => h("option", { value: String(k) }, name)),
  );
  const number = h("input", { type: "number", min: "0", max: "24", value: "5", required: true });
  const numbered = h("span", {});
  const field = (...children) => h("label", { class: "field inline" }, children);
  const numberField = field(numbered, number);
  const where = h("select", {});
  const asked = h("ul", { class: "others" });
  const showNumber = () => {
    const [, words, least] = ASKED[Number(what.value)];
    numbered.textContent = capital(words.split(" ").at(-2) || ""); // what the number counts
    numberField.hidden = number.disabled = least === undefined;
    number.min = String(least ?? 0);
  };
  what.addEventListener("change", showNumber);

  const form = h(
    "form",
    {
      class: "row",
      onsubmit: (event) => {
        event.preventDefault();
        const words = ASKED[Number(what.value)][1].replace("#", number.value);
        const edit = { op: "ask", words: `${words}${where.value}`, repeats: true };
        riff.edit(where.value === " " ? { ...edit, notes: riff.chosen } : edit);
      },
    },
    field(h("span", {}, "Ask for"), what),
    numberField,
    field(h("span", {}, "For which notes"), where),
    h("button", { type: "submit" }, "Ask for it"),
  );

  /** The whole riff, the notes that are chosen, their bars, and the phrases. */
  function places() {
    const out = [["", "the whole riff"]];
    const chosen = riff.notes.filter((note) => riff.chosen.includes(note.id));
    if (chosen.length) {
      out.push([
        " ",
        chosen.length === 1 ? "the chosen note" : `the ${chosen.length} chosen notes`,
      ]);
      const bars = riff.data.document.rhythm ? chosen.map((note) => riff.bars.place(note).bar) : [];
      const [first, last] = [Math.min(...bars), Math.max(...bars)];
      if (bars.length && first > 0) {
        const named = first === last ? `bar ${first}` : `bars ${first} to ${last}`;
        out.push([` in ${named}`, named]);
      }
    }
    const phrases = riff.data.document.rhythm?.phrases || [];
    for (const label of new Set(phrases.map((phrase) => phrase.label)))
      out.push([` in phrase ${label}`, `phrase ${label}`]);
    return out;
  }

  /** The places are looked up when the list is about to be used: other notes may be chosen since. */
  function showPlaces() {
    const before = where.value;
    const list = places();
    const now = list.map(([value, name]) => `${value}=${name}`).join("|");
    if (where.dataset.list === now) return;
    where.dataset.list = now;
    put(
      where,
      list.map(([value, name]) => h("option", { value }, name)),
    );
    where.value = list.some(([value]) => value === before) ? before : "";
  }
  form.addEventListener("focusin", showPlaces);
  form.addEventListener("pointerenter", showPlaces);

  function refresh() {
    showPlaces();
    showNumber();
    put(
      asked,
      (riff.data.requests || []).map((name, k) =>
        h(
          "li",
          {},
          `Asked: ${name}. `,
          h(
            "button",
            {
              type: "button",
              "aria-label": `Give up: ${name}`,
              onclick: () => riff.edit({ op: "withdraw", number: k }),
            },
            "Give it up",
          ),
        ),
      ),
    );
    asked.hidden = !riff.data.requests?.length;
  }

  refresh();
  return {
    element: h(
      "section",
      {},
      h("h3", {}, "Ask for a fingering"),
      h(
        "p",
        { class: "quiet" },
        "The notes are fingered again as you ask. Where that cannot be, the note and the reason are named under the tab.",
      ),
      form,
      asked,
    ),
    refresh,
  };
}
