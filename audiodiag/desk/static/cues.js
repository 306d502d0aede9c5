// Cues of the sequence: a voice where the browser has one, else short tones; and when each sounded.
"use strict";

const VOICE_STARTS_MS = 1500, VOICE_ENDS_MS = 6000;
const TONES = { centre: [660], turning: [660, 880], stop: [440] };
const TONE_S = 0.12;

function voices_there() {
  // Whether this browser can speak; the list of voices may come late.
  return new Promise((resolve) => {
    if (!window.speechSynthesis || !window.SpeechSynthesisUtterance) { resolve(false); return; }
    const there = () => speechSynthesis.getVoices().some((voice) => voice.lang.toLowerCase().startsWith("en"));
    if (there()) { resolve(true); return; }
    speechSynthesis.addEventListener("voiceschanged", () => resolve(there()), { once: true });
    setTimeout(() => resolve(there()), VOICE_STARTS_MS);
  });
}

function spoken(text) {
  // Speaks; gives whether it did, once it has ended.
  return new Promise((resolve) => {
    const words = new SpeechSynthesisUtterance(text);
    words.lang = "en"; words.rate = 1.1;
    let begun = false;
    const end = () => resolve(begun);
    words.addEventListener("start", () => { begun = true; });
    words.addEventListener("end", end);
    words.addEventListener("error", end);
    setTimeout(() => { if (!begun) { speechSynthesis.cancel(); end(); } }, VOICE_STARTS_MS);
    setTimeout(() => { speechSynthesis.cancel(); end(); }, VOICE_ENDS_MS);
    speechSynthesis.cancel();
    speechSynthesis.speak(words);
  });
}

function sounded(audio, phase) {
  // One or two short tones; gives true once they have ended.
  return new Promise((resolve) => {
    const tones = TONES[phase] || TONES.centre;
    tones.forEach((hertz, number) => {
      const tone = audio.createOscillator(), gain = audio.createGain(), at = audio.currentTime + 0.02 + 1.5 * TONE_S * number;
      tone.frequency.value = hertz;
      gain.gain.setValueAtTime(0, at);
      gain.gain.linearRampToValueAtTime(0.5, at + 0.01);
      gain.gain.setValueAtTime(0.5, at + TONE_S - 0.02);
      gain.gain.linearRampToValueAtTime(0, at + TONE_S);
      tone.connect(gain).connect(audio.destination);
      tone.start(at); tone.stop(at + TONE_S);
    });
    setTimeout(() => resolve(true), 1000 * (0.04 + 1.5 * TONE_S * tones.length));
  });
}
