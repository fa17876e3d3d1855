// The handout: a lesson as one file that opens anywhere. It draws and plays with the page's own
// scripts; what is drawn and heard lies in the file.

import { chordBox } from "./chordbox.js";
import { control, h, put, s } from "./dom.js";
import { gripsOf, riffOf, scalesOf } from "./drawn.js";
import { countedBeats, printed } from "./music.js";
import { scaleNeck } from "./neck.js";
import { Player } from "./player.js";
import { signs } from "./sheet.js";
import { drawSystems } from "./systems.js";

const PAPER = 222; // millimetres of the drawing over the width of the printed page (by eye)
const SCREEN = 3.6; // pixels of the screen for a millimetre of the drawing (chosen by eye)
const QUIET = 35; // percent of the loudness at which it begins (chosen by ear)

const sound = { volume: QUIET, click: false, countIn: true };
const players = [];

class Part {
  constructor(told, section, { fingers = false } = {}) {
    this.told = told;
    this.section = section;
    this.notes = told.document.notes;
    this.riff = riffOf(told, { fingers });
    this.bars = this.riff.bars;
    this.first = this.riff.first;
    this.last = this.riff.last;
    this.player = new Player({
      bars: this.bars,
      notes: this.notes,
      onTime: (sec) => this.move(sec),
      onState: (playing) => this.showPlaying(playing),
      onCount: (number) => put(this.count, number === null ? "" : String(number)),
    });
    players.push(this.player);
    this.screen = h("div", { class: "on-screen" });
    const paper = h(
      "div",
      { class: "on-paper", "aria-hidden": "true" },
      drawSystems(this.riff, PAPER).map(({ svg }) => svg),
    );
    const key = signs(this.notes, this.riff.phrases, this.riff);
    put(
      section.querySelector(".drawn"),
      this.controls(),
      this.screen,
      paper,
      key ? h("p", { class: "hint" }, key) : null,
    );
    section.querySelector(".as-text").open = false;
    for (const tempo of section.querySelectorAll(".tempo")) this.offerTempo(tempo);
    this.draw();
    this.set();
    this.player.at = this.startSec;
  }

  get name() {
    return this.told.name;
  }

  get bpm() {
    const rhythm = this.told.document.rhythm;
    return rhythm ? rhythm.bpm / countedBeats(rhythm.meter) : null;
  }

  get startSec() {
    return this.bars.there ? this.bars.edgeOf(this.from, this.notes) : 0;
  }

  get from() {
    return this.fromBar ? Number(this.fromBar.value) : this.first;
  }

  controls() {
    const { bpm } = this;
    const first = this.section.querySelector(".tempo"); // of the plan, which begins slowly
    const wanted = first && bpm ? (100 * Number(first.textContent)) / bpm : 100;
    this.play = control(
      { class: "main play", onclick: () => this.toggle(), "aria-label": `Play ${this.name}` },
      "Play",
    );
    this.speed = h("input", {
      type: "range",
      min: "30",
      max: "120",
      step: "1",
      value: String(Math.min(120, Math.max(30, Math.round(wanted)))),
      oninput: () => this.set(),
      "aria-label": `Speed of ${this.name}`,
    });
    this.speedText = h("output", {});
    this.count = h("output", { class: "count-in", "aria-label": "Count" });
    const bars = [];
    for (let bar = this.first; bar <= this.last; bar += 1) bars.push(bar);
    const choice = (label, value) =>
      h(
        "select",
        { "aria-label": `${label} ${this.name}`, onchange: () => this.chooseBars() },
        bars.map((bar) =>
          h("option", { value: String(bar), selected: bar === value }, bar > 0 ? bar : "pickup"),
        ),
      );
    this.loop = h("input", { type: "checkbox", checked: true, onchange: () => this.set() });
    let loop = null;
    if (this.bars.there) {
      this.fromBar = choice("First bar to play of", this.first);
      this.toBar = choice("Last bar to play of", this.last);
      loop = [
        h(
          "span",
          { class: "row tight field inline" },
          "Bars",
          this.fromBar,
          "to",
          this.toBar,
          h("label", { class: "tick" }, this.loop, "Loop"),
        ),
      ];
    }
    return h(
      "div",
      { class: "row controls" },
      this.play,
      h(
        "label",
        { class: "slider" },
        h("span", { class: "wordy" }, "Speed"),
        this.speed,
        this.speedText,
      ),
      loop,
      this.count,
    );
  }

  /** A tempo of the practice plan sets the speed. */
  offerTempo(tempo) {
    const bpm = tempo.textContent;
    put(
      tempo,
      control(
        {
          class: "plain",
          "aria-label": `${this.name} at ${bpm} bpm`,
          onclick: () => {
            this.speed.value = String(Math.round((100 * Number(bpm)) / this.bpm));
            this.set();
          },
        },
        bpm,
      ),
    );
  }

  chooseBars() {
    if (Number(this.toBar.value) < this.from) this.toBar.value = this.fromBar.value;
    this.set();
    this.player.seek(this.startSec);
  }

  set() {
    const percent = Number(this.speed.value);
    const bpm = this.bpm ? `, ${Math.round((this.bpm * percent) / 100)} bpm` : "";
    this.speedText.textContent = `${percent} %${bpm}`;
    const range = this.bars.there
      ? this.bars.loopOf(this.notes, this.from, Number(this.toBar.value))
      : null;
    this.end = range ? range[1] : Infinity;
    this.player.set({
      speed: percent / 100,
      volume: sound.volume / 100,
      click: sound.click && this.bars.there,
      countIn: sound.countIn && this.bars.there,
      loop: range && this.loop.checked ? range : null,
    });
  }

  async toggle() {
    const { player } = this;
    if (player.playing) {
      player.pause();
      return;
    }
    for (const other of players) if (other.playing) other.pause();
    if (!player.tab) player.setTab(this.told.sound);
    await player.play();
  }

  showPlaying(playing) {
    this.play.textContent = playing ? "Pause" : "Play";
    this.play.setAttribute("aria-label", `${playing ? "Pause" : "Play"} ${this.name}`);
    this.section.classList.toggle("playing", playing);
  }

  /** The lines as wide as the window has room for. */
  draw() {
    const width = Math.max(84, Math.min(190, this.screen.clientWidth / SCREEN));
    if (width === this.width) return;
    this.width = width;
    this.systems = drawSystems(this.riff, width).map((system, k, all) => {
      const { svg, g } = system;
      const head = s("line", { class: "line-head", y1: g.top - 3, y2: g.bottom + 3 });
      head.toggleAttribute("hidden", true);
      svg.prepend(head);
      svg.setAttribute("role", "img");
      svg.setAttribute("aria-label", `${this.name}, line ${k + 1} of ${all.length}`);
      svg.addEventListener("click", (event) => this.goTo(system, event));
      return { ...system, head };
    });
    put(
      this.screen,
      this.systems.map(({ svg }) => svg),
    );
    if (this.shown) this.move(this.player.at);
  }

  /** Go to the bar that was touched. */
  goTo(system, event) {
    const box = system.svg.getBoundingClientRect();
    const x = ((event.clientX - box.left) / box.width) * system.svg.viewBox.baseVal.width;
    const bar = system.barAt(x);
    if (!bar || !this.bars.there) return;
    const wanted = Math.min(this.last, Math.max(this.first, bar.number + 1));
    if (wanted > Number(this.toBar.value) || wanted < this.from) {
      this.fromBar.value = String(wanted);
      if (wanted > Number(this.toBar.value)) this.toBar.value = String(this.last);
      this.set();
    }
    this.player.seek(this.bars.edgeOf(wanted, this.notes));
  }

  /** The marker stands where the sound is. */
  move(sec) {
    if (this.player.playing && !this.player.loop && sec >= this.end) {
      this.player.pause();
      this.player.seek(this.startSec);
      return;
    }
    const beat = this.bars.beatAt(sec);
    // What is heard a little before a bar is its first attack.
    const last = this.systems[this.systems.length - 1];
    const shown =
      this.systems.find((each) => beat >= each.from - 0.25 && beat < each.to - 0.25) || last;
    for (const system of this.systems) {
      const here = system === shown;
      if (here) {
        const x = system.x(Math.min(Math.max(beat, system.from), system.to - 0.01));
        if (x !== null) {
          system.head.setAttribute("x1", String(x));
          system.head.setAttribute("x2", String(x));
        }
      }
      system.head.toggleAttribute("hidden", !here);
    }
    if (shown !== this.shown && this.player.playing) shown.svg.scrollIntoView({ block: "nearest" });
    this.shown = shown;
  }
}

/** Loudness, click and count-in, for all parts. */
function soundControls(parts, caution) {
  const all = () => parts.forEach((part) => part.set());
  const volume = h("input", {
    type: "range",
    min: "0",
    max: "100",
    step: "5",
    value: String(QUIET),
    oninput: () => {
      sound.volume = Number(volume.value);
      all();
    },
  });
  const tick = (name, text) => {
    const box = h("input", {
      type: "checkbox",
      checked: sound[name],
      onchange: () => {
        sound[name] = box.checked;
        all();
      },
    });
    return h("label", { class: "tick" }, box, text);
  };
  return [
    h(
      "div",
      { class: "row" },
      h("label", { class: "slider" }, h("span", {}, "Loudness"), volume),
      tick("click", "Click"),
      tick("countIn", "Count a bar in"),
    ),
    h("p", { class: "hint" }, caution),
  ];
}

function grips(parts, whole) {
  return gripsOf(parts, whole).map(({ symbol, shape, as, heavier }) =>
    h(
      "figure",
      {},
      chordBox(shape),
      h(
        "figcaption",
        {},
        h("span", {}, printed(symbol)),
        as ? h("small", {}, printed(`the ${as} shape at the capo`)) : null,
        heavier ? h("small", {}, "heavier") : null,
        shape.caution ? h("small", { class: "caution" }, "Take care: wide stretch") : null,
      ),
    ),
  );
}

function scales(parts, whole, width) {
  return scalesOf(parts, whole).map(({ label, doc, notes, drone }) => {
    const neck = scaleNeck(doc, notes, { label, drone, width });
    const svg = neck.querySelector("svg");
    svg.setAttribute("viewBox", `0 0 ${svg.getAttribute("width")} ${svg.getAttribute("height")}`);
    return h("div", {}, h("h3", {}, label), neck);
  });
}

function fill(id, title, body) {
  const section = document.getElementById(id);
  if (!body.length) return;
  put(section, title ? h("h2", {}, title) : null, body);
  section.hidden = false;
}

const told = JSON.parse(document.getElementById("lesson").textContent);
const sections = [...document.querySelectorAll(".part")];
const parts = told.parts.map((each, k) => new Part(each, sections[k], told));
fill("sound", null, soundControls(parts, told.caution));
fill("grips", "Chords", [h("div", { class: "shapes" }, grips(told.parts, told.whole))]);
fill("scale", "On the neck", [
  h("p", { class: "hint" }, told.neckKey),
  scales(told.parts, told.whole, Math.min(640, document.querySelector("main").clientWidth)),
]);
addEventListener("resize", () => parts.forEach((part) => part.draw()));
