// Plays the parts of a recording in time together; each can be put off and on. The player of the page is the clock.
"use strict";

function made_mixer(player) {
  const FADE_S = 0.015, APART_S = 0.06, LEAST_BETWEEN_S = 0.5;
  const off = new Set(), buffers = new Map(), gains = new Map();
  let context = null, output = null, sources = [], begun = null;

  const mixes = () => buffers.size > 0 && [...off].some((name) => buffers.has(name));
  function stop() {
    for (const source of sources) source.stop();
    sources = []; begun = null;
  }
  function start() {
    // From where the player stands; silent where the whole recording is heard from the player itself.
    stop();
    player.muted = mixes();
    if (!mixes() || player.paused || player.seeking) return;
    context.resume();
    const at_s = player.currentTime, now_s = context.currentTime;
    for (const [name, buffer] of buffers) {
      if (at_s >= buffer.duration) continue;
      const source = context.createBufferSource();
      source.buffer = buffer;
      source.playbackRate.value = player.playbackRate;
      source.connect(gains.get(name));
      source.start(now_s, at_s);
      sources.push(source);
    }
    begun = { at_s, now_s };
  }
  function weigh() {
    for (const [name, gain] of gains) gain.gain.setTargetAtTime(off.has(name) ? 0 : 1, context.currentTime, FADE_S);
  }
  for (const name of ["play", "pause", "seeked", "ratechange", "ended"]) player.addEventListener(name, start);
  player.addEventListener("seeking", stop);

  return {
    off,
    get loaded() { return buffers.size > 0; },
    get names() { return [...buffers.keys()]; },
    get output() { return output; },
    async load(files, tell) {
      // Fetches and decodes the files (name and address of each); throws where one cannot be had.
      context = context || new AudioContext();
      output = output || context.createGain();
      output.connect(context.destination);
      for (const [number, file] of files.entries()) {
        tell(number, files.length);
        const answer = await fetch(file.address);
        if (!answer.ok) throw new Error("a part is not there");
        const buffer = await context.decodeAudioData(await answer.arrayBuffer());
        const gain = context.createGain();
        gain.connect(output);
        gains.set(file.name, gain); buffers.set(file.name, buffer);
      }
      weigh(); start();
    },
    put(name, on) {
      // One part off or on.
      const before = mixes();
      if (on) off.delete(name); else off.add(name);
      if (!context) return;
      weigh();
      if (mixes() !== before) start();
    },
    apart_s() {
      // How far the player is before the parts.
      return begun ? player.currentTime - (begun.at_s + (context.currentTime - begun.now_s) * player.playbackRate) : 0;
    },
    keep_in_time() {
      // Sets the parts anew where they have drifted from the player.
      if (begun && context.currentTime - begun.now_s > LEAST_BETWEEN_S && Math.abs(this.apart_s()) > APART_S) start();
    },
  };
}
