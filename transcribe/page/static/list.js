// The list of riffs: found by a word, put in order, heard, and what else can be done with each.

import { address, get, make, post, remove } from "./api.js";
import {
  ask,
  askName,
  control,
  h,
  notice,
  put,
  recall,
  remember,
  s,
  say,
  tellTaken,
} from "./dom.js";
import { clock, plural, printed } from "./music.js";
import { Work } from "./work.js";

const MANY = 4; // riffs from which on a search and an order are of use (chosen by eye)
const QUIET = 0.12; // loudness of what is played from the list, of 1 (chosen by ear)
const ORDERS = {
  name: ["by name", (a, b) => a.name.localeCompare(b.name)],
  newest: ["changed last", (a, b) => (b.changed_sec || 0) - (a.changed_sec || 0)],
  longest: ["the longest", (a, b) => (b.duration_sec || 0) - (a.duration_sec || 0)],
};

/** Remove a riff or a lesson once that is confirmed, and offer to put it back. */
export async function takeAway({ from, name, stays, refresh }) {
  const sure = await ask(`Remove ${name}?`, stays, [
    ["Keep it", null],
    ["Remove", true, true],
  ]);
  if (!sure) return;
  try {
    const gone = await remove(from);
    await refresh();
    const back = async () => {
      try {
        await post(`/api/removed/${gone.removed}/back`);
        await refresh();
        say(`${gone.name} is back.`);
      } catch (error) {
        notice(error.message, { kind: "error" });
      }
    };
    notice(`${name} is removed.`, { key: "removed", actions: [["Put it back", back]] });
  } catch (error) {
    notice(error.message, { kind: "error" });
  }
}

export class RiffList {
  /** `refresh` reads the folder anew; `example` brings in the recording that ships along. */
  constructor({ refresh, example }) {
    this.refresh = refresh;
    this.example = example;
    this.riffs = [];
    this.lessons = [];
    this.search = h("input", { type: "search", autocomplete: "off", oninput: () => this.fill() });
    const order = recall("order", "name");
    this.order = h(
      "select",
      {
        onchange: () => {
          remember("order", this.order.value);
          this.fill();
        },
      },
      Object.entries(ORDERS).map(([value, [text]]) =>
        h("option", { value, selected: value === order }, text),
      ),
    );
    this.finding = h(
      "div",
      { class: "row finding", role: "search" },
      h("label", { class: "field inline" }, h("span", {}, "Find"), this.search),
      h("label", { class: "field inline" }, h("span", {}, "Order"), this.order),
    );
    this.rows = h("div", {});
    this.element = h("div", { class: "contents" }, this.finding, this.rows);
  }

  show(riffs, lessons = []) {
    this.riffs = riffs;
    this.lessons = lessons;
    this.finding.hidden = riffs.length < MANY;
    if (this.finding.hidden) this.search.value = "";
    this.fill();
  }

  fill() {
    if (!this.riffs.length) {
      put(this.rows, this.firstSteps());
      return;
    }
    const words = this.search.value.toLowerCase().split(/\s+/).filter(Boolean);
    const about = (riff) =>
      `${riff.name} ${printed(riff.mode || "")} ${riff.mode || ""} ${this.taughtIn(riff)}`.toLowerCase();
    const found = this.riffs
      .filter((riff) => words.every((word) => about(riff).includes(word)))
      .sort(ORDERS[this.order.value][1]);
    put(
      this.rows,
      found.length
        ? h(
            "ol",
            {},
            found.map((riff) => h("li", { class: "entry" }, this.row(riff))),
          )
        : h(
            "p",
            { class: "quiet", role: "status" },
            "No riff here has these words in its name, mode or lesson.",
          ),
    );
  }

  firstSteps() {
    return [
      h("p", {}, "No riff is here yet. It goes like this:"),
      h(
        "ol",
        { class: "first-steps" },
        h(
          "li",
          {},
          "Bring in a recording of a few bars, as rough as a phone makes it. A few seconds later its tab is there.",
        ),
        h(
          "li",
          {},
          "Play it slower, look at the tab, and put a note that lies badly on another string: the rest of the fingering follows.",
        ),
        h(
          "li",
          {},
          "Play it again, and hold that take against the tab: each note gets its verdict, and you get what to practise.",
        ),
      ),
      h(
        "p",
        {},
        control({ onclick: this.example }, "Try it on an example"),
        h("span", { class: "quiet" }, " A short riff over a drone, recorded for this program."),
      ),
    ];
  }

  row(riff) {
    if (riff.error)
      return [
        h("span", { class: "entry-name" }, riff.name),
        h("span", { class: "entry-facts" }, `cannot be read: ${riff.error}`),
        this.more(riff),
      ];
    const play = control(
      { class: "small", "aria-label": `Play ${riff.name}`, onclick: () => this.play(riff, play) },
      "Play",
    );
    const facts = [
      printed(riff.mode),
      plural(riff.notes, "note"),
      riff.unsure ? `${riff.unsure} unsure` : "",
      riff.pins ? plural(riff.pins, "pin") : "",
      clock(riff.duration_sec),
      this.taughtIn(riff),
    ];
    return [
      opening(riff.opening),
      h(
        "span",
        { class: "entry-words" },
        h("a", { class: "entry-name", href: `#riff=${riff.id}` }, riff.name),
        h("span", { class: "entry-facts" }, facts.filter(Boolean).join(" · ")),
      ),
      play,
      this.more(riff),
    ];
  }

  /** The lessons that a riff is a part of, in words. */
  taughtIn(riff) {
    const titles = this.lessons
      .filter((lesson) => lesson.parts?.some((part) => part.riff === riff.id))
      .map((lesson) => lesson.title);
    return titles.length ? `in ${titles.join(", ")}` : "";
  }

  /** What is seldom wanted, behind one control. */
  more(riff) {
    const small = (label, act) =>
      control({ class: "small", "aria-label": `${label} ${riff.name}`, onclick: act }, label);
    return h(
      "details",
      { class: "entry-more" },
      h("summary", { "aria-label": `More about ${riff.name}` }, "More"),
      h(
        "span",
        { class: "row tight" },
        riff.error ? null : small("Rename", () => this.rename(riff)),
        small("Remove", () => this.remove(riff)),
      ),
    );
  }

  async rename(riff) {
    const made = await askName(riff.name, async (name) => {
      const renamed = await post(`/api/riffs/${riff.id}/name`, { name });
      await this.refresh();
      return renamed;
    });
    if (made) tellTaken(made);
  }

  remove(riff) {
    const lessons = this.taughtIn(riff);
    return takeAway({
      from: `/api/riffs/${riff.id}`,
      name: riff.name,
      stays: `The document goes to the hidden folder .handspan/removed; the recording stays where it is.${lessons ? ` It is a part ${lessons}, which will miss it.` : ""}`,
      refresh: this.refresh,
    });
  }

  /** Hear the take, or the tab where there is none; one riff at a time, and quietly. */
  async play(riff, control) {
    const again = this.playing === control;
    this.stop();
    if (again) return;
    this.playing = control;
    control.textContent = "Stop";
    control.setAttribute("aria-label", `Stop ${riff.name}`);
    this.named = riff.name;
    try {
      const url = await soundOf(riff.id);
      if (this.playing !== control) return;
      this.audio = new Audio(url);
      this.audio.volume = QUIET;
      this.audio.onended = () => this.stop();
      await this.audio.play();
    } catch (error) {
      if (this.playing !== control) return;
      this.stop();
      notice(`The sound could not be played: ${error.message}`, { kind: "error", key: "sound" });
    }
  }

  stop() {
    this.audio?.pause();
    this.audio = null;
    if (!this.playing) return;
    this.playing.textContent = "Play";
    this.playing.setAttribute("aria-label", `Play ${this.named}`);
    this.playing = null;
  }
}

async function soundOf(riffId) {
  const { take } = await get(`/api/riffs/${riffId}`);
  if (!take.there) return make(riffId, { kind: "wav", speed: 1 });
  if (!take.ready) {
    const { job } = await post(`/api/riffs/${riffId}/prepare`);
    if (job) await new Work("Opening the recording").follow(job);
  }
  return address(`/api/riffs/${riffId}/take.wav`);
}

/** The first bar as a small picture of its tab. */
export function opening(first) {
  const [wide, tall, edge] = [120, 58, 7];
  const gap = (tall - 2 * edge) / Math.max(1, first.strings - 1);
  const y = (string) => edge + gap * (string - 1);
  const svg = s("svg", { class: "opening", width: wide, height: tall, "aria-hidden": "true" });
  for (let string = 1; string <= first.strings; string += 1)
    svg.append(s("line", { x1: 0, x2: wide, y1: y(string), y2: y(string) }));
  for (const [share, string, fret] of first.notes) {
    const x = 8 + share * (wide - 16);
    const half = 2.6 * String(fret).length + 0.8;
    svg.append(
      s("rect", { x: x - half, y: y(string) - gap / 2, width: 2 * half, height: gap }),
      s("text", { x, y: y(string) + 3, mid: true, font: 8.5 }, String(fret)),
    );
  }
  return svg;
}
