"use strict";
// Sends the sound of a microphone in pieces that carry their place in the stream.
const size = 2048;
registerProcessor("ear", class extends AudioWorkletProcessor {
  samples = new Float32Array(size);
  count = 0;
  start = 0;

  process(inputs) {
    const heard = inputs[0][0];
    if (!heard) return true;
    if (this.count > 0 && currentFrame !== this.start + this.count || this.count + heard.length > size) this.send();
    if (this.count === 0) this.start = currentFrame;
    this.samples.set(heard, this.count);
    this.count += heard.length;
    return true;
  }

  send() {
    const message = new ArrayBuffer(8 + 4 * this.count), view = new DataView(message);
    view.setBigUint64(0, BigInt(this.start), true);
    for (let i = 0; i < this.count; i++) view.setFloat32(8 + 4 * i, this.samples[i], true);
    this.port.postMessage(message, [message]);
    this.count = 0;
  }
});
