// One part of a lesson: what it is called, the teacher's note, its bars, and how its takes went.

import { control, drawing, h, notice, put, say } from "./dom.js";
import { opening } from "./list.js";
import { capital, plural, printed, sentence } from "./music.js";
import { dropOn } from "./shelf.js";
import { studentSheet } from "./studentsheet.js";
import { Work } from "./work.js";

export class PartRow {
  /** `view` is the lesson's; what is changed here goes through it. */
  constructor(view, part) {
    this.view = view;
    this.part = part;
    const change = (op, values, ...fields) =>
      this.view.edit({ op, part: this.part.label, ...values }, ...fields);
    this.number = control({
      class: "part-number",
      "data-handle": "",
      "aria-describedby": "order-hint",
      "aria-keyshortcuts": "ArrowUp ArrowDown",
      "data-key": `number-${part.label}`,
    });
    this.picture = h("a", { class: "part-picture", tabindex: "-1", "aria-hidden": "true" });
    this.name = field("input", `name-${part.label}`, {
      type: "text",
      class: "part-name",
      maxlength: "200",
      autocomplete: "off",
      onchange: () => change("call", { name: this.name.value }, this.name),
    });
    this.note = field("textarea", `note-${part.label}`, {
      class: "part-note",
      rows: "1",
      maxlength: "4000",
      placeholder: "A note to whoever learns it",
      oninput: () => grow(this.note),
      onchange: () => change("note", { note: this.note.value }, this.note),
    });
    const bar = (which) =>
      field("input", `${which}-${part.label}`, {
        type: "number",
        min: "0",
        onchange: () => this.setBars(change),
      });
    this.first = bar("first");
    this.last = bar("last");
    this.start = field("input", `start-${part.label}`, {
      type: "number",
      min: "10",
      max: "600",
      step: "any",
      onchange: () => {
        const bpm = this.start.value ? Number(this.start.value) : null;
        change("start", { bpm }, this.start);
      },
    });
    this.tempo = h("span", {});
    this.facts = h("p", { class: "part-facts" });
    this.trouble = h("p", { class: "remark", hidden: true });
    this.open = h("a", { class: "part-open", onclick: () => this.view.leaveFrom(this.part.label) });
    this.earlier = control({ class: "small", onclick: () => this.step(-1) }, "Earlier");
    this.later = control({ class: "small", onclick: () => this.step(1) }, "Later");
    this.more = h("details", { class: "entry-more part-more" });
    this.takes = h("div", { class: "part-takes" });
    this.works = h("ul", { class: "works" });
    this.troubles = h("div", {});
    this.input = h("input", {
      type: "file",
      class: "unseen",
      tabindex: "-1",
      "aria-hidden": "true",
      onchange: () => {
        if (this.input.files.length) this.check(this.input.files[0]);
        this.input.value = "";
      },
    });
    this.settings = h(
      "div",
      { class: "row part-settings" },
      h(
        "span",
        { class: "field inline" },
        "Bars",
        this.first,
        h("span", { "aria-hidden": "true" }, "to"),
        this.last,
      ),
      h("label", { class: "field inline" }, "Start from", this.start, this.tempo),
    );
    this.element = h(
      "li",
      { class: "part", "data-key": part.label },
      this.number,
      h(
        "div",
        { class: "part-words" },
        h("div", { class: "part-head" }, this.picture, h("div", {}, this.name, this.facts)),
        this.note,
        this.settings,
        this.trouble,
        h("div", { class: "row tight" }, this.open, this.earlier, this.later, this.more),
      ),
      h("div", { class: "part-side" }, this.takes, this.works, this.troubles, this.input),
    );
    this.stopDrops = dropOn(
      this.element,
      (files) => this.check(files[0]),
      "Let go to hold this take against the part",
    );
    this.update(part);
  }

  get shownName() {
    return this.part.name || this.part.label;
  }

  step(by) {
    this.view.move(this.part.label, this.view.labels.indexOf(this.part.label) + by);
  }

  setBars(change) {
    const { last_bar: end } = this.part;
    if (!this.first.value && !this.last.value) {
      change("bars", { bars: null }, this.first, this.last);
      return;
    }
    const first = this.first.value ? Number(this.first.value) : 1;
    const last = this.last.value ? Number(this.last.value) : end;
    const bars = first <= 1 && last === end ? null : [first, last];
    change("bars", { bars }, this.first, this.last);
  }

  /** Show the part as it is now; what is being typed stays. */
  update(part, place = null) {
    this.part = part;
    const name = this.shownName;
    if (place !== null) {
      const [at, count] = place;
      this.number.textContent = String(at + 1);
      this.number.setAttribute("aria-label", `${name}: part ${at + 1} of ${count}, to be moved`);
      this.earlier.disabled = at === 0;
      this.later.disabled = at === count - 1;
    }
    label(this.name, `Name of part ${part.label}`, part.name);
    this.name.placeholder = `Part ${part.label}`;
    label(this.note, `Note to ${name}`, part.note);
    grow(this.note);
    const [first, last] = part.bars || ["", ""];
    label(this.first, `First bar of ${name}`, first);
    label(this.last, `Last bar of ${name}`, last);
    this.first.placeholder = "1";
    this.last.placeholder = part.last_bar || "";
    label(this.start, `Tempo that ${name} starts from`, part.start_bpm ?? "");
    put(this.tempo, part.bpm ? `bpm, of ${Math.round(part.bpm)}` : "bpm");
    this.settings.hidden = !part.bpm;
    this.trouble.hidden = !part.error;
    put(this.trouble, part.error ? sentence(capital(part.error)) : "");
    const href = part.riff ? `#riff=${part.riff}&lesson=${this.view.id}` : null;
    for (const link of [this.picture, this.open]) {
      link.hidden = !href;
      if (href) link.href = href;
    }
    this.open.textContent = "Open the riff";
    this.open.setAttribute("aria-label", `Open the riff of ${name}`);
    this.earlier.setAttribute("aria-label", `${name} earlier`);
    this.later.setAttribute("aria-label", `${name} later`);
    put(this.picture, part.opening ? opening(part.opening) : null);
    put(
      this.facts,
      [
        `riff ${part.riff_name}`,
        printed(part.mode || ""),
        part.meter,
        part.last_bar ? plural(part.last_bar, "bar") : "",
        part.drone ? `drone on string ${part.drone}` : "",
        part.unsure ? `${plural(part.unsure, "note")} unsure` : "",
      ]
        .filter(Boolean)
        .join(" · "),
    );
    this.showMore(name);
    this.showTakes(name);
  }

  /** Whether this part and the `next` may be made one: of one session, or bars of one riff. */
  joins(next) {
    const { part, view } = this;
    const ofSession = (each) => each.playings.some((playing) => playing.is_take);
    return (
      (view.data.session && ofSession(part) && ofSession(next)) ||
      (part.riff_name === next.riff_name && part.bars && next.bars?.[0] === part.bars[1] + 1)
    );
  }

  /** What is seldom wanted, behind one control. */
  showMore(name) {
    const { part, view } = this;
    const next = view.data.parts[view.labels.indexOf(part.label) + 1];
    const small = (text, about, act) =>
      control({ class: "small", "aria-label": `${text}: ${about}`, onclick: act }, text);
    const [first, last] = part.bars || [1, part.last_bar || 1];
    const bar = h("input", {
      type: "number",
      min: String(first + 1),
      max: String(last),
      value: String(Math.min(last, first + Math.ceil((last - first + 1) / 2))),
      "aria-label": `Bar at which the second half of ${name} begins`,
    });
    const playings = part.playings.filter((each) => !each.is_take).length
      ? part.playings.map((each, k) => ({ ...each, k })).filter((each) => !each.is_take)
      : [];
    const choice = h(
      "select",
      { "aria-label": `Another playing of ${name} in the session` },
      playings.map((each) =>
        h(
          "option",
          { value: String(each.k + 1) },
          `${time(each.start_sec)} to ${time(each.end_sec)}${each.bpm ? `, ${Math.round(each.bpm)} bpm` : ""}`,
        ),
      ),
    );
    const wasOpen = this.more.open;
    put(
      this.more,
      h("summary", { "aria-label": `More about ${name}` }, "More"),
      h(
        "div",
        { class: "row tight" },
        last > first
          ? [
              small("Cut in two at bar", name, () =>
                view.edit({ op: "cut", part: part.label, bar: Number(bar.value) }),
              ),
              bar,
            ]
          : null,
        next && this.joins(next)
          ? small("Join with the next", `${name} and ${next.name || next.label}`, () =>
              view.join(part.label, next.label),
            )
          : null,
        playings.length && view.data.session
          ? [
              small("Take another playing", name, () =>
                view.hear({ part: part.label, number: Number(choice.value) }),
              ),
              choice,
            ]
          : null,
        small("Drop from the lesson", name, () => view.drop(part.label, name)),
      ),
    );
    this.more.open = wasOpen;
  }

  /** How the takes of this part went, and the way to the next one. */
  showTakes(name) {
    const { takes, riff, bars } = this.part;
    if (!riff || !takes) {
      put(this.takes);
      return;
    }
    const words = [];
    if (takes.damaged) words.push(h("p", { class: "quiet" }, sentence(takes.damaged)));
    else if (!takes.last) words.push(h("p", { class: "quiet" }, "No take of it yet."));
    else {
      const { last } = takes;
      const worst = last.worst_bar ? `, most slips in bar ${last.worst_bar}` : "";
      words.push(
        h(
          "p",
          {},
          h("strong", {}, `${Math.round(last.right_share * 100)} % right`),
          ` on ${day(last.when)}${worst}. `,
          h(
            "span",
            { class: "quiet" },
            `${plural(takes.count, "take")}${bars ? ", of the whole riff" : ""}.`,
          ),
        ),
      );
      if (takes.plot)
        words.push(
          h(
            "div",
            { class: "plot-scroll", tabindex: 0, role: "region", "aria-label": `Takes of ${name}` },
            drawing(takes.plot),
          ),
        );
    }
    put(
      this.takes,
      words,
      h(
        "div",
        { class: "row tight" },
        control(
          {
            class: "small",
            "aria-label": `Check a take of ${name}`,
            onclick: () => this.input.click(),
          },
          "Check a take",
        ),
        takes.last
          ? h(
              "a",
              {
                class: "part-open",
                href: `#riff=${riff}&lesson=${this.view.id}`,
                "aria-label": `Note by note: the last take of ${name}`,
                onclick: () => this.view.leaveFrom(this.part.label),
              },
              "Note by note",
            )
          : null,
        takes.verdicts
          ? studentSheet({ id: riff, name: this.part.riff_name }, "Sheet for the student", {
              into: this.troubles,
              props: { class: "small", "aria-label": `Sheet for the student: ${name}` },
            })
          : null,
      ),
    );
  }

  /** Hold a take against the part's riff. */
  async check(file) {
    if (!this.part.riff) return;
    put(this.troubles);
    const work = new Work(file.name);
    this.works.append(work.element);
    try {
      const found = await work.send(file, file.name, { check: this.part.riff });
      const { comparison } = found;
      if (comparison.same_riff) {
        say(`${Math.round(comparison.summary.right_share * 100)} % right.`);
        await this.view.reread();
      } else
        notice([...comparison.differences, ...comparison.remarks].map(sentence).join(" "), {
          key: "check",
          into: this.troubles,
        });
    } catch (error) {
      if (error.status !== 499)
        notice(error.message, { kind: "error", key: "check", into: this.troubles });
    }
  }

  leave() {
    this.stopDrops();
  }
}

/** A field whose value is set only while nobody types in it. @returns {any} */
function field(tag, key, props) {
  return h(tag, { "data-key": key, ...props });
}

function label(element, words, value) {
  element.setAttribute("aria-label", words);
  if (isFree(element)) element.value = String(value);
}

/** Whether what holds may be shown in a field: nobody types in it, and no entry was refused. */
export function isFree(field) {
  return document.activeElement !== field && !field.hasAttribute("aria-invalid");
}

/** As tall as what stands in it. */
function grow(area) {
  area.style.height = "auto";
  if (area.scrollHeight) area.style.height = `${area.scrollHeight + 2}px`;
}

function time(sec) {
  return `${Math.floor(sec / 60)}:${String(Math.floor(sec % 60)).padStart(2, "0")}`;
}

function day(when) {
  const date = new Date(when);
  return Number.isNaN(date.getTime())
    ? when
    : date.toLocaleDateString([], { day: "numeric", month: "long" });
}
