// The lessons of the folder on the list: opened, made of riffs, split from a recording, removed.

import { post } from "./api.js";
import { ask, control, h, put } from "./dom.js";
import { takeAway } from "./list.js";
import { plural } from "./music.js";

const LONG_SEC = 75; // from here on a recording may be a lesson with several parts (by judgement)
const SMALL_BYTES = 300_000; // less is no long recording, however it is packed
const LARGE_BYTES = 8_000_000; // where the browser cannot tell the length

export class LessonList {
  /** `refresh` reads the folder anew; `split` brings in a recorded lesson. */
  constructor({ refresh, split }) {
    this.refresh = refresh;
    this.riffs = [];
    this.rows = h("ol", {});
    this.make = control({ onclick: () => this.makeOne() }, "Make a lesson of riffs");
    const input = h("input", {
      type: "file",
      class: "unseen",
      tabindex: "-1",
      "aria-hidden": "true",
      onchange: () => {
        if (input.files.length) split(input.files[0]);
        input.value = "";
      },
    });
    this.element = h(
      "section",
      { "aria-labelledby": "lessons-title" },
      h("h2", { id: "lessons-title" }, "Lessons"),
      h("div", { class: "contents" }, this.rows),
      h(
        "div",
        { class: "row" },
        this.make,
        control({ onclick: () => input.click() }, "Split a recorded lesson"),
        input,
        h(
          "p",
          { class: "hint" },
          "A lesson teaches riffs as the parts of one piece. Recorded in one go with talk between, its parts are found by themselves.",
        ),
      ),
    );
  }

  show(lessons, riffs) {
    this.riffs = riffs.filter((riff) => !riff.error);
    this.element.hidden = !lessons.length && !riffs.length;
    this.make.disabled = !this.riffs.length;
    put(
      this.rows,
      lessons.map((lesson) => h("li", { class: "entry" }, this.row(lesson))),
    );
  }

  row(lesson) {
    const more = h(
      "details",
      { class: "entry-more" },
      h("summary", { "aria-label": `More about ${lesson.title || lesson.name}` }, "More"),
      control(
        {
          class: "small",
          "aria-label": `Remove ${lesson.title || lesson.name}`,
          onclick: () => this.remove(lesson),
        },
        "Remove",
      ),
    );
    if (lesson.error)
      return [
        h("span", { class: "entry-name" }, lesson.name),
        h("span", { class: "entry-facts" }, `cannot be read: ${lesson.error}`),
        more,
      ];
    const parts = lesson.parts.map(({ name, riff }, k) => [
      k ? " · " : "",
      riff ? h("a", { href: `#riff=${riff}&lesson=${lesson.id}` }, name) : name,
    ]);
    return [
      h(
        "span",
        { class: "entry-words" },
        h("a", { class: "entry-name", href: `#lesson=${lesson.id}` }, lesson.title),
        h(
          "span",
          { class: "entry-facts" },
          lesson.parts.length ? `${plural(lesson.parts.length, "part")}: ` : "no parts yet",
          parts,
        ),
      ),
      more,
    ];
  }

  /** A lesson of riffs, in the order in which they are chosen. */
  async makeOne() {
    const title = h("input", { type: "text", maxlength: "200", autocomplete: "off" });
    const { element, chosen } = riffChoice(this.riffs);
    const attempt = async () => {
      if (!chosen.size) return "Choose one riff or more.";
      const made = await post("/api/lessons", { title: title.value, riffs: [...chosen] });
      location.hash = `#lesson=${made.lesson}`;
      return null;
    };
    await ask(
      "Make a lesson of riffs",
      [h("label", { class: "field" }, h("span", {}, "Title"), title), element],
      [
        ["Leave it", null],
        ["Make it", true, true],
      ],
      attempt,
    );
  }

  remove(lesson) {
    return takeAway({
      from: `/api/lessons/${lesson.id}`,
      name: lesson.title || lesson.name,
      stays:
        "The lesson's document goes to the hidden folder .handspan/removed; its riffs and recordings stay where they are.",
      refresh: this.refresh,
    });
  }
}

/** Riffs to tick; `chosen` holds their ids in the order in which they were ticked. */
export function riffChoice(riffs) {
  const chosen = new Set();
  const element = h(
    "fieldset",
    { class: "choice" },
    h("legend", {}, "Riffs, in the order in which you choose them"),
    riffs.map((riff) => {
      const place = h("output", {});
      const box = h("input", {
        type: "checkbox",
        onchange: () => {
          if (box.checked) chosen.add(riff.id);
          else chosen.delete(riff.id);
          const order = [...chosen];
          for (const [k, each] of riffs.entries())
            places[k].textContent = chosen.has(each.id) ? `${order.indexOf(each.id) + 1}` : "";
        },
      });
      return h("label", { class: "tick" }, box, riff.name, place);
    }),
  );
  const places = [...element.querySelectorAll("output")];
  return { element, chosen };
}

/** Whether a file that is brought in is a recorded lesson: asked where it is long. */
export async function isLesson(file) {
  if (file.size < SMALL_BYTES) return false;
  const sec = await lengthOf(file);
  if (sec === null ? file.size < LARGE_BYTES : sec < LONG_SEC) return false;
  const length = sec === null ? "long" : plural(Math.round(sec / 60) || 1, "minute") + " long";
  const answer = await ask(
    "One riff, or a lesson in parts?",
    `${file.name} is ${length}. A lesson is split at its talk and pauses into parts, each a riff of its own; what is played again is found to be the same part.`,
    [
      ["One riff", "riff"],
      ["A lesson in parts", "lesson", true],
    ],
  );
  return answer === null ? null : answer === "lesson";
}

/** Seconds of a sound or video file; null where the browser cannot tell. */
function lengthOf(file) {
  return new Promise((resolve) => {
    const sound = new Audio();
    const url = URL.createObjectURL(file);
    const done = () => {
      clearTimeout(limit);
      URL.revokeObjectURL(url);
      resolve(Number.isFinite(sound.duration) ? sound.duration : null);
    };
    const limit = setTimeout(done, 3000);
    sound.preload = "metadata";
    sound.onloadedmetadata = done;
    sound.onerror = done;
    sound.src = url;
  });
}
