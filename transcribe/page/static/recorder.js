// Recording from the microphone as it is: no echo or noise treatment, no lossy coding.

export class Recorder {
  static async start(tell) {
    const stream = await navigator.mediaDevices.getUserMedia({
      audio: {
        echoCancellation: false,
        noiseSuppression: false,
        autoGainControl: false,
        channelCount: 1,
      },
    });
    const context = new AudioContext();
    try {
      await context.audioWorklet.addModule("/static/recorder-worklet.js");
    } catch (error) {
      for (const track of stream.getTracks()) track.stop();
      throw error;
    }
    return new Recorder(stream, context, tell);
  }

  constructor(stream, context, tell) {
    this.stream = stream;
    this.context = context;
    this.begun = false;
    this.blocks = [];
    this.count = 0;
    this.source = context.createMediaStreamSource(stream);
    this.node = new AudioWorkletNode(context, "keep", { numberOfOutputs: 1 });
    this.node.port.onmessage = ({ data }) => {
      if (!this.begun) return;
      let peak = 0;
      const block = new Int16Array(data.length);
      for (let i = 0; i < data.length; i += 1) {
        const value = Math.max(-1, Math.min(1, data[i]));
        peak = Math.max(peak, Math.abs(value));
        block[i] = Math.round(value * 32767);
      }
      this.blocks.push(block);
      this.count += block.length;
      tell(peak, this.count / context.sampleRate, peak >= 0.999);
    };
    this.source.connect(this.node);
    // The node must lead somewhere to be run; it puts out silence.
    this.node.connect(context.destination);
  }

  /** Keep what is heard from now on; until then the microphone is open and nothing is kept. */
  begin() {
    this.begun = true;
    return this;
  }

  async stop() {
    this.source.disconnect();
    this.node.disconnect();
    for (const track of this.stream.getTracks()) track.stop();
    const rate = this.context.sampleRate;
    await this.context.close();
    return wav(this.blocks, this.count, rate);
  }
}

/** Mono 16-bit WAV (RIFF, format 1). */
function wav(blocks, count, rate) {
  const head = new DataView(new ArrayBuffer(44));
  const text = (at, word) => {
    for (let i = 0; i < word.length; i += 1) head.setUint8(at + i, word.charCodeAt(i));
  };
  text(0, "RIFF");
  head.setUint32(4, 36 + 2 * count, true);
  text(8, "WAVEfmt ");
  head.setUint32(16, 16, true);
  head.setUint16(20, 1, true);
  head.setUint16(22, 1, true);
  head.setUint32(24, rate, true);
  head.setUint32(28, 2 * rate, true);
  head.setUint16(32, 2, true);
  head.setUint16(34, 16, true);
  text(36, "data");
  head.setUint32(40, 2 * count, true);
  return new Blob([head.buffer, ...blocks], { type: "audio/wav" });
}
