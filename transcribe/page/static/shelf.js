// The folder: bring a take in, and the list of riffs.

import { get, post } from "./api.js";
import { control, h, noMicrophone, notice, put, say } from "./dom.js";
import { isLesson, LessonList } from "./lessons.js";
import { RiffList } from "./list.js";
import { clock } from "./music.js";
import { Work } from "./work.js";

// The list that is shown now: work that was begun on an earlier one brings its riff to it.
let refreshShown = async () => {};

export async function showShelf(main) {
  document.title = "Handspan";
  put(document.getElementById("crumbs"));
  const shelf = await get("/api/shelf");
  const works = h("ul", { class: "works", "aria-label": "Work in progress" });
  const troubles = h("div", {});
  const settings = settingsForm();

  const list = new RiffList({
    refresh: () => refreshShown(),
    example: () =>
      follow("The example", true, async (work) => {
        const { job } = await post("/api/example");
        followed.add(job);
        return work.follow(job);
      }),
  });
  const riffs = h(
    "section",
    { "aria-labelledby": "list-title" },
    h("h2", { id: "list-title" }, "What is here"),
    list.element,
  );
  const lessons = new LessonList({
    refresh: () => refreshShown(),
    split: (file) => bring(file, file.name, true, { split: true }),
  });
  const show = (found) => {
    list.show(found.riffs, found.lessons);
    lessons.show(found.lessons, found.riffs);
    // Where there are lessons they stand before the riffs that they are made of.
    if (found.lessons.length) riffs.before(lessons.element);
    else riffs.after(lessons.element);
  };
  refreshShown = async () => show(await get("/api/shelf"));
  const bring = (file, name, alone, options = {}) => {
    put(troubles);
    const begun = (id) => followed.add(id);
    return follow(name, alone, (work) =>
      work.send(file, name, { settings: settings.values(), begun, ...options }),
    );
  };
  /** A long recording may be a whole lesson: that is asked first. */
  const bringFiles = async (files) => {
    const split = files.length === 1 && (await isLesson(files[0]));
    if (split === null) return;
    for (const file of files) bring(file, file.name, files.length === 1, { split });
  };
  const followed = new Set();
  const follow = async (name, alone, begin) => {
    const work = new Work(name);
    works.append(work.element);
    try {
      const made = await begin(work);
      say(`${made.name} is ready.`);
      if (alone && !/^#(riff|lesson)=/.test(location.hash))
        location.hash = made.lesson ? `#lesson=${made.lesson}` : `#riff=${made.riff}`;
      else await refreshShown();
    } catch (error) {
      if (error.status !== 499)
        notice(error.message.startsWith(name) ? error.message : `${name}: ${error.message}`, {
          kind: "error",
          key: name,
          into: troubles,
        });
    }
  };
  // Work that was under way before this window was loaded, or that another window began.
  get("/api/jobs")
    .then(({ jobs }) => {
      for (const job of jobs.filter(
        (each) => ["read", "split"].includes(each.task) && !each.about && !followed.has(each.id),
      ))
        follow(job.label, false, (work) => work.follow(job.id));
    })
    .catch(() => {});
  const stopListening = dropOn(document.body, bringFiles, "Let go to bring it in");
  const dropper = bringIn(bringFiles, (blob) =>
    bring(blob, `take-${new Date().toISOString().slice(0, 16).replace(/[T:]/g, "-")}.wav`, true),
  );

  put(
    main,
    h(
      "div",
      { class: "shelf" },
      h("h1", {}, "Riffs", h("span", { class: "aside" }, ` in the folder ${shelf.folder}`)),
      h(
        "section",
        { "aria-labelledby": "bring-title", class: "bring" },
        h("h2", { id: "bring-title" }, "Bring in a take"),
        dropper.element,
        works,
        troubles,
        settings.element,
      ),
      riffs,
    ),
  );
  show(shelf);
  return () => {
    stopListening();
    dropper.leave();
    list.stop();
  };
}

/** Let files be dropped anywhere on `target`; `words` say what comes of it. Returns a way to stop. */
export function dropOn(target, take, words) {
  target.dataset.drop = words;
  let depth = 0;
  const isFiles = (event) => event.dataTransfer && [...event.dataTransfer.types].includes("Files");
  const listeners = {
    dragenter: (event) => {
      if (isFiles(event)) {
        event.preventDefault();
        depth += 1;
        target.classList.add("dropping");
      }
    },
    dragleave: (event) => {
      if (isFiles(event)) {
        depth -= 1;
        if (depth <= 0) target.classList.remove("dropping");
      }
    },
    dragover: (event) => {
      if (isFiles(event)) event.preventDefault();
    },
    drop: (event) => {
      if (!isFiles(event)) return;
      event.preventDefault();
      depth = 0;
      target.classList.remove("dropping");
      const files = [...event.dataTransfer.files];
      if (files.length) take(files);
    },
  };
  for (const [name, listener] of Object.entries(listeners)) target.addEventListener(name, listener);
  return () => {
    target.classList.remove("dropping");
    for (const [name, listener] of Object.entries(listeners))
      target.removeEventListener(name, listener);
  };
}

/** The two ways in: a file, or the microphone. */
export function bringIn(
  takeFiles,
  takeBlob,
  {
    hint = "Drop a recording here: WAV, FLAC, MP3, M4A, a phone's video. MIDI, MusicXML, a text tab or a riff document work too.",
  } = {},
) {
  const input = h("input", {
    type: "file",
    class: "unseen",
    multiple: true,
    tabindex: "-1",
    "aria-hidden": "true",
    onchange: () => {
      if (input.files.length) takeFiles([...input.files]);
      input.value = "";
    },
  });
  const meter = h("meter", {
    min: "0",
    max: "1",
    low: "0.05",
    high: "0.9",
    optimum: "0.5",
    hidden: true,
    "aria-label": "Level of the microphone",
  });
  const time = h("output", { class: "clock", hidden: true });
  let recorder = null;
  const record = control({ onclick: toggle }, "Record");
  const drop = control({ class: "plain", hidden: true, onclick: () => finish(false) }, "Discard");

  async function toggle() {
    if (recorder) {
      await finish(true);
      return;
    }
    record.disabled = true;
    try {
      const { Recorder } = await import("./recorder.js");
      const ready = await Recorder.start((level, sec, clipped) => {
        meter.value = level;
        time.textContent = clock(sec) + (clipped ? " too loud: move away" : "");
        if (sec > 1795) finish(true);
      });
      recorder = ready.begin();
      record.textContent = "Stop and use it";
      record.classList.add("recording");
      say("Recording.");
    } catch (error) {
      notice(noMicrophone(error), { kind: "error" });
    }
    record.disabled = false;
    meter.hidden = time.hidden = drop.hidden = recorder === null;
  }

  async function finish(keep) {
    const ended = recorder;
    recorder = null;
    record.textContent = "Record";
    record.classList.remove("recording");
    meter.hidden = time.hidden = drop.hidden = true;
    if (!ended) return;
    const blob = await ended.stop();
    if (keep) takeBlob(blob);
  }

  const element = h(
    "div",
    { class: "well" },
    h("p", {}, hint),
    h(
      "div",
      { class: "row" },
      control({ class: "main", onclick: () => input.click() }, "Choose a file"),
      input,
      record,
      drop,
      meter,
      time,
    ),
  );
  return {
    element,
    toggle,
    leave: () => {
      finish(false);
    },
  };
}

/** What is known of the take before it is read. */
export function settingsForm(given = {}) {
  const field = (label, control, hint) =>
    h(
      "label",
      { class: "field" },
      h("span", {}, label),
      control,
      hint ? h("small", {}, hint) : null,
    );
  const tuning = h("input", {
    type: "text",
    list: "tunings",
    placeholder: "standard",
    maxlength: "80",
    autocomplete: "off",
    value: given.tuning || "",
  });
  const capo = h("input", {
    type: "number",
    min: "0",
    max: "12",
    placeholder: "0",
    value: given.capo ? String(given.capo) : "",
  });
  const span = h("input", {
    type: "number",
    min: "60",
    max: "400",
    step: "1",
    placeholder: "as a medium hand",
    value: given.hand_span_mm || "",
  });
  const drone = h(
    "select",
    {},
    [
      ["auto", "find it"],
      ["off", "none"],
      ...[1, 2, 3, 4, 5, 6].map((n) => [String(n), `string ${n}`]),
    ].map(([value, text]) => h("option", { value }, text)),
  );
  const bpm = h("input", {
    type: "number",
    min: "20",
    max: "600",
    step: "0.1",
    placeholder: "find it",
  });
  const meter = h("input", {
    type: "text",
    placeholder: "find it",
    maxlength: "5",
    pattern: "\\d{1,2}/(2|4|8|16)",
  });
  const names = [
    "standard",
    "drop-d",
    "half-step-down",
    "whole-step-down",
    "drop-c",
    "double-drop-d",
    "open-g",
    "open-d",
    "open-e",
    "open-a",
    "open-c",
    "dadgad",
    "7-string",
    "baritone",
    "bass",
    "bass-5",
    "tenor",
    "ukulele",
  ];
  const element = h(
    "details",
    { class: "settings" },
    h("summary", {}, "Tuning, capo and hand"),
    h(
      "datalist",
      { id: "tunings" },
      names.map((name) => h("option", { value: name })),
    ),
    h(
      "div",
      { class: "fields" },
      field("Tuning", tuning, "a name, or strings from the highest: E4,B3,G3,D3,A2,E2"),
      field("Capo at fret", capo),
      field(
        "Widest stretch, mm",
        span,
        "first to fourth finger; go by what is easy, and ask a teacher or clinician if it hurts",
      ),
      field("Drone", drone),
      field("Beats a minute", bpm),
      field("Meter", meter, "such as 4/4 or 6/8"),
    ),
  );
  return {
    element,
    values() {
      const values = {};
      if (tuning.value.trim()) values.tuning = tuning.value.trim();
      if (capo.value) values.capo = Number(capo.value);
      if (span.value) values.hand_span_mm = Number(span.value);
      if (drone.value !== "auto") values.drone = drone.value;
      if (bpm.value) values.bpm = Number(bpm.value);
      if (meter.value.trim()) values.meter = meter.value.trim();
      return values;
    },
  };
}
