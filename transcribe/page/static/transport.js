// Play, pause, speed, click, balance and loudness.

import { address, make } from "./api.js";
import { control, h, notice, recall, remember } from "./dom.js";
import { LEAD_SEC, barName, clock } from "./music.js";

const QUIET = 35; // percent of the loudness at which it begins (chosen by ear)

export class Transport {
  constructor(riff) {
    this.riff = riff;
    const button = (label, act, props = {}) => control({ onclick: act, ...props }, label);
    const slider = (props) =>
      h("input", { type: "range", step: "5", oninput: () => this.set(), ...props });
    this.playButton = button("Play", () => this.toggle(), {
      class: "main play",
      "aria-keyshortcuts": "Space",
    });
    this.clock = h("output", { class: "clock", "aria-label": "Time" }, "0:00.0");
    this.speed = slider({ min: "25", max: "150", step: "1", value: "100" });
    this.speedText = h("output", {}, "100 %");
    this.balance = slider({
      min: "0",
      max: "100",
      value: "0",
      "aria-label": "Balance from the take to the tab",
    });
    this.volume = slider({ min: "0", max: "100", value: String(QUIET) });
    this.clickBox = h("input", { type: "checkbox", onchange: () => this.set() });
    this.countBox = h("input", { type: "checkbox", onchange: () => this.set() });
    this.loopText = h("span", { class: "loop-text" }, "");
    const choice = (values, text, act) =>
      h(
        "select",
        { onchange: act },
        values.map((value) => h("option", { value: String(value) }, text(value))),
      );
    this.step = choice([0, 2, 5, 10], (n) => (n ? `${n} % faster` : "the same"));
    this.upTo = choice([100, 125, 150], (n) => `up to ${n} %`);
    this.stepField = h(
      "span",
      { class: "row tight", hidden: true },
      h("label", { class: "field inline" }, h("span", {}, "Each time round"), this.step),
      this.upTo,
    );
    this.upTo.setAttribute("aria-label", "Fastest");
    this.loopOff = button("Stop looping", () => riff.setLoop(null), { hidden: true });
    this.balanceField = h(
      "label",
      { class: "slider" },
      h("span", {}, "Hear the take"),
      this.balance,
      h("span", {}, "the tab"),
    );
    this.number = h("output", {});
    this.counter = h(
      "div",
      { class: "counter", hidden: true },
      this.number,
      button("Stop the count", () => riff.player.pause()),
    );
    this.hint = h(
      "p",
      { class: "hint" },
      "It begins quietly. Turn it up slowly, above all in headphones: loud sound can harm your hearing, and a ringing ear is a reason to stop and ask a clinician.",
    );
    this.narrow = matchMedia("(max-width: 900px)").matches;
    // On a phone or a tablet the tab is what the room is for; the settings of the sound are one tap away.
    this.settings = h(
      "div",
      { class: "row sound-row" },
      h("label", { class: "slider" }, h("span", {}, "Speed"), this.speed, this.speedText),
      h("label", { class: "tick" }, this.clickBox, "Click"),
      h("label", { class: "tick" }, this.countBox, "Count-in"),
      this.balanceField,
      h("label", { class: "slider" }, h("span", {}, "Loudness"), this.volume),
    );
    this.sound = this.narrow
      ? h(
          "details",
          { class: "sound" },
          h("summary", {}, "Speed, click and loudness"),
          this.settings,
          this.hint,
        )
      : this.hint;
    this.element = h(
      "section",
      { class: "transport", "aria-label": "Play" },
      h(
        "div",
        { class: "row" },
        this.playButton,
        control(
          {
            class: "to-start",
            onclick: () => {
              riff.player.seek(riff.loop ? riff.loop[0] : 0);
              riff.strip.ensureVisible(0);
            },
          },
          h("span", { class: "wordy" }, "From the "),
          "start",
        ),
        this.clock,
        button(["Loop ", h("span", { class: "wordy" }, "this "), "bar"], () => riff.loopBar()),
        riff.linesButton,
        this.loopText,
        this.loopOff,
        this.narrow ? null : this.settings,
      ),
      this.counter,
    );
    this.showHint();
  }

  /** The caution is shown until the first sound, and again wherever it is turned up. */
  showHint() {
    this.hint.hidden = recall("heard", false) && Number(this.volume.value) <= QUIET;
  }

  /** Hand what the controls say to the player. */
  set() {
    this.showHint();
    const speed = Number(this.speed.value);
    this.speedText.textContent = `${speed} %`;
    this.riff.player.set({
      speed: speed / 100,
      balance: Number(this.balance.value) / 100,
      volume: Number(this.volume.value) / 100,
      click: this.clickBox.checked,
      countIn: this.countBox.checked,
    });
    this.soundChanged();
  }

  /** Once round the loop: a step faster, as far as `aim` says. */
  faster() {
    const now = Number(this.speed.value);
    const goal = Number(this.upTo.value);
    this.speed.value = String(Math.max(now, Math.min(goal, now + Number(this.step.value))));
    this.set();
  }

  setSpeed(percent) {
    this.speed.value = String(Math.round(percent));
    this.set();
  }

  get wantsTab() {
    return this.balance.value !== "0";
  }

  showTime(sec) {
    this.clock.textContent = clock(sec);
  }

  showPlaying(playing) {
    if (playing) remember("heard", true);
    this.playButton.textContent = playing ? "Pause" : "Play";
  }

  /** The beat that is counted, large over the page; null when the count is over. */
  showCount(number) {
    this.counter.hidden = number === null;
    this.number.textContent = number ?? "";
  }

  showLoop(range) {
    this.loopOff.hidden = !range;
    this.stepField.hidden = !range;
    this.loopText.textContent = range ? `Loop ${this.loopName(range)}` : "";
  }

  /** The bars that are looped, or their seconds where it is no whole bars. */
  loopName([from, to]) {
    const { bars, notes } = this.riff;
    const [first, last] = [from, to - 2 * LEAD_SEC].map((sec) => bars.barAt(sec, notes));
    const whole = bars.there && last >= first ? bars.loopOf(notes, first, last) : [0, 0];
    if (Math.abs(whole[0] - from) > 0.01 || Math.abs(whole[1] - to) > 0.01)
      return `${from.toFixed(2)}–${to.toFixed(2)} s`;
    return first === last ? barName(first) : `bars ${first}–${last}`;
  }

  // -- sound

  toggle() {
    if (this.riff.along.recorder) this.riff.along.toggle();
    else if (this.riff.player.playing) this.riff.player.pause();
    else return this.play();
    return null;
  }

  async play() {
    try {
      this.riff.player.wake();
      if (this.riff.takeReady && !this.riff.player.take)
        this.riff.player.setTake(address(`/api/riffs/${this.riff.id}/take.wav`));
      const { hearsOther } = this.riff.player;
      if (!hearsOther && (!this.riff.takeReady || this.wantsTab)) await this.soundTab();
      await this.riff.player.play();
    } catch (error) {
      notice(`The sound could not be played: ${error.message}`, { kind: "error", key: "sound" });
    }
  }

  /** Have the tab rendered by the strings, if it changed since the last time. */
  async soundTab() {
    if (!this.riff.tabStale && this.riff.player.tab) return;
    this.riff.tabStale = false;
    this.playButton.disabled = true;
    this.playButton.textContent = "Preparing…";
    try {
      this.riff.player.setTab(await make(this.riff.id, { kind: "wav", speed: 1 }));
      this.riff.player.seek(this.riff.player.at);
    } catch (error) {
      this.riff.tabStale = true;
      throw error;
    } finally {
      this.playButton.disabled = false;
      this.showPlaying(this.riff.player.playing);
    }
  }

  /** The balance has come to the tab while it plays: have it rendered. */
  soundChanged() {
    if (
      this.wantsTab &&
      this.riff.player.playing &&
      (this.riff.tabStale || !this.riff.player.tab)
    ) {
      this.soundTab().catch((error) => notice(error.message, { kind: "error", key: "sound" }));
    }
  }

  /** Hear something made for the ear alone, over the same loudness. */
  async hear(body) {
    const url = await make(this.riff.id, body);
    this.riff.player.pause();
    this.riff.player.wake();
    await this.riff.player.context.resume();
    this.riff.aside?.pause();
    this.riff.aside = this.riff.player.element(url, this.riff.player.clickGain);
    await this.riff.aside.play();
  }
}
