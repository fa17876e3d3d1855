// A lesson: its parts in teaching order, the form, the handout, and how each part's takes went.

import { address, get, post, wait } from "./api.js";
import {
  accepted,
  ask,
  clearNotices,
  control,
  download,
  h,
  notice,
  put,
  refused,
  say,
} from "./dom.js";
import { riffChoice } from "./lessons.js";
import { isFree, PartRow } from "./lessonpart.js";
import { plural, sentence } from "./music.js";
import { reordered } from "./reorder.js";
import { tellLost } from "./tell.js";
import { stageText, Work } from "./work.js";

const LOOKS_SEC = 2;

/** The part that each lesson was left from, to come back to. @type {Map<string, string>} */
const leftFrom = new Map();

export async function showLesson(main, lessonId) {
  const view = new LessonView(main, await get(`/api/lessons/${lessonId}`));
  await style();
  view.begin();
  return () => view.leave();
}

/** The styles of this view, which the others have no use for. */
function style() {
  if (document.getElementById("lesson-style")) return null;
  return new Promise((resolve) => {
    const link = h("link", { id: "lesson-style", rel: "stylesheet", href: "/static/lesson.css" });
    link.onload = link.onerror = resolve;
    document.head.append(link);
  });
}

class LessonView {
  constructor(main, data) {
    this.main = main;
    this.what = "lesson";
    this.data = data;
    this.queue = Promise.resolve();
    this.rows = new Map();
    this.left = false;
    this.lost = null; // what of the server or the file is gone, in short
    this.done = []; // revisions to go back to
    this.undone = [];
  }

  get id() {
    return this.data.id;
  }

  get labels() {
    return this.data.parts.map((part) => part.label);
  }

  get title() {
    return this.data.title || this.data.name;
  }

  begin() {
    this.build();
    this.refresh(this.data);
    this.keys = (event) => this.key(event);
    document.addEventListener("keydown", this.keys);
    this.looking = setInterval(() => this.lookForChanges(), LOOKS_SEC * 1000);
    this.focus = () => this.lookForChanges();
    window.addEventListener("focus", this.focus);
    document.addEventListener("lost", this.focus);
    this.findWork();
    const row = this.rows.get(leftFrom.get(this.id));
    leftFrom.delete(this.id);
    if (!row) window.scrollTo(0, 0);
    else {
      row.element.scrollIntoView({ block: "center" });
      row.open.focus({ preventScroll: true });
    }
  }

  leave() {
    this.left = true;
    clearInterval(this.looking);
    document.removeEventListener("keydown", this.keys);
    window.removeEventListener("focus", this.focus);
    document.removeEventListener("lost", this.focus);
    for (const row of this.rows.values()) row.leave();
  }

  leaveFrom(label) {
    leftFrom.set(this.id, label);
  }

  // -- building

  build() {
    put(
      document.getElementById("crumbs"),
      h("a", { href: "#" }, "Riffs"),
      h("span", { "aria-hidden": "true" }, " / "),
      (this.crumb = h("span", { "aria-current": "page" })),
    );
    this.heading = h("h1", {});
    this.facts = h("p", { class: "facts" });
    this.undoButton = control(
      { onclick: () => this.goBack(this.done, this.undone), "aria-keyshortcuts": "Control+Z" },
      "Undo",
    );
    this.redoButton = control(
      {
        onclick: () => this.goBack(this.undone, this.done),
        "aria-keyshortcuts": "Control+Shift+Z",
      },
      "Redo",
    );
    this.saved = h("span", { class: "saved", role: "status" }, "All saved");
    this.works = h("ul", { class: "works", "aria-label": "Work in progress" });
    this.list = h("ol", { class: "parts" });
    reordered(this.list, (label, to) => this.move(label, to));
    this.form = h("input", {
      type: "text",
      class: "form-text",
      maxlength: "20000",
      autocomplete: "off",
      onchange: () => this.edit({ op: "form", form: this.form.value }, this.form),
    });
    this.handout = this.handoutPart();
    put(
      this.main,
      h(
        "div",
        { class: "lesson" },
        h(
          "div",
          { class: "title" },
          h(
            "div",
            { class: "row" },
            this.heading,
            control({ class: "plain small", onclick: () => this.rename() }, "Change the title"),
          ),
          this.facts,
        ),
        h(
          "div",
          { class: "row tools" },
          this.undoButton,
          this.redoButton,
          this.saved,
          h("span", { class: "stretch" }),
          control({ onclick: () => this.add() }, "Add riffs"),
        ),
        this.works,
        h(
          "section",
          { "aria-labelledby": "parts-title" },
          h("h2", { id: "parts-title" }, "Parts, in teaching order"),
          h(
            "p",
            { class: "hint", id: "order-hint" },
            "Drag a part by its number, or move it with the arrow keys while its number is chosen.",
          ),
          this.list,
        ),
        h(
          "section",
          { "aria-labelledby": "form-title" },
          h("h2", { id: "form-title" }, "Form"),
          h(
            "label",
            { class: "field" },
            h("span", {}, "How the parts follow each other when it is played through"),
            this.form,
            h("small", {}, "such as: intro, main x2, verse, main"),
          ),
        ),
        this.handout.element,
      ),
    );
  }

  refresh(data) {
    // A step that was undone, or is not the last one any more, cannot be taken back by its notice.
    if (data.revision !== this.data.revision) clearNotices("dropped");
    this.data = data;
    document.title = `${this.title} – Handspan`;
    this.crumb.textContent = this.title;
    this.heading.textContent = this.title;
    const meant = data.parts.filter((part) => part.takes?.count).length;
    put(
      this.facts,
      [
        plural(data.parts.length, "part"),
        data.session ? "split from a recording" : "",
        meant
          ? `takes of ${meant === data.parts.length ? "every part" : plural(meant, "part")}`
          : "",
      ]
        .filter(Boolean)
        .join(" · "),
    );
    if (isFree(this.form)) this.form.value = data.form;
    this.form.placeholder = data.teaching_order;
    this.undoButton.disabled = !this.done.length;
    this.redoButton.disabled = !this.undone.length;
    this.place();
    this.handout.refresh();
  }

  /** The rows in the order of the parts, without taking the focus from what has it. */
  place() {
    const active = /** @type {HTMLElement} */ (document.activeElement);
    const { parts } = this.data;
    for (const [label, row] of this.rows)
      if (!this.labels.includes(label)) {
        row.leave();
        row.element.remove();
        this.rows.delete(label);
      }
    for (const part of parts)
      if (!this.rows.has(part.label)) this.rows.set(part.label, new PartRow(this, part));
    const order = parts.map((part) => this.rows.get(part.label).element);
    if (order.some((element, k) => this.list.children[k] !== element))
      this.list.replaceChildren(...order);
    for (const [k, part] of parts.entries())
      this.rows.get(part.label).update(part, [k, parts.length]);
    if (active?.isConnected && active !== document.activeElement)
      active.focus({ preventScroll: true });
  }

  // -- changing

  /** Make a change; `fields` are those that it was typed in. */
  edit(edit, ...fields) {
    const typed = fields.map((field) => field.value);
    const sent = this.queue.then(() => {
      accepted(...fields);
      return this.send(edit, { fields, typed });
    });
    this.queue = sent.then(
      () => {},
      () => {},
    );
    return sent;
  }

  async send(edit, { fields = [], typed = [], anyway = false } = {}) {
    this.saved.textContent = "Saving";
    try {
      const data = await post(`/api/lessons/${this.id}/edits`, {
        revision: this.data.revision,
        edit,
        anyway,
      });
      if (data.before && edit.op !== "back") {
        this.done.push(data.before);
        this.undone = [];
      }
      if (this.left) return data;
      this.refresh(data);
      this.tellSaved();
      clearNotices("edit");
      return data;
    } catch (error) {
      if (error.status === 409 && error.body.theirs) return this.conflict(edit, error.body.theirs);
      if (error.status !== 422 && !this.lost) this.saved.textContent = "Not saved";
      if (fields.length && !this.left) {
        for (const [k, field] of fields.entries())
          if (document.activeElement !== field) field.value = typed[k];
        const reason = [sentence(error.message), this.swap(edit, fields)];
        refused(reason, () => this.letGo(fields), ...fields);
      } else notice(sentence(error.message), { kind: "error", key: "edit" });
      if (error.status === 422) this.tellSaved();
      return null;
    }
  }

  /** Where a name is that of another part, the two can change names in one step. */
  swap({ op, part, name }, fields) {
    const wanted = op === "call" && name.trim().toLowerCase();
    const other = this.data.parts.find(
      (each) => each.label !== part && each.name && each.name.toLowerCase() === wanted,
    );
    if (!other || !this.data.parts.find((each) => each.label === part).name) return null;
    const both = () => this.edit({ op, part, name, swap: other.label }, ...fields);
    return control({ class: "small", onclick: both }, "Swap the two names");
  }

  tellSaved() {
    const isRefused = this.main.querySelector("[aria-invalid]");
    this.saved.textContent = isRefused ? "Not all is saved" : "All saved";
  }

  /** Fields whose entry was refused show what holds again. */
  letGo(fields) {
    accepted(...fields);
    this.showAnew();
    this.tellSaved();
  }

  showAnew() {
    const active = /** @type {HTMLElement} */ (document.activeElement);
    active?.blur();
    this.refresh(this.data);
    active?.focus({ preventScroll: true });
  }

  async conflict(edit, theirs) {
    const { settle } = await import("./elsewhere.js");
    // A step back would take theirs away.
    const again = edit.op && edit.op !== "back";
    return settle(this, theirs, again ? () => this.send(edit, { anyway: true }) : null);
  }

  /** Show what another window or the command has saved; `dropped`: in the fields that are typed in too. */
  takeOver(theirs, { dropped = false } = {}) {
    this.done = [];
    this.undone = [];
    this.refresh(theirs);
    this.tellSaved();
    if (dropped) this.showAnew();
  }

  /** One step back, or forth again. */
  async goBack(from, to) {
    if (!from.length) return;
    const now = this.data.revision;
    const made = await this.edit({ op: "back", to: from[from.length - 1] });
    if (!made) return;
    from.pop();
    to.push(now);
    this.refresh(made);
    say(from === this.done ? "Taken back." : "Made again.");
  }

  key(event) {
    const typing = event.target.closest?.("input, textarea, select, dialog");
    if (typing || !(event.ctrlKey || event.metaKey)) return;
    const key = event.key.toLowerCase();
    if (key !== "z" && key !== "y") return;
    event.preventDefault();
    const button = key === "y" || event.shiftKey ? this.redoButton : this.undoButton;
    if (!button.disabled) button.click();
  }

  async move(label, to) {
    const order = this.labels.filter((other) => other !== label);
    if (to < 0 || to > order.length) return;
    order.splice(to, 0, label);
    const made = await this.edit({ op: "order", parts: order });
    const part = made?.parts[to];
    if (part) say(`${part.name || part.label} is part ${to + 1} of ${made.parts.length}.`);
  }

  async rename() {
    const title = h("input", {
      type: "text",
      value: this.data.title,
      maxlength: "200",
      "aria-label": "Title",
    });
    const choices = [
      ["Leave it", null],
      ["Use it", true, true],
    ];
    if (await ask("Title of the lesson", title, choices))
      this.edit({ op: "title", title: title.value });
  }

  async add() {
    let riffs;
    try {
      riffs = (await get("/api/shelf")).riffs.filter((riff) => !riff.error);
    } catch (error) {
      notice(error.message, { kind: "error", key: "edit" });
      return;
    }
    const { element, chosen } = riffChoice(riffs);
    const choices = [
      ["Leave it", null],
      ["Add them", true, true],
    ];
    const attempt = () => (chosen.size ? null : "Choose one riff or more.");
    if (!(await ask("Add riffs to the lesson", element, choices, attempt))) return;
    for (const riff of chosen) {
      const { name } = riffs.find((each) => each.id === riff);
      await this.edit({ op: "add", riff, name });
    }
  }

  async drop(label, name) {
    if (!(await this.edit({ op: "drop", part: label }))) return;
    say(`${name} is dropped.`);
    notice(`${name} is dropped from the lesson; its riff stays in the folder.`, {
      key: "dropped",
      actions: [["Take it back", () => this.goBack(this.done, this.undone)]],
    });
  }

  join(part, other) {
    return this.hear({ part, other });
  }

  /** Join two parts or take another playing, for which the session may be listened to again. */
  async hear(wanted) {
    try {
      await this.queue;
      const revision = this.data.revision;
      const started = await post(`/api/lessons/${this.id}/again`, { revision, ...wanted });
      if (!started.job) {
        if (started.before) this.done.push(started.before);
        this.undone = [];
        this.refresh(started);
        return;
      }
      await this.followHearing(started.job);
    } catch (error) {
      if (error.status === 409 && error.body.theirs) await this.conflict({}, error.body.theirs);
      else if (error.status !== 499)
        notice(sentence(error.message), { kind: "error", key: "edit" });
    }
  }

  async followHearing(job) {
    const work = new Work("Listening to the session again");
    this.works.append(work.element);
    const made = await work.follow(job);
    // The riff itself is another one now, which no undo of the lesson takes back.
    this.done = [];
    this.undone = [];
    await this.reread();
    const kept = made.kept.map((line) => sentence(line)).join(" ");
    notice(`Done. ${kept}`, { key: "again" });
  }

  async findWork() {
    const { jobs } = await get("/api/jobs").catch(() => ({ jobs: [] }));
    for (const job of jobs.filter((each) => each.about === this.id && each.task === "hear"))
      this.followHearing(job.id).catch((error) => {
        if (!this.left && error.status !== 499)
          notice(error.message, { kind: "error", key: "work" });
      });
  }

  // -- what others do

  async reread() {
    const data = await get(`/api/lessons/${this.id}`);
    if (!this.left) this.refresh(data);
  }

  async lookForChanges() {
    if (document.hidden || this.left || this.isLooking) return;
    this.isLooking = true;
    try {
      await this.queue;
      const { revision, stamp } = await get(`/api/lessons/${this.id}/revision`);
      this.tellLost(null);
      if (this.left || document.querySelector("dialog[open]")) return;
      if (revision === this.data.revision) {
        // A riff that was corrected, or a take that was compared, is shown as it is.
        if (stamp !== this.data.stamp) await this.reread();
        return;
      }
      const { tellNewer } = await import("./elsewhere.js");
      tellNewer(this, async () => this.takeOver(await get(`/api/lessons/${this.id}`)));
    } catch (error) {
      this.tellLost(error);
    } finally {
      this.isLooking = false;
    }
  }

  /** The server, its key or the file is gone, or, with no error, there again. */
  tellLost(error) {
    tellLost(this, error, () => {
      this.tellSaved();
      say("It is there again.");
      // What was typed meanwhile is saved now.
      for (const field of this.main.querySelectorAll("[aria-invalid]"))
        field.dispatchEvent(new Event("change"));
    });
  }

  // -- the handout

  handoutPart() {
    const stage = h("span", { class: "quiet", role: "status" });
    const frame = h("div", { class: "handout-frame", hidden: true });
    let shown = null; // the revision and the stamp of the riffs that the frame shows
    const withTakes = () => takes.checked && !takesTick.hidden;
    const now = () => `${this.data.revision} ${this.data.stamp} ${fingers.checked} ${withTakes()}`;
    const make = async (kind) => {
      const pressed = /** @type {HTMLElement} */ (document.activeElement);
      for (const button of buttons()) button.disabled = true;
      try {
        await this.queue;
        const wanted = {
          kind,
          fingers: fingers.checked,
          paper: paper.value,
          takes: withTakes(),
        };
        const started = await post(`/api/lessons/${this.id}/handout`, wanted);
        const tell = (job) => {
          stage.textContent = stageText(job.stage);
        };
        const made = started.url ? started : await wait(started.job, tell);
        if (made.said?.length) notice(made.said.map(sentence).join(" "), { key: "handout" });
        return made;
      } catch (error) {
        notice(sentence(error.message), { kind: "error", key: "handout" });
        return null;
      } finally {
        stage.textContent = "";
        for (const button of buttons()) button.disabled = false;
        // A button that is disabled loses the focus.
        if (document.activeElement === document.body) pressed?.focus({ preventScroll: true });
      }
    };
    const look = control(
      {
        class: "main",
        onclick: async () => {
          const of = now();
          const made = await make("html");
          if (!made || this.left) return;
          shown = of;
          clearNotices("handout");
          const page = h("iframe", {
            src: made.look,
            title: `Handout of ${this.title}`,
            sandbox: "allow-scripts allow-modals",
            allow: "autoplay",
          });
          put(frame, page);
          frame.hidden = false;
          refresh();
          frame.scrollIntoView({ block: "nearest" });
          page.focus({ preventScroll: true });
        },
      },
      "Show it",
    );
    const keep = (kind, words) =>
      control(
        {
          onclick: async () => {
            const made = await make(kind);
            if (!made) return;
            download(address(made.url), `${this.data.name}.handout.${kind}`);
            say("The handout is ready.");
          },
        },
        words,
      );
    const [page, print] = [keep("html", "Save it (HTML)"), keep("pdf", "Save it (PDF)")];
    const buttons = () => [look, page, print];
    const fingers = h("input", { type: "checkbox", onchange: () => refresh() });
    const takes = h("input", { type: "checkbox", onchange: () => refresh() });
    const takesTick = h(
      "label",
      { class: "tick", title: "The verdicts on the last take of each part, and what to practise" },
      takes,
      "With the last takes",
    );
    const paper = h(
      "select",
      {},
      h("option", { value: "a4" }, "A4"),
      h("option", { value: "letter" }, "Letter"),
    );
    const refresh = () => {
      takesTick.hidden = !this.data.parts.some((part) => part.takes?.verdicts);
      look.textContent =
        shown === null ? "Show it" : shown === now() ? "Show it again" : "Show it as it is now";
      for (const button of buttons()) button.disabled = !this.data.parts.length;
    };
    const element = h(
      "section",
      { "aria-labelledby": "handout-title" },
      h("h2", { id: "handout-title" }, "Handout"),
      h(
        "p",
        { class: "hint" },
        "One page for those who learn: every part as a tab that plays by itself at any speed, with your notes, the chords and the scale. It opens from a mail, without this program and without a network, and prints.",
      ),
      h(
        "div",
        { class: "row" },
        look,
        page,
        print,
        h("label", { class: "field inline" }, "Paper", paper),
        h("label", { class: "tick" }, fingers, "Fingers"),
        takesTick,
        stage,
      ),
      frame,
    );
    return { element, refresh };
  }
}
