// The chosen note: what it is, where on the neck it can be played, and what can be done to it.

import { get } from "./api.js";
import { control, h, notice, put, recall, remember, s, say } from "./dom.js";
import { TECHNIQUES, capital, barName, beatText, parsePitch, placeText, plural } from "./music.js";
import { drawDrone, drawNeck, mark } from "./neck.js";
import { ease, handText } from "./tell.js";
import { named } from "./told.js";

function nameOf(control) {
  return (
    control.getAttribute("aria-label") ||
    control.labels?.[0]?.firstChild?.textContent ||
    control.textContent
  );
}

export class NotePanel {
  constructor(riff) {
    this.riff = riff;
    this.body = h("div", {});
    this.earlier = this.button("←", () => riff.step(-1), {
      "aria-label": "Earlier",
      title: "The note before",
      "aria-keyshortcuts": "ArrowLeft",
    });
    this.later = this.button("→", () => riff.step(1), {
      "aria-label": "Later",
      title: "The note after",
      "aria-keyshortcuts": "ArrowRight",
    });
    // A finger has no Shift key.
    this.severalButton = this.button("Several", () => this.setSeveral(!riff.several), {
      "aria-pressed": "false",
      title: "Choose several notes, one after the other",
    });
    this.title = h("h2", { id: "note-title" }, "The note");
    this.facts = h("p", { class: "note-facts", hidden: true });
    this.element = h(
      "section",
      { class: "note-panel", "aria-labelledby": "note-title" },
      h(
        "div",
        { class: "row panel-head" },
        this.title,
        this.facts,
        h("span", { class: "row tight" }, this.earlier, this.later, this.severalButton),
      ),
      this.body,
    );
    this.turn = 0;
    this.typed = null; // a position that is not asked for yet
  }

  setSeveral(on) {
    this.riff.several = on;
    this.severalButton.setAttribute("aria-pressed", String(on));
    say(on ? "Each note that you choose now is added to those chosen." : "One note at a time.");
  }

  async show(ids) {
    const turn = ++this.turn;
    if (this.riff.strip.adding) return;
    const held = this.body.contains(document.activeElement) ? document.activeElement : null;
    await this.fill(ids, turn);
    if (held && turn === this.turn) this.takeFocusBack(held);
  }

  /** Whoever works by keyboard stays where they were, though the panel is drawn anew. */
  takeFocusBack(held) {
    if (this.body.contains(held)) return;
    const { list } = this.riff.strip;
    if (held.matches(".place") && this.neck && this.body.contains(this.neck)) {
      // The places come in a moment; until then the tab answers to the keys.
      list.focus({ preventScroll: true });
      this.wantsFocus = true;
      return;
    }
    const same = [...this.body.querySelectorAll(held.tagName)].find(
      (other) => !other.disabled && nameOf(other) === nameOf(held),
    );
    (same || list).focus({ preventScroll: true });
  }

  async fill(ids, turn) {
    const notes = ids.map((id) => this.riff.note(id)).filter(Boolean);
    this.element.classList.toggle("chosen", notes.length > 0);
    this.title.classList.toggle("unseen", notes.length > 0);
    this.facts.hidden = !notes.length;
    if (!notes.length) {
      put(
        this.body,
        h(
          "p",
          { class: "quiet" },
          "Choose a note in the tab: tap or click it, or use the arrow keys. Every place where it can be played is shown here; one tap on a place moves the note there.",
        ),
      );
      return;
    }
    if (notes.length > 1) return this.several(notes, turn);
    this.one(notes[0], turn);
  }

  button(label, act, props = {}) {
    return control({ onclick: act, ...props }, label);
  }

  async several(notes, turn) {
    const { severalTools } = await import("./several.js");
    if (turn !== this.turn) return;
    const sorted = [...notes].sort((a, b) => a.onset_sec - b.onset_sec);
    put(
      this.facts,
      `${plural(notes.length, "note")} chosen: ${sorted.map((note) => this.riff.pitch(note)).join(" ")}`,
    );
    put(this.body, severalTools(this, notes));
  }

  /** A note that was heard with doubt counts as played. */
  keep(ids) {
    const unsure = ids.filter((id) => this.riff.unsure.has(id));
    if (!unsure.length) return null;
    const keep = () => this.riff.edit({ op: "confirm", notes: unsure });
    return this.button("Keep", keep, { title: "It was played so; count it as sure" });
  }

  async one(note, turn) {
    const { bars } = this.riff;
    const place = bars.place(note);
    // A note put in by hand, or read from a file, was not heard; nothing is claimed about it.
    const sure =
      note.confidence < 1
        ? ` · ${this.riff.unsure.has(note.id) ? "unsure" : "heard"}, ${Math.min(99, Math.round(note.confidence * 100))} % certain`
        : "";
    put(
      this.facts,
      h("strong", {}, this.riff.pitch(note)),
      note.string === null ? ", on no string yet" : ` on ${placeText(note.string, note.fret)}`,
      note.finger ? `, finger ${note.finger}` : "",
      bars.there ? ` · ${barName(place.bar)}, beat ${beatText(place.beat)}` : "",
      h(
        "span",
        { class: bars.there ? "wordy" : "" },
        ` · ${note.onset_sec.toFixed(2)}–${note.offset_sec.toFixed(2)} s${sure}`,
      ),
      note.pinned ? [" · ", h("span", { class: "pinned-word" }, "pinned")] : "",
    );
    // What is below the neck stays where it is while the next neck is fetched.
    const tall = this.neck?.offsetHeight;
    this.neck = h(
      "div",
      { class: "neck-holder", style: tall ? { minHeight: `${tall}px` } : {} },
      h("p", { class: "quiet" }, "Looking along the neck…"),
    );
    this.why = h("p", { class: "why" });
    this.repeats = h("div", { class: "repeats" });
    put(
      this.body,
      h(
        "div",
        { class: "note-grid" },
        this.neck,
        h("div", { class: "note-rest" }, this.tools(note), this.repeats, this.why),
      ),
    );
    try {
      const found = await get(`/api/riffs/${this.riff.id}/notes/${note.id}`);
      if (turn !== this.turn) return;
      put(this.neck, this.drawNeck(note, found));
      const at = this.neck.querySelector(".current");
      if (at) {
        const box = this.neck.querySelector(".neck-scroll");
        box.scrollLeft = at.offsetLeft - box.clientWidth / 2;
      }
      this.riff.keepInSight();
      const why = recall("numbers", false) ? found.why : found.why_in_words;
      put(this.why, named(this.riff, why.parts, { self: note.id }));
      this.showRepeats(note, found.repeats);
      const free = [document.body, this.riff.strip.list].includes(document.activeElement);
      if (this.wantsFocus && free) this.focusNeck();
      this.wantsFocus = false;
    } catch (error) {
      if (turn === this.turn) put(this.neck, h("p", { class: "quiet" }, error.message));
    }
  }

  focusNeck() {
    const current =
      this.neck?.querySelector("button.current") || this.neck?.querySelector("button.place");
    if (current) current.focus();
    else this.wantsFocus = true;
  }

  showRepeats(note, repeats) {
    const others = repeats
      .map((id) => this.riff.note(id))
      .filter((other) => other && other.pitch_midi === note.pitch_midi);
    const loose = others.filter(
      (other) => !(other.pinned && other.string === note.string && other.fret === note.fret),
    );
    if (!note.pinned || !loose.length) {
      put(
        this.repeats,
        others.length
          ? h(
              "p",
              { class: "quiet" },
              `The phrase comes back, and this note with it, ${others.length === 1 ? "once more" : `${others.length} more times`}`,
              note.pinned ? ", pinned alike." : ". Pin this one and you can pin them alike.",
            )
          : null,
      );
      return;
    }
    const bar = (other) =>
      this.riff.bars.there
        ? barName(this.riff.bars.place(other).bar)
        : `${other.onset_sec.toFixed(1)} s`;
    put(
      this.repeats,
      h(
        "p",
        {},
        `The same note comes back ${loose.length === 1 ? "once more" : `${loose.length} more times`}. Pin it there as well:`,
      ),
      h(
        "div",
        { class: "row" },
        loose.length > 1
          ? this.button(
              `All ${loose.length}`,
              () =>
                this.riff.edit({
                  op: "pin",
                  note: note.id,
                  string: note.string,
                  fret: note.fret,
                  also: loose.map((other) => other.id),
                }),
              { class: "main" },
            )
          : null,
        loose
          .slice(0, 12)
          .map((other) =>
            this.button(`In ${bar(other)}`, () =>
              this.riff.edit({ op: "pin", note: other.id, string: note.string, fret: note.fret }),
            ),
          ),
      ),
    );
  }

  tools(note) {
    const { riff } = this;
    const technique = h(
      "select",
      { onchange: () => riff.edit({ op: "change", note: note.id, articulation: technique.value }) },
      TECHNIQUES.map((name) =>
        h("option", { value: name, selected: name === note.articulation }, name),
      ),
    );
    const shift = (step) =>
      riff.edit({ op: "change", note: note.id, pitch_midi: note.pitch_midi + step });
    const inside =
      riff.player.now > note.onset_sec + 0.03 && riff.player.now < note.offset_sec - 0.03;
    return h(
      "div",
      { class: "tools-of-note" },
      h(
        "div",
        { class: "row" },
        h("label", { class: "field inline" }, h("span", {}, "Technique"), technique),
        h(
          "span",
          { class: "row tight", role: "group", "aria-label": "Pitch" },
          h("span", {}, "Pitch"),
          this.button("−", () => shift(-1), { "aria-label": "A semitone lower" }),
          h("output", {}, this.riff.pitch(note)),
          this.button("+", () => shift(1), { "aria-label": "A semitone higher" }),
          this.button("octave −", () => shift(-12), { "aria-label": "An octave lower" }),
          this.button("octave +", () => shift(12), { "aria-label": "An octave higher" }),
        ),
      ),
      h(
        "div",
        { class: "row" },
        this.keep([note.id]),
        note.pinned ? this.button("Unpin", () => riff.edit({ op: "unpin", note: note.id })) : null,
        this.button(inside ? "Split at the playhead" : "Split in two", () =>
          riff.edit({ op: "split", note: note.id, ...(inside ? { at_sec: riff.player.now } : {}) }),
        ),
        this.button("Merge with the next", () => this.mergeNext(note)),
        this.button("Delete", () => riff.deleteChosen()),
      ),
    );
  }

  mergeNext(note) {
    const next = this.riff.notes
      .filter((other) => other.onset_sec > note.onset_sec + 0.02)
      .find((other) => other.pitch_midi === note.pitch_midi || other.string === note.string);
    if (!next) {
      notice("No later note lies on this string.", { kind: "error", key: "edit" });
      return;
    }
    this.riff.edit({ op: "merge", notes: [note.id, next.id] });
  }

  /** The neck with a button at every place that sounds the note, and the hand as it lies there. */
  drawNeck(note, { places, hand }) {
    if (!places.length) return h("p", {}, "No string reaches this pitch.");
    const { riff } = this;
    const { instrument } = riff.data.document;
    // The drone has its own sign, and moves no hand.
    const notesOf = (ids) =>
      ids
        .map((id) => riff.note(id))
        .filter(
          (each) => each.string !== null && !(hand.drone.includes(each.string) && !each.fret),
        );
    const [before, together, after] = [hand.before, hand.together, hand.after].map(notesOf);
    const beside = [...before, ...after];
    const most = instrument.frets - instrument.capo;
    const top = Math.min(
      most,
      Math.max(12, ...[...places, ...beside, ...together].map((each) => each.fret + 1)),
    );
    const width = Math.max(16 * top + 110, this.neck.clientWidth - 2);
    // Where a place is as large as a finger, so far apart are the strings.
    const { matches: finger } = matchMedia("(pointer: coarse), (max-width: 520px)");
    const neck = drawNeck(riff.data.document, { high: top, width, gap: finger ? 41 : 28 });
    neck.svg.setAttribute("aria-hidden", "true");
    drawDrone(neck, hand.drone);
    const reach = s("g", {});
    neck.svg.append(reach);
    const way = [...before.slice(-1), note, ...after.slice(0, 1)]
      .filter((each) => each.string !== null)
      .map((each) => `${neck.middle(each.fret)},${neck.y(each.string)}`);
    neck.svg.append(s("polyline", { class: "way-of-hand", points: way.join(" ") }));
    for (const [name, notes] of Object.entries({ before, after, with: together }))
      for (const { string, fret } of notes) mark(neck, string, fret, String(fret), name);
    const told = h("p", { class: "hand-told" });
    const here = places.find((place) => place.string === note.string && place.fret === note.fret);
    const show = (place) => {
      const index = place === here ? hand.index_fret : place.index_fret;
      put(reach, this.reach(neck, hand, index, top));
      put(told, h("b", {}, capital(ease(place))), `. ${handText(hand, index, place === here)}`);
    };
    if (here) show(here);
    else put(told, handText(hand, hand.index_fret, true));
    const order = [...places].sort((a, b) => a.string - b.string);
    const buttons = order.map((place) =>
      this.placeButton(note, place, { neck, show, here, beside }),
    );
    const numbers = h("input", {
      type: "checkbox",
      checked: recall("numbers", false),
      onchange: () => {
        remember("numbers", numbers.checked);
        this.show(riff.chosen);
      },
    });
    const more =
      width > this.neck.clientWidth ? ` The neck goes on to fret ${top}: move it sideways.` : "";
    return h(
      "div",
      {},
      h(
        "div",
        {
          class: "neck-scroll",
          tabindex: "0",
          role: "group",
          "aria-label": "Places on the neck for this note",
        },
        h(
          "div",
          { class: "neck-box", style: { width: `${width}px`, height: `${neck.height}px` } },
          neck.svg,
          buttons,
        ),
      ),
      told,
      h(
        "p",
        { class: "hint" },
        `Choose a place to pin the note there; the rest is fingered again around it.${more} `,
        h("label", { class: "tick" }, numbers, "Costs in numbers"),
      ),
    );
  }

  /** What the hand covers without strain from where the index finger lies. */
  reach(neck, hand, index, top) {
    if (!index) return [];
    const mm = hand.fret_mm;
    const perMm = (neck.x(top) - neck.x(0)) / (mm[top] - mm[0]);
    const inside = (x) => Math.max(2, Math.min(x, neck.width - 2));
    const ends = [neck.x(index - 1), inside(neck.x(index) + hand.span_mm * perMm)];
    const [from, to] = [Math.min(...ends), Math.max(...ends)];
    const [a, b] = [neck.y(1) - 13, neck.y(neck.strings) + 13];
    return [
      s("rect", { class: "reach", x: from, y: a, width: to - from, height: b - a }),
      s("path", { class: "reach-edge", d: `M${from} ${a + 5}V${a}H${to}V${a + 5}` }),
      s(
        "text",
        { class: "fret-number", x: (from + to) / 2, y: a - 2, mid: true, font: 10 },
        `${Math.round(hand.span_mm)} mm`,
      ),
    ];
  }

  placeButton(note, place, { neck, show, here, beside }) {
    const current = place === here;
    // What is only heard completes what is seen, so that both say the same.
    const hidden = (text) => h("span", { class: "unseen" }, text);
    const label = recall("numbers", false)
      ? place.cost === null
        ? "–"
        : place.more < 0.05
          ? "0"
          : `+${place.more.toFixed(1)}`
      : ease(place);
    const x = neck.middle(place.fret);
    // The word stands on the side where it hides no other note, if there is room.
    const near = beside.filter((each) => each.string === place.string).map((each) => each.fret);
    const [lower, higher] = [(fret) => fret < place.fret, (fret) => fret > place.fret];
    const [left, right] = neck.mirrored ? [higher, lower] : [lower, higher];
    const leftward =
      x > neck.width - 130 ||
      (x > 150 && (near.some(right) ? !near.some(left) : x > neck.width / 2));
    const look = () => show(place);
    const back = () => here && show(here);
    return control(
      {
        class: `place ${current ? "current" : ""} ${current && note.pinned ? "held" : ""} ${leftward ? "leftward" : ""}`,
        "data-place": `${place.string}/${place.fret}`,
        "aria-pressed": String(current && note.pinned),
        style: { left: `${x}px`, top: `${neck.y(place.string)}px` },
        onclick: () => this.pin(note, place),
        onkeydown: (event) => this.neckKey(event),
        onfocus: look,
        onblur: back,
        onpointerenter: look,
        onpointerleave: back,
      },
      hidden(`string ${place.string} fret `),
      h("b", {}, String(place.fret)),
      hidden(`${place.fret ? "" : " open"}, `),
      h("small", { class: current ? "unseen" : null }, label),
      hidden(current ? (note.pinned ? ", pinned here" : ", here now") : ""),
    );
  }

  neckKey(event) {
    const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
    if (event.key === "Escape") {
      this.riff.strip.list.focus();
      return;
    }
    if (!step) return;
    event.preventDefault();
    const all = [...this.neck.querySelectorAll("button.place")];
    all[(all.indexOf(event.target) + step + all.length) % all.length].focus();
  }

  async pin(note, place) {
    const had = this.neck.contains(document.activeElement);
    const done = await this.riff.edit({
      op: "pin",
      note: note.id,
      string: place.string,
      fret: place.fret,
    });
    // What came of it is told, and spoken, under the tab.
    if (done && had) this.focusNeck();
  }

  /** A form for a note that was missed. */
  showAdding(sec) {
    this.turn += 1;
    const { riff } = this;
    const pitch = h("input", { type: "text", value: "A3", size: "5", required: true });
    const start = h("input", {
      type: "number",
      min: "0",
      max: String(riff.data.duration_sec.toFixed(2)),
      step: "0.01",
      value: sec.toFixed(2),
    });
    const length = h("input", {
      type: "number",
      min: "0.05",
      max: "30",
      step: "0.05",
      value: "0.4",
    });
    const add = () => {
      const midi = parsePitch(pitch.value);
      if (midi === null) {
        notice("Write the pitch as a letter, # or b, and the octave, such as A3 or F#4.", {
          kind: "error",
          key: "edit",
        });
        return;
      }
      riff.addNote(Number(start.value), midi, Number(length.value));
    };
    put(
      this.body,
      h("p", {}, "The note that was missed: its pitch, when it begins and how long it lasts."),
      h(
        "div",
        { class: "row" },
        h("label", { class: "field inline" }, h("span", {}, "Pitch"), pitch),
        h("label", { class: "field inline" }, h("span", {}, "Begins, s"), start),
        h("label", { class: "field inline" }, h("span", {}, "Lasts, s"), length),
        this.button("Add", add, { class: "main" }),
      ),
    );
  }
}
