// Playing the take and the tab together: slower with the pitch kept, looped, with click and
// count-in. Media elements keep the pitch; Web Audio does balance, loudness and the click.

const AHEAD = 0.12;
const READY = 0.25; // seconds before the first beat at which a recording begins

export class Player {
  constructor({ bars, notes = [], onTime, onState, onCount, onRound = () => {} }) {
    this.bars = bars;
    this.notes = notes;
    this.onTime = onTime;
    this.onState = onState;
    this.onCount = onCount;
    this.onRound = onRound;
    this.take = null;
    this.tab = null;
    this.other = null;
    this.hearsOther = false;
    this.onReady = null;
    this.speed = 1;
    this.balance = 0;
    this.volume = 0.35;
    this.loop = null;
    this.click = false;
    this.countIn = false;
    this.playing = false;
    this.at = 0;
    this.turn = 0;
  }

  /** Everything that makes sound is made at the first play: browsers want a gesture. */
  wake() {
    if (this.context) return;
    this.context = new AudioContext();
    this.master = this.context.createGain();
    this.analyser = this.context.createAnalyser();
    this.analyser.fftSize = 16384;
    this.master.connect(this.analyser);
    this.analyser.connect(this.context.destination);
    this.takeGain = this.context.createGain();
    this.tabGain = this.context.createGain();
    this.clickGain = this.context.createGain();
    for (const gain of [this.takeGain, this.tabGain, this.clickGain]) gain.connect(this.master);
    this.setGains();
  }

  setGains() {
    if (!this.context) return;
    const now = this.context.currentTime;
    const both = this.take && this.tab;
    const balance = !this.take ? 1 : both ? this.balance : 0;
    this.master.gain.setTargetAtTime(this.volume ** 2, now, 0.02);
    this.takeGain.gain.setTargetAtTime(Math.cos((balance * Math.PI) / 2), now, 0.02);
    this.tabGain.gain.setTargetAtTime(Math.sin((balance * Math.PI) / 2), now, 0.02);
  }

  element(url, gain) {
    const audio = new Audio();
    audio.preload = "auto";
    audio.preservesPitch = true;
    audio.src = url;
    this.context.createMediaElementSource(audio).connect(gain);
    return audio;
  }

  setTake(url) {
    this.wake();
    this.take?.pause();
    this.take = url ? this.element(url, this.takeGain) : null;
    this.setGains();
  }

  setTab(url) {
    this.wake();
    this.tab?.pause();
    this.tab = url ? this.element(url, this.tabGain) : null;
    this.setGains();
    if (this.playing && this.tab && this.take) {
      this.tab.playbackRate = this.speed;
      this.tab.currentTime = this.take.currentTime;
      this.tab.play().catch(() => {});
    }
  }

  /** A take that was compared, to be heard in place of the riff; `map` leads between their clocks. */
  setOther(url, map) {
    if (this.hearsOther) this.switchTo(false);
    this.other?.pause();
    this.other = null;
    this.map = map;
    this.otherUrl = url;
  }

  /** Go on at the same place of the music with the other take, or with the riff again. */
  async switchTo(other) {
    const { playing } = this;
    if (playing) this.pause();
    this.wake();
    if (other && !this.other) {
      this.other = this.element(this.otherUrl, this.master);
      this.other.playbackRate = this.speed;
    }
    this.hearsOther = other;
    if (playing) await this.play({ counted: true });
  }

  /** What sounds now: the compared take alone, or the riff's take and tab. */
  get voices() {
    return this.hearsOther ? [this.other] : [this.take, this.tab].filter(Boolean);
  }

  get lead() {
    return this.voices[0] || null;
  }

  /** The moment of the riff at which the sound is. */
  get heard() {
    const sec = this.lead.currentTime;
    return this.hearsOther ? this.map.toRiff(sec) : sec;
  }

  get now() {
    const sounds = this.playing && this.lead && !this.counting && !this.guiding;
    return sounds ? this.heard : this.at;
  }

  set(values) {
    Object.assign(this, values);
    for (const audio of this.all) audio.playbackRate = this.speed;
    this.setGains();
  }

  get all() {
    return [this.take, this.tab, this.other].filter(Boolean);
  }

  seek(sec) {
    this.at = sec;
    for (const audio of this.all)
      audio.currentTime = Math.max(0, audio === this.other ? this.map.toTake(sec) : sec);
    this.clicked = sec - 1e-3;
    this.onTime(sec, this.playing);
  }

  async play({ counted = false } = {}) {
    if (!this.lead) return;
    this.wake();
    const turn = ++this.turn;
    await this.context.resume();
    if (this.loop && (this.at < this.loop[0] - 0.01 || this.at >= this.loop[1]))
      this.at = this.loop[0];
    const end = this.hearsOther ? this.map.toRiff(this.lead.duration) : this.lead.duration;
    if (end && this.at >= end - 0.05) this.at = this.loop ? this.loop[0] : 0;
    this.playing = true;
    this.onState(true);
    if (this.countIn && !counted && !(await this.count(turn))) return;
    this.seek(this.at);
    for (const audio of this.all) audio.playbackRate = this.speed;
    try {
      await Promise.all(this.voices.map((audio) => audio.play()));
    } catch (error) {
      if (turn === this.turn && error.name !== "AbortError") {
        this.pause();
        throw error;
      }
      return;
    }
    if (turn === this.turn) this.run(turn);
  }

  /**
   * Count a bar aloud and on the screen, at the chosen speed, with the playhead at the start of the
   * bar where it is. Resolves to whether it was counted to its end; `pause` stops it.
   */
  async count(turn) {
    const { from, beats, wait_sec } = this.bars.countIn(this.at, this.notes, {
      speed: this.speed,
      least: this.loop?.[0],
    });
    this.seek(from);
    this.counting = true;
    const start = this.context.currentTime + 0.1;
    const until = (sec) =>
      new Promise((resolve) =>
        setTimeout(resolve, Math.max(0, start + sec - this.context.currentTime) * 1000),
      );
    for (const { after_sec, number } of beats) {
      await until(after_sec - 0.05);
      if (turn !== this.turn) return false;
      this.tick(start + after_sec, number === 1);
      this.onCount(number);
    }
    await until(wait_sec - READY);
    if (turn !== this.turn) return false;
    this.onReady?.();
    await until(wait_sec);
    if (turn !== this.turn) return false;
    this.counting = false;
    this.onCount(null);
    return true;
  }

  /** A counted bar, then the playhead goes through the tab to play along with; nothing but the click sounds. */
  async guide(end) {
    this.pause();
    this.wake();
    const { turn } = this;
    this.playing = true;
    this.guiding = true;
    this.onState(true);
    await this.context.resume();
    if (!(await this.count(turn))) return false;
    const { at } = this;
    const since = this.context.currentTime;
    const step = () => {
      if (turn !== this.turn) return;
      const gone = (this.context.currentTime - since) * this.speed;
      const now = this.loop
        ? this.loop[0] + ((at - this.loop[0] + gone) % (this.loop[1] - this.loop[0]))
        : at + gone;
      if (now < this.at) this.clicked = now - 1e-3;
      this.at = now;
      if (this.click) this.schedule(now);
      this.onTime(now, true);
      if (now >= end) this.pause();
      else requestAnimationFrame(step);
    };
    step();
    return true;
  }

  pause() {
    this.turn += 1;
    if (this.counting) this.onCount(null);
    this.at = this.now;
    this.counting = false;
    this.guiding = false;
    this.playing = false;
    for (const audio of this.all) audio.pause();
    this.onState(false);
  }

  run(turn) {
    const step = () => {
      if (turn !== this.turn || !this.playing) return;
      const { lead, heard: now } = this;
      if (this.loop && now >= this.loop[1]) {
        this.onRound();
        this.seek(this.loop[0]);
      } else if (lead.ended) {
        this.pause();
        this.at = 0;
        this.onTime(0, false);
        return;
      }
      const [, second] = this.voices;
      if (second && !second.ended && Math.abs(second.currentTime - lead.currentTime) > 0.05)
        second.currentTime = lead.currentTime;
      this.at = this.heard;
      if (this.click) this.schedule(this.at);
      this.onTime(this.at, true);
      // A hidden window gets no frames; the sound goes on and so must the loop.
      if (document.hidden) setTimeout(step, 50);
      else requestAnimationFrame(step);
    };
    step();
  }

  schedule(now) {
    const until = now + AHEAD * this.speed;
    const from = Math.max(this.clicked ?? now, now - 0.05);
    let beat = Math.ceil(this.bars.beatAt(from) + 1e-6);
    for (let sec = this.bars.secAt(beat); sec <= until; sec = this.bars.secAt(beat)) {
      const per = this.bars.meter[0];
      this.tick(
        this.context.currentTime + Math.max(0, (sec - now) / this.speed),
        ((beat % per) + per) % per === 0,
      );
      beat += 1;
    }
    this.clicked = until;
  }

  /** One click: a short blip, higher on the first beat of the bar. */
  tick(when, strong) {
    const blip = this.context.createOscillator();
    const shape = this.context.createGain();
    blip.frequency.value = strong ? 1760 : 1175;
    shape.gain.setValueAtTime(0, when);
    shape.gain.linearRampToValueAtTime(0.5, when + 0.002);
    shape.gain.exponentialRampToValueAtTime(0.001, when + 0.06);
    blip.connect(shape).connect(this.clickGain);
    blip.start(when);
    blip.stop(when + 0.08);
  }

  leave() {
    this.pause();
    for (const audio of this.all) audio.src = "";
    this.context?.close();
  }
}
