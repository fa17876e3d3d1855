// Hold another take against this riff: verdicts under the tab, timing, what to practise.

import { address, remove } from "./api.js";
import { control, drawing, drawn, h, notice, put, say } from "./dom.js";
import {
  barName,
  Bars,
  beatText,
  capital,
  clock,
  countedBeats,
  placeText,
  plural,
  printed,
  sentence,
  TakeMap,
} from "./music.js";
import { bringIn } from "./shelf.js";
import { studentSheet } from "./studentsheet.js";
import { VERDICTS, VERDICT_WORDS } from "./tabdraw.js";
import { Work } from "./work.js";

const MOST_ROWS = 200;

export function checkPane(riff) {
  const result = h("div", { class: "check-result" });
  const works = h("ul", { class: "works", "aria-label": "Work in progress" });
  const troubles = h("div", {});
  let shown = null;
  const take = async (blob, name) => {
    put(troubles);
    const work = new Work(name);
    works.append(work.element);
    try {
      const found = await work.send(blob, name, { check: riff.id });
      if (!found.comparison.same_riff) {
        riff.tabs.scrollIntoView({ block: "start" });
        notice(
          [...found.comparison.differences, ...found.comparison.remarks].map(sentence).join(" "),
          { key: "check", into: troubles },
        );
        return null;
      }
      show(found);
      say("The take is compared.");
      return found.comparison.summary.right_share;
    } catch (error) {
      if (error.status !== 499)
        notice(error.message, { kind: "error", key: "check", into: troubles });
      return null;
    }
  };
  const ways = bringIn(
    (files) => take(files[0], files[0].name),
    (blob) => take(blob, "my-take.wav"),
    {
      hint: "Drop or record another take here to see how it compares; the riff itself stays as it is. “Record along” above counts you in and ends by itself.",
    },
  );
  const element = h("div", { class: "check" }, ways.element, works, troubles, result);

  /** `again`: kept from an earlier time, so it claims no attention. */
  async function show(found, { again = false } = {}) {
    if (again && shown?.when === found.when && shown.take === found.take) return;
    shown = found;
    await draw();
    if (again || shown !== found || riff.left) return;
    result.querySelector("h3").tabIndex = -1;
    result.querySelector("h3").focus({ preventScroll: true });
  }

  let drawnSame = true;
  let lane = null;

  /** The verdicts in the tab at once; tables and plots when those are on the screen. */
  async function draw() {
    const found = shown;
    const { comparison } = found;
    drawnSame = sameBars(riff, found);
    mark();
    await drawn();
    if (shown !== found || riff.left) return;
    put(
      result,
      h("h3", {}, `${found.take} against ${riff.data.name}`),
      h("p", { class: "quiet" }, `Compared on ${dateText(found.when)}.`),
      summary(comparison),
      comparison.remarks?.map((text) => h("p", {}, sentence(text))),
      comparison.differences?.map((text) => h("p", { class: "quiet" }, sentence(text))),
      h(
        "div",
        { class: "row" },
        sheet("html", "Sheet for the student"),
        sheet("pdf", "Sheet as PDF"),
      ),
      h(
        "div",
        { class: "check-parts" },
        h("div", {}, practice(riff, found), progress(found)),
        h("div", {}, plots(found)),
      ),
      table(riff, found),
      control({ onclick: clear }, "Clear the verdicts"),
    );
  }

  function sheet(kind, words) {
    return studentSheet(riff.data, words, { kind, paper: () => riff.paper, into: troubles });
  }

  /** The verdicts under the tab, and one line that says whose they are. */
  function mark() {
    const verdicts = new Map();
    const extras = [];
    for (const row of counted(shown)) {
      const note = noteOf(riff, shown, row.reference);
      // What the riff itself is not sure of is held against nobody.
      if (note && !riff.unsure.has(note.id)) verdicts.set(note.id, row.verdict);
      else if (!note && row.verdict === "extra" && row.beat !== undefined && row.beat !== null)
        extras.push({ sec: momentOf(shown, row), row });
    }
    riff.strip.setMarks({ verdicts, extras });
    const map = clocks(shown);
    const there = Boolean(shown.view && shown.played && map.there);
    if (lane !== shown) {
      lane = shown;
      riff.strip.setTake(there ? shown : null, laneRows(shown), map);
      riff.player.setOther(there ? address(shown.sound) : null, map);
    }
    riff.heardButton = there
      ? control(
          {
            "aria-pressed": String(riff.player.hearsOther),
            "aria-keyshortcuts": "T",
            title: "Switch between this take and the riff at the same place (T)",
            onclick: () => riff.hearTake(!riff.player.hearsOther),
          },
          "Hear the compared take",
        )
      : null;
    const bar = (step, words, sign) =>
      control({ title: words, "aria-label": words, onclick: () => riff.loopBeside(step) }, sign);
    const stale = shown.notes.filter((_, k) => !noteOf(riff, shown, k)).length;
    const now = new Set(shown.notes.map(([id]) => id));
    const fresh = riff.notes.filter((note) => !now.has(note.id)).length;
    const kinds = [...new Set([...verdicts.values(), ...(extras.length ? ["extra"] : [])])];
    riff.verdictLine.hidden = false;
    put(
      riff.verdictLine,
      h(
        "p",
        {},
        `Under the tab: ${shown.take}, ${Math.round(shown.comparison.summary.right_share * 100)} % right, compared on ${dateText(shown.when)}. `,
        h(
          "span",
          { class: "legend" },
          kinds.map((kind) =>
            h(
              "span",
              {},
              h("span", { class: `verdict ${kind}`, "aria-hidden": "true" }, VERDICTS[kind]),
              ` ${VERDICT_WORDS[kind]}`,
            ),
          ),
        ),
        stale || fresh
          ? ` The riff was changed since: ${plural(stale + fresh, "note")} without a verdict.`
          : "",
      ),
      h(
        "span",
        { class: "row tight" },
        riff.heardButton,
        riff.bars.there
          ? [bar(-1, "Loop the bar before", "← bar"), bar(1, "Loop the bar after", "bar →")]
          : null,
        control(
          {
            onclick: async () => {
              await riff.showPane("check");
              result.scrollIntoView({ block: "start" });
            },
          },
          "What to practise",
        ),
      ),
    );
  }

  async function clear() {
    try {
      await remove(`/api/riffs/${riff.id}/check`);
    } catch (error) {
      notice(error.message, { kind: "error", key: "check", into: troubles });
      return;
    }
    hide();
    say("The verdicts are cleared.");
  }

  function hide() {
    if (!shown) return;
    shown = lane = null;
    riff.strip.setTake(null);
    riff.player.setOther(null, null);
    riff.strip.setMarks({ verdicts: new Map(), extras: [] });
    riff.verdictLine.hidden = true;
    put(result);
  }

  return {
    element,
    refresh() {
      if (!shown) return;
      // The places in the table follow the bars; the rest stays as it is.
      if (sameBars(riff, shown) === drawnSame) mark();
      else draw();
    },
    leave() {
      ways.leave();
    },
    show,
    hide,
    take,
  };
}

/** The verdicts that count: of what was played twice the better playing, nothing around the pass. */
function counted(found) {
  return found.comparison.notes.filter((row) => !row.left_out && !row.again);
}

/** The clocks of riff and take: when each note of the riff was due in the take. */
function clocks(found) {
  return new TakeMap(
    counted(found)
      .filter((row) => row.reference !== null && row.take !== null && Number.isFinite(row.time_sec))
      .map((row) => [found.notes[row.reference][2], row.time_sec - (row.offset_ms || 0) / 1000]),
  );
}

/** What the lane under the tab shows: each note that was played, and where one was missed. */
function laneRows(found) {
  return counted(found).map(({ verdict, take, reference }) => ({
    verdict,
    take,
    sec: reference === null ? 0 : found.notes[reference][2],
  }));
}

/** The note of the riff that a verdict is about; null where it is gone or sounds otherwise now. */
function noteOf(riff, found, index) {
  if (index === null || index === undefined || !found.notes[index]) return null;
  const [id, pitch, sec] = found.notes[index];
  const note = riff.note(id);
  return note && note.pitch_midi === pitch && Math.abs(note.onset_sec - sec) < 0.05 ? note : null;
}

/** When a row of the comparison lies in the reference, by the bars that it was counted in. */
function momentOf(found, row) {
  return new Bars(found.rhythm).secAt(row.beat);
}

/** Whether the riff's bars are still those that the comparison speaks of. */
function sameBars(riff, found) {
  const now = riff.data.document.rhythm;
  return JSON.stringify(found.rhythm?.downbeats_sec) === JSON.stringify(now?.downbeats_sec);
}

function dateText(when) {
  const date = new Date(when);
  return Number.isNaN(date.getTime())
    ? when
    : date.toLocaleString([], { dateStyle: "long", timeStyle: "short" });
}

function summary(comparison) {
  const sum = comparison.summary;
  const counts = Object.keys(VERDICT_WORDS)
    .filter((key) => sum[key])
    .map((key) =>
      h(
        "li",
        {},
        h("span", { class: `verdict ${key}`, "aria-hidden": "true" }, VERDICTS[key]),
        ` ${sum[key]} ${VERDICT_WORDS[key]}`,
      ),
    );
  const gaps = (comparison.drone?.dropouts || []).filter((gap) => gap.words);
  // The first line is the count of right notes, which stands there in figures already.
  const lines = [
    ...(comparison.headline || []).slice(1),
    comparison.drone?.words,
    ...gaps.map((gap) => `The drone, ${gap.words}`),
  ].filter(Boolean);
  return h(
    "div",
    {},
    h(
      "p",
      {},
      h("strong", {}, `${Math.round(sum.right_share * 100)} % right.`),
      ` ${lines.map(sentence).join(" ")}`,
    ),
    h("ul", { class: "counts" }, counts),
  );
}

/** How it went over the takes so far. */
function progress(found) {
  const { progress: kept, drawings } = found;
  if (!kept || kept.shares.length < 2) return null;
  return h(
    "section",
    {},
    h("h4", {}, "Takes so far"),
    drawings?.progress ? plot("Takes so far", drawings.progress) : null,
    kept.since.length
      ? h(
          "ul",
          {},
          kept.since.map((text) => h("li", {}, sentence(text))),
        )
      : null,
  );
}

function plot(label, figure) {
  return h(
    "div",
    { class: "plot-scroll", tabindex: 0, role: "region", "aria-label": label },
    drawing(figure),
  );
}

function range(riff, found, from, to) {
  const notes = found.notes
    .slice(from, to + 1)
    .map((_, k) => noteOf(riff, found, from + k))
    .filter(Boolean);
  if (!notes.length) return null;
  const bars = [notes[0], notes[notes.length - 1]].map((note) => riff.bars.place(note).bar);
  return riff.bars.there
    ? riff.bars.loopOf(riff.notes, ...bars)
    : [notes[0].onset_sec, notes[notes.length - 1].offset_sec];
}

/** The bars that a line of the plan names, as far as they follow each other. */
function named(riff, found, line) {
  if (!riff.bars.there || !line.bar || line.bar < 1 || !sameBars(riff, found)) return null;
  const bars = new Set(line.bars || [line.bar]);
  let [first, last] = [line.bar, line.bar];
  while (bars.has(first - 1)) first -= 1;
  while (bars.has(last + 1)) last += 1;
  return riff.bars.loopOf(riff.notes, first, last);
}

function practice(riff, kept) {
  const plan = kept.comparison.practice || [];
  if (!plan.length) return h("p", {}, "Nothing stands out to practise.");
  return h(
    "section",
    {},
    h("h4", {}, "To practise"),
    sameBars(riff, kept)
      ? null
      : h(
          "p",
          { class: "quiet" },
          "The bars were counted anew since; the bars named here are those of that day.",
        ),
    h(
      "ol",
      { class: "plan" },
      plan.map((line, k) =>
        h(
          "li",
          {},
          h("b", {}, capital(line.place) || (line.bar ? `Bar ${line.bar}` : "Here")),
          line.tempo_bpm ? `, from ${Math.round(line.tempo_bpm)} bpm ` : " ",
          line.reference
            ? control(
                {
                  class: k === 0 ? "main" : null,
                  onclick: async () => {
                    const found =
                      named(riff, kept, line) ||
                      range(riff, kept, line.reference[0], line.reference[1]);
                    if (!found) return;
                    riff.setLoop(found);
                    riff.strip.ensureVisible(found[0]);
                    // Up to the tab, and it plays, with Pause under the hand.
                    riff.showTab();
                    riff.transport.playButton.focus({ preventScroll: true });
                    if (line.tempo_bpm && riff.bars.bpm) {
                      const counted = riff.bars.bpm / countedBeats(riff.bars.meter);
                      riff.transport.setSpeed((100 * line.tempo_bpm) / counted);
                    }
                    riff.player.seek(found[0]);
                    if (!riff.player.playing) await riff.transport.play();
                  },
                },
                k === 0 ? "Loop the worst place" : "Loop it",
              )
            : null,
          h(
            "ul",
            {},
            (line.steps || [line.listen_for]).map((step) => h("li", {}, sentence(step))),
          ),
        ),
      ),
    ),
  );
}

/** How early or late each note came, and how the drone rang, as the server has drawn them. */
function plots(found) {
  const { timing, drone } = found.drawings || {};
  return [
    ["Timing", timing],
    ["The drone's level", drone],
  ].map(([name, figure]) =>
    figure
      ? h(
          "section",
          {},
          h("h4", {}, name),
          plot(name, figure),
          name === "Timing"
            ? h(
                "p",
                { class: "hint" },
                "▶ came late, ◀ came early; the shaded band is what still counts as on time.",
              )
            : null,
        )
      : null,
  );
}

function table(riff, found) {
  const rows = counted(found).filter(
    (row) => row.verdict !== "right" && !riff.unsure.has(noteOf(riff, found, row.reference)?.id),
  );
  if (!rows.length) return h("p", {}, "Every note is right.");
  const same = sameBars(riff, found);
  const anew = (row) => {
    const note =
      noteOf(riff, found, row.reference) ||
      (Number.isFinite(row.beat) && { onset_sec: momentOf(found, row) });
    const place = note && riff.bars.there ? riff.bars.place(note) : null;
    return place ? `${barName(place.bar)}, beat ${beatText(place.beat)}` : "";
  };
  const where = (row) =>
    !same
      ? anew(row)
      : Number.isFinite(row.bar)
        ? `${barName(row.bar)}${Number.isFinite(row.beat) ? `, beat ${beatText(riff.bars.place({ onset_beat: row.beat }).beat)}` : ""}`
        : row.time_sec !== undefined
          ? clock(row.time_sec)
          : "";
  return h(
    "details",
    { open: rows.length <= 12 },
    h("summary", {}, plural(rows.length, "note that was not right", "notes that were not right")),
    h(
      "table",
      { class: "verdicts" },
      h(
        "thead",
        {},
        h(
          "tr",
          {},
          ["", "Where", "Note", "Verdict"].map((name) =>
            h("th", { scope: "col" }, name || h("span", { class: "unseen" }, "Mark")),
          ),
        ),
      ),
      h(
        "tbody",
        {},
        rows.slice(0, MOST_ROWS).map((row) => {
          const note = noteOf(riff, found, row.reference);
          return h(
            "tr",
            {},
            h(
              "td",
              { class: `verdict ${row.verdict}`, "aria-hidden": "true" },
              VERDICTS[row.verdict],
            ),
            h("td", {}, where(row)),
            h(
              "td",
              {},
              note
                ? control(
                    { class: "link", onclick: () => riff.goTo(note.id) },
                    `${riff.pitch(note)}, ${placeText(note.string, note.fret)}`,
                  )
                : "–",
            ),
            h("td", {}, printed(row.words || VERDICT_WORDS[row.verdict] || row.verdict)),
          );
        }),
      ),
    ),
    rows.length > MOST_ROWS
      ? h("p", { class: "quiet" }, `The first ${MOST_ROWS} are listed.`)
      : null,
  );
}
