// Runs on the audio thread: gathers samples into blocks and hands them over.

class Keep extends AudioWorkletProcessor {
  constructor() {
    super();
    this.block = new Float32Array(4096);
    this.at = 0;
  }

  process(inputs) {
    const channel = inputs[0][0];
    if (!channel) return true;
    for (let i = 0; i < channel.length; i += 1) {
      this.block[this.at] = channel[i];
      this.at += 1;
      if (this.at === this.block.length) {
        this.port.postMessage(this.block, [this.block.buffer]);
        this.block = new Float32Array(4096);
        this.at = 0;
      }
    }
    return true;
  }
}

registerProcessor("keep", Keep);
