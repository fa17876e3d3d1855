// One riff: the strip, the transport and the panels, and every change to the document.

import { get, post } from "./api.js";
import { Along } from "./along.js";
import {
  askName,
  clearNotices,
  control,
  drawn,
  h,
  notice,
  put,
  recall,
  remember,
  say,
  tellTaken,
} from "./dom.js";
import {
  Bars,
  barName,
  beatText,
  clock,
  openStrings,
  pitchName,
  placeText,
  plural,
  printed,
} from "./music.js";
import { NotePanel } from "./note.js";
import { Player } from "./player.js";
import { dropOn } from "./shelf.js";
import { Strip } from "./strip.js";
import { decidingClasses, keysHelp, remarks, tellLost } from "./tell.js";
import { TempoRow } from "./tempo.js";
import { plainly, tellChange, tellRefusal } from "./told.js";
import { Transport } from "./transport.js";
import { Work } from "./work.js";

const LEAD_SEC = 2; // from which what is before the first note is passed over
const LOOKS_SEC = 2;
const SIGHT = 24; // pixels kept free around the chosen note (chosen by eye)

export async function showRiff(main, riffId, lessonId) {
  const view = new RiffView(main, await get(`/api/riffs/${riffId}`), lessonId);
  view.begin();
  return () => view.leave();
}

class RiffView {
  constructor(main, data, lessonId = null) {
    this.main = main;
    this.what = "riff";
    this.lessonId = lessonId; // that the riff was opened from
    main.riff = this;
    this.data = data;
    this.queue = Promise.resolve();
    this.chosen = [];
    this.loop = null;
    this.left = false;
    this.lost = null; // what of the server or the file is gone, in short
    this.several = false;
    this.paper = "a4";
    this.heardButton = null;
  }

  get id() {
    return this.data.id;
  }

  get notes() {
    return this.data.document.notes;
  }

  note(id) {
    return this.notes.find((note) => note.id === id);
  }

  /** The name of a note's pitch in the key of the riff. */
  pitch(note) {
    return pitchName(note.pitch_midi, this.data.document);
  }

  begin() {
    document.title = `${this.data.name} – Handspan`;
    this.bars = new Bars(this.data.document.rhythm);
    this.strip = new Strip({
      choose: (id, more) => {
        this.choose(id, more);
      },
      seek: (sec) => this.player.seek(sec),
      select: (range) => this.setLoop(range),
      add: (sec, midi) => this.addNote(sec, midi),
      key: (event) => this.key(event),
      label: (note) => this.label(note),
    });
    this.player = new Player({
      bars: this.bars,
      onTime: (sec, moving) => this.tick(sec, moving),
      onState: (playing) => this.transport.showPlaying(playing),
      onCount: (number) => this.transport.showCount(number),
      onRound: () => this.transport.faster(),
    });
    this.panel = new NotePanel(this);
    this.build();
    this.refresh(this.data, { first: true });
    if (recall("lines", false)) this.setLines(true);
    this.beginAtNotes();
    this.openTake();
    this.openCheck();
    this.findWork();
    this.keys = (event) => this.globalKey(event);
    document.addEventListener("keydown", this.keys);
    this.looking = setInterval(() => this.lookForChanges(), LOOKS_SEC * 1000);
    this.focus = () => this.lookForChanges();
    window.addEventListener("focus", this.focus);
    document.addEventListener("lost", this.focus);
    this.beforePrint = () => this.putSheet();
    this.afterPrint = () => {
      this.printed?.remove();
      document.body.classList.remove("printing");
    };
    window.addEventListener("beforeprint", this.beforePrint);
    this.stopDrops = dropOn(
      document.body,
      (files) => this.checkAgainst(files[0]),
      `Let go to hold this take against ${this.data.name}`,
    );
    window.addEventListener("afterprint", this.afterPrint);
  }

  /** A take that begins with talk is shown and played from shortly before its first note. */
  beginAtNotes() {
    const first = this.notes[0]?.onset_sec ?? 0;
    if (first < LEAD_SEC) return;
    const from = first - LEAD_SEC / 2;
    this.player.seek(from);
    requestAnimationFrame(() => requestAnimationFrame(() => this.strip.showFrom(from)));
  }

  /** A file let go over a riff is a take to hold against it. */
  async checkAgainst(file) {
    await this.showPane("check");
    this.check?.take(file, file.name);
    // Its progress and its outcome stand there, out of sight from the tab.
    this.tabs.scrollIntoView({ block: "start" });
  }

  async rename() {
    const made = await askName(this.data.name, async (name) => {
      await this.queue;
      return post(`/api/riffs/${this.id}/name`, { name });
    });
    if (!made) return;
    // The view that follows clears the notices first, so this one waits for it.
    window.addEventListener("hashchange", () => tellTaken(made), { once: true });
    location.hash = `#riff=${made.riff}${this.lessonId ? `&lesson=${this.lessonId}` : ""}`;
  }

  /** Whoever prints a riff, by the button or the browser's own way, gets the sheet. */
  putSheet() {
    this.printed?.remove();
    if (!this.sheet) return;
    this.printed = h("div", { class: "sheet-print" }, this.sheet.drawSheet(this, this.paper));
    document.body.append(this.printed);
    document.body.classList.add("printing");
  }

  leave() {
    this.left = true;
    clearInterval(this.looking);
    window.removeEventListener("focus", this.focus);
    document.removeEventListener("lost", this.focus);
    document.removeEventListener("keydown", this.keys);
    window.removeEventListener("beforeprint", this.beforePrint);
    window.removeEventListener("afterprint", this.afterPrint);
    this.afterPrint();
    this.stopDrops();
    this.check?.leave();
    this.along.leave();
    this.player.leave();
    this.strip.leave();
  }

  // -- building

  build() {
    const button = (label, act, props = {}) => control({ onclick: act, ...props }, label);
    this.undoButton = button("Undo", () => this.edit({ op: "undo" }), {
      "aria-keyshortcuts": "Control+Z",
    });
    this.redoButton = button("Redo", () => this.edit({ op: "redo" }), {
      "aria-keyshortcuts": "Control+Shift+Z",
    });
    this.saved = h("span", { class: "saved", role: "status" }, "All saved");
    put(
      document.getElementById("crumbs"),
      h("a", { href: "#" }, "Riffs"),
      h("span", { "aria-hidden": "true" }, " / "),
      this.lessonId ? this.wayBack() : null,
      h("span", { "aria-current": "page" }, this.data.name),
    );

    this.facts = h("div", { class: "facts" });
    this.tempo = new TempoRow(this);
    this.verdictLine = h("div", { class: "verdict-line", hidden: true });
    this.remarks = h("div", { class: "remarks" });
    this.lastChange = h(
      "div",
      { class: "last-change", role: "status" },
      h(
        "p",
        { class: "quiet" },
        "What you change is saved at once, and each step can be taken back.",
      ),
    );
    this.linesButton = button(
      [h("span", { class: "wordy" }, "Tab in "), "lines"],
      () => this.setLines(!this.strip.inLines),
      { class: "in-words", "aria-pressed": "false" },
    );
    this.transport = new Transport(this);
    this.along = new Along(this);
    this.work = h("ul", { class: "works", "aria-label": "Work in progress" });
    this.addButton = button("Add a note", () => this.setAdding(!this.strip.adding), {
      "aria-pressed": "false",
    });

    const shown = { rhythm: true, fingers: false, ...recall("shown", {}) };
    this.strip.setShown(shown);
    const tick = (name, label) => {
      const box = h("input", {
        type: "checkbox",
        checked: shown[name],
        onchange: () => {
          shown[name] = box.checked;
          remember("shown", shown);
          this.strip.setShown({ ...shown });
          this.panes.away.view?.refresh?.();
        },
      });
      return h("label", { class: "tick" }, box, label);
    };
    const stripSection = h(
      "section",
      { "aria-label": "The riff" },
      this.transport.narrow ? null : this.transport.sound,
      this.strip.element,
      this.transport.narrow ? this.transport.sound : null,
      h(
        "div",
        { class: "foot" },
        h(
          "div",
          { class: "row tools" },
          this.undoButton,
          this.redoButton,
          this.saved,
          h("span", { class: "stretch" }),
          tick("rhythm", "Rhythm"),
          tick("fingers", "Fingers"),
          this.addButton,
          button("Wider", () => this.strip.zoom(1.3), { title: "Fewer notes, further apart" }),
          button("Closer", () => this.strip.zoom(1 / 1.3), {
            title: "More notes, closer together",
          }),
        ),
        this.lastChange,
      ),
      this.along.element,
      this.verdictLine,
      this.work,
      this.remarks,
      this.tempo.element,
    );
    const keys = keysHelp();

    this.panes = {
      fingering: {
        title: "Fingerings",
        load: async () => (await import("./again.js")).againPane(this),
      },
      theory: { title: "Theory", load: async () => (await import("./theory.js")).theoryPane(this) },
      check: {
        title: "Check a take",
        load: async () => {
          this.check = (await import("./check.js")).checkPane(this);
          return this.check;
        },
      },
      away: { title: "Files, print", load: async () => (await import("./away.js")).awayPane(this) },
    };
    this.tabs = h("div", { role: "tablist", "aria-label": "More about this riff", class: "tabs" });
    this.pane = h("div", { class: "pane" });
    for (const [name, pane] of Object.entries(this.panes)) {
      pane.tab = control(
        {
          role: "tab",
          id: `tab-${name}`,
          "aria-selected": "false",
          "aria-controls": `pane-${name}`,
          tabindex: "-1",
          onclick: () => this.showPane(name),
          onkeydown: (event) => this.tabKey(event, name),
        },
        pane.title,
      );
      pane.body = h("div", {
        role: "tabpanel",
        id: `pane-${name}`,
        "aria-labelledby": `tab-${name}`,
        tabindex: "0",
        hidden: true,
      });
      this.tabs.append(pane.tab);
      this.pane.append(pane.body);
    }
    put(
      this.main,
      h(
        "div",
        { class: "riff" },
        h(
          "div",
          { class: "title" },
          h(
            "div",
            { class: "row" },
            h("h1", {}, this.data.name),
            button("Rename", () => this.rename(), {
              class: "plain small",
              "aria-label": `Rename ${this.data.name}`,
            }),
          ),
          this.facts,
        ),
        h(
          "div",
          { class: "desk" },
          h("div", { class: "music" }, this.transport.element, stripSection),
          this.panel.element,
        ),
        keys,
        h("section", { class: "more", "aria-label": "More about this riff" }, this.tabs, this.pane),
      ),
    );
    this.showPane("theory");
    import("./sheet.js").then((sheet) => {
      this.sheet = sheet;
    });
  }

  /** To the lesson that this riff was opened from. */
  wayBack() {
    const back = h("a", { href: `#lesson=${this.lessonId}` }, "The lesson");
    get(`/api/lessons/${this.lessonId}`)
      .then((lesson) => {
        back.textContent = lesson.title || lesson.name;
      })
      .catch(() => {});
    return [back, h("span", { "aria-hidden": "true" }, " / ")];
  }

  tabKey(event, name) {
    const names = Object.keys(this.panes);
    const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (!step) return;
    event.preventDefault();
    const next = names[(names.indexOf(name) + step + names.length) % names.length];
    this.showPane(next);
    this.panes[next].tab.focus();
  }

  showPane(name) {
    for (const [key, pane] of Object.entries(this.panes)) {
      pane.tab.setAttribute("aria-selected", String(key === name));
      pane.tab.tabIndex = key === name ? 0 : -1;
      pane.body.hidden = key !== name;
    }
    const pane = this.panes[name];
    pane.loading = pane.loading || this.loadPane(pane);
    return pane.loading;
  }

  async loadPane(pane) {
    try {
      pane.view = await pane.load();
      put(pane.body, pane.view.element);
    } catch (error) {
      pane.loading = null;
      put(pane.body, h("p", {}, error.message));
    }
  }

  // -- showing

  /**
   * Take over a new state of the document: the tab at once, the rest when the tab is on the screen.
   * `moved` tells of each note that has moved where it was.
   */
  async refresh(data, { first = false, moved = new Map() } = {}) {
    this.data = data;
    this.bars = new Bars(data.document.rhythm);
    this.player.bars = this.bars;
    this.player.notes = this.notes;
    this.tabStale = true;
    this.unsure = new Set(data.unsure);
    this.chosen = this.chosen.filter((id) => this.note(id));
    this.strip.setRiff(data, this.bars, {
      deciding: decidingClasses(data.document.theory?.mode),
      chosen: this.chosen,
      moved,
    });
    if (!first) await drawn();
    if (this.left || this.data !== data) return;
    if (!first) this.holdStill();
    this.tellFacts();
    this.tempo.refresh();
    put(this.remarks, remarks(this, this.remarks.querySelector("details")?.open));
    this.undoButton.disabled = !data.undo;
    this.redoButton.disabled = !data.redo;
    for (const [button, word, step] of [
      [this.undoButton, "Undo", data.undo],
      [this.redoButton, "Redo", data.redo],
    ]) {
      const text = step ? `${word} ${plainly(this, step.parts)}` : word;
      button.setAttribute("aria-label", text);
      button.title = step ? text : "";
    }
    this.panel.show(this.chosen);
    if (!first) for (const pane of Object.values(this.panes)) pane.view?.refresh?.();
  }

  tellFacts() {
    const { data } = this;
    const doc = data.document;
    const capo = doc.instrument.capo ? `, capo ${doc.instrument.capo}` : "";
    const talk = (doc.segments || []).reduce(
      (sum, { kind, start_sec, end_sec }) => sum + (kind === "talk" ? end_sec - start_sec : 0),
      0,
    );
    put(
      this.facts,
      [
        printed(data.mode),
        doc.drone
          ? `drone on string ${[doc.drone.string, ...(doc.drone.other_strings || [])].join(" and ")}`
          : "",
        `${data.tuning || openStrings(doc).join(" ")}${data.tuning ? " tuning" : ""}${capo}`,
        plural(doc.notes.length, "note"),
        talk ? `${clock(talk)} of talk set aside` : "",
      ]
        .filter(Boolean)
        .join(" · "),
      this.doubts(),
    );
  }

  /** How many notes were heard with doubt, a way to each, and what to do with all of them. */
  doubts() {
    const notes = this.notes.filter((note) => this.unsure.has(note.id));
    if (!notes.length) return null;
    const ids = notes.map((note) => note.id);
    const them = ids.length === 1 ? "it" : "them";
    const next = () => {
      const last = this.note(this.chosen[this.chosen.length - 1]);
      const later = notes.find((note) => last && note.onset_sec > last.onset_sec);
      this.goTo((later || notes[0]).id);
    };
    const all = (op) => async () => {
      await this.edit({ op, notes: ids });
      this.strip.list.focus({ preventScroll: true });
    };
    const button = (label, act, props) => control({ onclick: act, ...props }, label);
    return h(
      "span",
      { class: "row tight doubts" },
      button(`${plural(notes.length, "note")} unsure`, next, {
        class: "link",
        title: "Go to the next of them",
      }),
      button(`Keep ${them}`, all("confirm"), { class: "small" }),
      button(`Take ${them} out`, all("delete"), { class: "small" }),
    );
  }

  /** Remarks come and go above the tab; the tab stays where the eye and the hand are. */
  holdStill() {
    const top = () => this.strip.element.getBoundingClientRect().top;
    const before = top();
    if (before < window.innerHeight)
      requestAnimationFrame(() => {
        if (!this.left && Math.abs(top() - before) > 1) window.scrollBy(0, top() - before);
      });
  }

  /** Show another fingering in the tab without changing the document; null shows the own one. */
  preview(other) {
    const notes = this.data.document.notes.map((note) => {
      const place = other?.positions[note.id];
      return place ? { ...note, string: place[0], fret: place[1] } : note;
    });
    const view = { ...this.data, document: { ...this.data.document, notes } };
    this.strip.setRiff(view, this.bars, { moved: new Map() });
    put(
      this.lastChange,
      other
        ? h(
            "p",
            { class: "preview-note" },
            `The tab shows another fingering, to look at only: ${other.name}. `,
            control(
              {
                onclick: () => {
                  this.preview(null);
                  this.panes.fingering.view?.refresh();
                },
              },
              "Back to mine",
            ),
          )
        : null,
    );
  }

  label(note) {
    const place = this.bars.place(note);
    return [
      this.pitch(note),
      note.fret === 0 ? `string ${note.string} fret 0, open` : placeText(note.string, note.fret),
      this.bars.there
        ? `${barName(place.bar)} beat ${beatText(place.beat)}`
        : `${note.onset_sec.toFixed(2)} seconds`,
      note.articulation === "picked" ? "" : note.articulation,
      note.pinned ? "pinned" : "",
      this.unsure.has(note.id) ? "unsure" : "",
    ]
      .filter(Boolean)
      .join(", ");
  }

  choose(id, more = false, quiet = false) {
    if ((more || this.several) && this.chosen.length) {
      const kept = this.chosen.filter((other) => other !== id);
      this.chosen = [...kept, id];
    } else {
      this.chosen = [id];
    }
    this.strip.setChosen(this.chosen);
    this.panel.show(this.chosen);
    requestAnimationFrame(() => this.keepInSight());
    if (!this.player.playing) this.player.seek(this.note(id).onset_sec);
    if (!quiet) say(this.label(this.note(id)));
  }

  /** The note chosen last stays in sight: over its panel where that lies under the music. */
  keepInSight() {
    const figure = document.getElementById(`note-${this.chosen[this.chosen.length - 1]}`);
    if (!figure || this.left) return;
    const { top } = figure.getBoundingClientRect();
    const { bottom } = figure.closest("svg").getBoundingClientRect();
    const panel = this.panel.element.getBoundingClientRect();
    const music = this.strip.element.getBoundingClientRect();
    const under = panel.left < music.right && panel.top > 0;
    // What stays at the foot and at the head of the window while the tab in lines goes by under it.
    const foot = this.lastChange.getBoundingClientRect();
    const below = [under ? panel.top : Infinity, foot.top > 0 ? foot.top : Infinity];
    const floor = Math.min(...below, window.innerHeight) - SIGHT;
    const roof = Math.max(0, this.transport.element.getBoundingClientRect().bottom) + 2 * SIGHT;
    // In a low window the neck beside the music ends further down than the tab.
    const neck = under ? null : this.panel.neck?.querySelector(".neck-box");
    const cut = neck ? neck.getBoundingClientRect().bottom - window.innerHeight : 0;
    const over = Math.max(bottom - floor, cut);
    if (over > 0) window.scrollBy(0, Math.min(over, top - roof));
    else if (top < roof) window.scrollBy(0, top - roof);
  }

  /** From a place further down the page to a note in the tab. */
  goTo(id) {
    this.choose(id);
    this.showTab();
  }

  /** Bring the tab into the window if it is out of it. */
  showTab() {
    const { top, bottom } = this.strip.svg.getBoundingClientRect();
    if (!this.strip.inLines && (top < 0 || bottom > window.innerHeight))
      this.transport.element.scrollIntoView({ block: "start" });
  }

  // -- taking a hand to it

  /** Make a change and save it; changes wait for each other. */
  edit(edit, { anyway = false } = {}) {
    const next = this.queue.then(() => this.send(edit, anyway));
    this.queue = next.catch(() => {});
    return next;
  }

  async send(edit, anyway) {
    this.saved.textContent = "Saving…";
    const before = new Map(this.notes.map((note) => [note.id, note]));
    const words = { undo: this.data.undo, redo: this.data.redo }[edit.op];
    try {
      const body = { revision: this.data.revision, edit, anyway };
      this.showAsked(edit);
      const data = await post(`/api/riffs/${this.id}/edits`, body);
      if (this.left) return null;
      this.saved.textContent = "All saved";
      if (data.revision === this.data.revision) {
        put(
          this.lastChange,
          h("p", { class: "quiet" }, "That is so already; nothing was changed."),
        );
        return data;
      }
      const moved = new Map(data.moved.map((move) => [move.note, move.from]));
      await this.refresh(data, { moved });
      if (this.left) return null;
      tellChange(this, edit, data, before, words);
      clearNotices("elsewhere");
      clearNotices("edit");
      return data;
    } catch (error) {
      this.showAsked(null);
      if (error.status === 409 && error.body.theirs) {
        const { settle } = await import("./elsewhere.js");
        return settle(this, error.body.theirs, () => this.send(edit, true));
      }
      if (!this.lost) this.saved.textContent = error.status === 422 ? "All saved" : "Not saved";
      tellRefusal(this, edit, error);
      return null;
    }
  }

  /** Show the state of the document that another window or the command has saved. */
  async takeOver(theirs) {
    await this.refresh(theirs);
    this.saved.textContent = "All saved";
  }

  /** A pinned note stands at its new place, marked as not saved, until the answer comes. */
  showAsked(edit) {
    const ids = edit?.op === "pin" ? [edit.note, ...(edit.also || [])] : [];
    this.strip.setAsked(new Map(ids.map((id) => [id, { string: edit.string, fret: edit.fret }])));
  }

  async lookForChanges() {
    if (document.hidden || this.left || this.isLooking) return;
    this.isLooking = true;
    try {
      const { revision, check } = await get(`/api/riffs/${this.id}/revision`);
      this.tellLost(null);
      // A take that was compared in another window has its verdicts here too.
      if (this.checkStamp !== undefined && check !== this.checkStamp) this.openCheck();
      this.checkStamp = check;
      await this.queue;
      if (this.left || revision === this.data.revision || document.querySelector("dialog[open]"))
        return;
      const newest = await get(`/api/riffs/${this.id}/revision`);
      if (newest.revision === this.data.revision) return;
      const { tellNewer } = await import("./elsewhere.js");
      tellNewer(this, async () => this.takeOver(await get(`/api/riffs/${this.id}`)));
    } catch (error) {
      this.tellLost(error);
    } finally {
      this.isLooking = false;
    }
  }

  /** The server, its key or the file is gone, or, with no error, there again. */
  tellLost(error) {
    tellLost(this, error, () => {
      this.saved.textContent = "All saved";
      say("It is there again.");
      if (!this.takeReady) this.openTake();
    });
  }

  deleteChosen() {
    if (!this.chosen.length) return;
    const last = Math.max(
      ...this.chosen.map((id) => this.notes.findIndex((note) => note.id === id)),
    );
    const after = this.notes
      .slice(last + 1)
      .concat(this.notes.slice(0, last).reverse())
      .find((note) => !this.chosen.includes(note.id));
    this.edit({ op: "delete", notes: this.chosen, after: after?.id });
  }

  /** The tab in lines as wide as the page, or over the picture; the browser remembers which. */
  setLines(on, { keep = true } = {}) {
    this.strip.setLines(on);
    this.linesButton.setAttribute("aria-pressed", String(on));
    if (keep) remember("lines", on);
  }

  setAdding(on) {
    // What was missed is seen in the picture.
    if (on && this.takeReady) this.setLines(false, { keep: false });
    this.strip.adding = on;
    this.strip.element.classList.toggle("adding", on);
    this.addButton.setAttribute("aria-pressed", String(on));
    this.addButton.textContent = on ? "Done adding" : "Add a note";
    if (on) {
      this.panel.showAdding(this.player.now);
      const words = this.takeReady
        ? "Click or tap in the picture of the sound where the missed note begins, at its pitch; or fill in its pitch and time below."
        : "Fill in the pitch and the time of the missed note below.";
      put(this.lastChange, h("p", { class: "quiet" }, words));
      say(words);
    } else this.panel.show(this.chosen);
  }

  addNote(sec, midi, length = null) {
    const next = this.notes.find((note) => note.onset_sec > sec + 0.05);
    const end =
      length === null
        ? Math.min(sec + 0.5, Math.max(next?.onset_sec ?? Infinity, sec + 0.1))
        : sec + length;
    return this.edit({ op: "add", onset_sec: sec, offset_sec: end, pitch_midi: midi });
  }

  // -- keys

  key(event) {
    if (!this.notes.length) return;
    const { key } = event;
    const arrows = { ArrowRight: 1, ArrowLeft: -1 };
    if (key in arrows) this.step(arrows[key], event.shiftKey);
    else if (key === "ArrowUp" || key === "ArrowDown")
      this.stepAcross(key === "ArrowUp" ? -1 : 1, event.shiftKey);
    else if (key === "Home") this.choose(this.notes[0].id, event.shiftKey);
    else if (key === "End") this.choose(this.notes[this.notes.length - 1].id, event.shiftKey);
    else if (key === "Enter") {
      if (this.chosen.length) this.panel.focusNeck();
      else this.step(1);
    } else if (key === "Delete" || key === "Backspace") this.deleteChosen();
    // On its way from the tab to the places, Escape turns back; in the tab itself it lets go.
    else if (key === "Escape" && this.panel.wantsFocus) this.panel.wantsFocus = false;
    else if (key === "Escape") {
      this.chosen = [];
      this.strip.setChosen([]);
      this.panel.show([]);
    } else if (key === "+" || key === "=") this.strip.zoom(1.3);
    else if (key === "-") this.strip.zoom(1 / 1.3);
    else return;
    event.preventDefault();
  }

  globalKey(event) {
    const typing = event.target.closest?.(
      "input:not([type=range]):not([type=checkbox]), select, textarea, dialog",
    );
    if (typing) return;
    if (event.key === "Escape") {
      if (this.along.stop()) return;
      if (this.player.counting) this.player.pause();
      return;
    }
    const plain = !event.ctrlKey && !event.metaKey && !event.altKey && !event.repeat;
    if (plain && event.key.toLowerCase() === "r") {
      this.along.toggle();
      return;
    }
    // Where the keys go nowhere else, as after Play, they walk through the notes.
    if (
      plain &&
      (event.key === "ArrowLeft" || event.key === "ArrowRight") &&
      (event.target === document.body || event.target.closest?.(".transport button"))
    ) {
      this.strip.list.focus({ preventScroll: true });
      this.key(event);
      return;
    }
    if (plain && event.key.toLowerCase() === "t" && this.player.otherUrl) {
      this.hearTake(!this.player.hearsOther);
      return;
    }
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z") {
      event.preventDefault();
      const button = event.shiftKey ? this.redoButton : this.undoButton;
      if (!button.disabled) button.click();
    } else if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "y") {
      event.preventDefault();
      if (!this.redoButton.disabled) this.redoButton.click();
    } else if (
      event.key === " " &&
      !event.target.closest?.("button, a, summary, input, [role=tab]")
    ) {
      event.preventDefault();
      this.transport.toggle();
    }
  }

  /** Notes that are struck together, around the note at `index`, the highest string first. */
  together(index) {
    const column = this.strip.axis.byNote.get(this.notes[index].id).notes;
    return column
      .map((note) => ({ note, k: this.notes.findIndex((other) => other.id === note.id) }))
      .sort((a, b) => (a.note.string ?? 99) - (b.note.string ?? 99));
  }

  step(direction, more = false) {
    const last = this.chosen[this.chosen.length - 1];
    let index = this.notes.findIndex((note) => note.id === last);
    if (index < 0) {
      // Begin where one is: at the first note from the playhead on.
      index = this.notes.findIndex((note) => note.onset_sec >= this.player.now - 0.02);
      this.choose(this.notes[Math.max(0, index)].id);
      return;
    }
    const { columns } = this.strip.axis;
    const string = this.notes[index].string ?? 0;
    const next =
      columns[
        columns.findIndex((column) => column.notes.some((note) => note.id === last)) + direction
      ];
    if (!next) {
      say(direction > 0 ? "Last note." : "First note.");
      return;
    }
    const nearest = [...next.notes].sort(
      (a, b) => Math.abs((a.string ?? 0) - string) - Math.abs((b.string ?? 0) - string),
    )[0];
    this.choose(nearest.id, more);
  }

  stepAcross(direction, more) {
    const last = this.chosen[this.chosen.length - 1];
    const index = this.notes.findIndex((note) => note.id === last);
    if (index < 0) {
      this.step(1);
      return;
    }
    const group = this.together(index);
    const at = group.findIndex(({ k }) => k === index) + direction;
    if (group[at]) this.choose(group[at].note.id, more);
  }

  // -- sound

  async openTake() {
    const { take } = this.data;
    this.transport.balanceField.hidden = !take.there;
    if (!take.there) {
      const { source } = this.data.document;
      // A file of notes has no length in seconds, and nobody misses its sound.
      if (source?.file && source.duration_sec)
        put(
          this.work,
          h(
            "li",
            { class: "quiet" },
            `The recording ${source.file} is not in this folder, so only the tab can be heard.`,
          ),
        );
      return;
    }
    try {
      if (!take.ready) {
        const started = await post(`/api/riffs/${this.id}/prepare`);
        if (started.job) {
          const work = new Work("Opening the recording");
          this.work.append(work.element);
          await work.follow(started.job);
        }
        this.data.take = (await get(`/api/riffs/${this.id}`)).take;
      }
      if (this.left) return;
      this.takeReady = true;
      this.strip.setPicture(this.id, this.data.take);
    } catch (error) {
      // A server that is gone is told of once, and the take is opened when it is back.
      if (![0, 499].includes(error.status)) notice(error.message, { kind: "error" });
    }
  }

  /** The verdicts of the last take, kept beside the riff, are shown again. */
  async openCheck() {
    try {
      const found = await get(`/api/riffs/${this.id}/check`);
      if (this.left) return;
      this.checkStamp = found.stamp;
      if (found.damaged)
        notice(`${found.damaged.charAt(0).toUpperCase()}${found.damaged.slice(1)}.`, {
          key: "damaged",
        });
      if (!found.check) {
        this.check?.hide();
        return;
      }
      const pane = this.panes.check;
      pane.loading = pane.loading || this.loadPane(pane);
      await pane.loading;
      if (!this.left) this.check.show(found.check, { again: true });
    } catch {
      /* the tab is there without its verdicts */
    }
  }

  /** Work on this riff that another window, or this one before it was loaded anew, has begun. */
  async findWork() {
    const { jobs } = await get("/api/jobs").catch(() => ({ jobs: [] }));
    for (const job of jobs.filter(
      (each) => each.about === this.id && each.task !== "prepare" && each.task !== "make",
    )) {
      const work = new Work(job.label);
      this.work.append(work.element);
      work
        .follow(job.id)
        .then(async (made) => {
          if (this.left) return;
          if (job.task === "compare") {
            await this.showPane("check");
            this.check.show(made);
          } else {
            await this.refresh(await get(`/api/riffs/${this.id}`));
            notice("Done: the riff is shown as it is now.", { key: "again" });
          }
        })
        .catch((error) => {
          if (!this.left && error.status !== 499)
            notice(error.message, { kind: "error", key: "work" });
        });
    }
  }

  /** Hear the take that was compared, or the riff again, at the same place. */
  async hearTake(on) {
    try {
      await this.player.switchTo(on);
    } catch (error) {
      notice(`The sound could not be played: ${error.message}`, { kind: "error", key: "sound" });
    }
    this.heardButton?.setAttribute("aria-pressed", String(on));
    say(on ? "The take is heard." : "The riff is heard.");
  }

  tick(sec, moving) {
    this.along.tick(sec);
    this.transport.showTime(sec);
    this.strip.setPlayhead(sec, moving);
  }

  /** Loop the bar beside the one that is looped, or beside the one where the marker is. */
  loopBeside(step) {
    const at = this.loop ? (this.loop[0] + this.loop[1]) / 2 : this.player.now;
    const now = this.bars.barAt(at, this.notes);
    const [first, last] = [this.notes[0], this.notes[this.notes.length - 1]];
    const [low, high] = [first, last].map((note) => this.bars.place(note).bar);
    const bar = Math.min(high, Math.max(low, this.loop ? now + step : now));
    this.setLoop(this.bars.loopOf(this.notes, bar));
    this.strip.ensureVisible(this.loop[0]);
    if (this.player.playing) this.player.seek(this.loop[0]);
  }

  loopBar() {
    const last = this.note(this.chosen[this.chosen.length - 1]);
    const bar = last ? this.bars.place(last).bar : this.bars.barAt(this.player.now, this.notes);
    this.setLoop(this.bars.loopOf(this.notes, bar));
  }

  setLoop(range) {
    this.loop = range;
    this.player.set({ loop: range });
    this.strip.setLoop(range);
    this.transport.showLoop(range);
    if (range) {
      say(this.transport.loopText.textContent);
      if (!this.player.playing) this.player.seek(range[0]);
    }
  }
}
