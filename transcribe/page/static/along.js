// Playing along: a bar is counted, the marker goes through the tab at the chosen speed, and what the
// microphone hears meanwhile is held against the riff. It ends by itself, and begins again on a key.

import { control, h, noMicrophone, notice, say } from "./dom.js";
import { clock } from "./music.js";

const LONGEST_SEC = 1; // of the last note that is waited for (by ear)
const TAIL_SEC = 0.25; // after it, for a late player
const READY_SEC = 4; // to look at the verdicts before it begins again by itself (by eye)
const GOOD = 0.9; // of the notes right, from which on the next round is a step faster (by ear)

export class Along {
  constructor(riff) {
    this.riff = riff;
    this.turn = 0;
    this.button = control(
      {
        onclick: () => this.toggle(),
        "aria-keyshortcuts": "R",
        title: "A bar is counted, then play along; it stops by itself at the end (R)",
      },
      "Record along",
    );
    this.sound = h(
      "select",
      {},
      h("option", { value: "click" }, "the click"),
      h("option", { value: "music" }, "click and music, in headphones"),
    );
    this.again = h("input", { type: "checkbox" });
    this.state = h("span", { class: "along-state", role: "status" });
    this.errors = h("div", { class: "along-errors" });
    this.element = h(
      "div",
      { class: "row along", role: "group", "aria-label": "Play along" },
      this.button,
      h("label", { class: "field inline" }, h("span", {}, "to"), this.sound),
      h("label", { class: "tick" }, this.again, "Again by itself"),
      riff.transport.stepField,
      this.state,
      this.errors,
    );
  }

  /** Begin, or end early and use what was played. */
  toggle() {
    if (this.recorder) return this.finish(true);
    if (this.busy || this.riff.player.counting) return this.stop();
    return this.begin();
  }

  async begin() {
    const { riff } = this;
    const { player, notes } = riff;
    if (!notes.length) return;
    clearTimeout(this.waiting);
    const turn = ++this.turn;
    const last = notes.reduce((a, b) => (b.onset_sec > a.onset_sec ? b : a));
    const range = riff.loop;
    this.end = range
      ? range[1] - 0.05
      : Math.min(last.offset_sec, last.onset_sec + LONGEST_SEC) + TAIL_SEC;
    this.busy = true;
    this.button.textContent = "Stop";
    this.errors.replaceChildren();
    try {
      const { Recorder } = await import("./recorder.js");
      const ready = await Recorder.start((level, sec, clipped) => {
        this.state.textContent = clipped ? "Too loud: move away" : `Recording ${clock(sec)}`;
      });
      if (turn !== this.turn) {
        await ready.stop();
        return;
      }
      player.pause();
      if (range || player.at >= this.end - 0.1) player.seek(range ? range[0] : 0);
      // The marker is what one plays by, and the first button over it ends the recording too.
      riff.showTab();
      riff.strip.ensureVisible(player.at);
      player.set({ click: true });
      // The microphone is open before the first beat: who comes early is heard whole.
      player.onReady = () => {
        this.recorder = ready.begin();
        riff.transport.playButton.textContent = "Stop";
        this.button.classList.add("recording");
        this.button.textContent = "Stop and use it";
      };
      const begun =
        this.sound.value === "click" ? await player.guide(Infinity) : await this.withMusic();
      player.onReady = null;
      if (begun || this.recorder) return;
      await ready.stop();
      this.rest("");
    } catch (error) {
      this.rest("");
      notice(noMicrophone(error), { kind: "error", key: "along", into: this.errors });
    }
  }

  async withMusic() {
    const { player, transport } = this.riff;
    player.set({ countIn: true });
    await transport.play();
    return player.playing;
  }

  /** Told of every moment that the marker comes to. */
  tick(sec) {
    if (this.recorder && sec >= this.end) this.finish(true);
  }

  /** The end: hold it against the riff, or throw it away. */
  async finish(keep) {
    const { riff, recorder } = this;
    this.recorder = null;
    this.turn += 1;
    riff.player.pause();
    riff.transport.set();
    if (!recorder) return;
    this.rest(keep ? "Listening…" : "");
    const ended = performance.now();
    const blob = await recorder.stop();
    if (!keep || riff.left) return;
    await riff.showPane("check");
    this.busy = true;
    const share = await riff.check.take(blob, "my-take.wav");
    this.tookSec = (performance.now() - ended) / 1000;
    this.rest("");
    if (share === null || riff.left) return;
    const right = `${Math.round(100 * share)} % right at ${riff.transport.speedText.textContent}.`;
    if (share >= GOOD && Number(riff.transport.step.value)) riff.transport.faster();
    const start = riff.loop ? riff.loop[0] : 0;
    riff.player.seek(start);
    riff.strip.ensureVisible(start);
    this.state.textContent = `${right} R plays it again.`;
    say(right);
    if (this.again.checked) {
      this.state.textContent = `${right} Again in a moment; Escape stops it.`;
      this.waiting = setTimeout(() => this.begin(), READY_SEC * 1000);
    }
  }

  /** Call it off: the count, the recording, or the next round. */
  stop() {
    clearTimeout(this.waiting);
    this.waiting = null;
    const was = this.busy || this.recorder;
    if (was) this.finish(false);
    this.rest("");
    return Boolean(was);
  }

  rest(words) {
    this.busy = false;
    this.state.textContent = words;
    this.button.textContent = "Record along";
    this.button.classList.remove("recording");
  }

  leave() {
    this.stop();
  }
}
