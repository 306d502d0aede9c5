// Records with the microphone of this device while it leads through the steering sequence.
"use strict";

const place = document.querySelector("[data-record]");
const part = (name) => place.querySelector(name);
const steps = [...place.querySelectorAll(".steps li")];
const ENGINE_LEVEL = 0.004;
let recorder = null, stream = null, watcher = null, audio = null, pieces = [], marks = [], begun = 0, running = false, kept = null;

function say(text) {
  part(".now").textContent = text;
  if (part("[name=spoken]").checked && window.speechSynthesis) {
    speechSynthesis.cancel();
    speechSynthesis.speak(new SpeechSynthesisUtterance(text));
  }
}
function trouble(text) {
  part(".problem").hidden = !text;
  part(".problem").textContent = text;
}
function buttons(going) {
  part(".go").hidden = going;
  part(".halt").hidden = part(".drop-it").hidden = !going;
}

function watch_level() {
  // Level of the last moment, and whether something steady and low, as an engine, is there.
  audio = new AudioContext();
  const meter = audio.createAnalyser();
  meter.fftSize = 2048;
  audio.createMediaStreamSource(stream).connect(meter);
  const wave = new Float32Array(meter.fftSize);
  const last = [];
  watcher = setInterval(() => {
    meter.getFloatTimeDomainData(wave);
    let sum = 0, peak = 0;
    for (const value of wave) { sum += value * value; peak = Math.max(peak, Math.abs(value)); }
    const level = Math.sqrt(sum / wave.length);
    part("meter").value = Math.min(1, level * 3);
    last.push(level);
    if (last.length > 20) last.shift();
    const steady = last.length === 20 && Math.min(...last) > ENGINE_LEVEL && Math.max(...last) < 8 * Math.min(...last);
    const words = peak > 0.98 ? "Too loud: move the phone away" : steady ? "A steady sound is there, as of an engine" : level < ENGINE_LEVEL ? "Hardly anything is heard: is the engine running?" : "Something is heard, not steady yet";
    if (part(".light").textContent !== words) part(".light").textContent = words;
  }, 100);
}

async function start() {
  trouble("");
  if (!navigator.mediaDevices || !window.MediaRecorder) {
    trouble("This browser does not let a page record here. Record with the phone and send the file. Phones allow it only over TLS.");
    return;
  }
  try {
    stream = await navigator.mediaDevices.getUserMedia({ audio: { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1 } });
  } catch {
    trouble("The microphone was not given. Allow it in the browser's settings for this page, or send a file instead.");
    return;
  }
  pieces = []; marks = []; kept = null;
  part(".kept").hidden = true;
  recorder = new MediaRecorder(stream);
  recorder.addEventListener("dataavailable", (event) => { if (event.data.size) pieces.push(event.data); });
  recorder.addEventListener("stop", finish);
  watch_level();
  recorder.addEventListener("start", () => { begun = performance.now(); running = true; walk(0); });
  recorder.start(1000);
  buttons(true);
  addEventListener("beforeunload", hold);
}
function hold(event) { event.preventDefault(); }

function walk(index) {
  if (!running) return;
  const now = (performance.now() - begun) / 1000;
  steps.forEach((step, number) => {
    step.classList.toggle("over", number < index);
    if (number === index) step.setAttribute("aria-current", "step"); else step.removeAttribute("aria-current");
  });
  if (index === steps.length) { halt(); return; }
  const step = steps[index];
  marks.push({ phase: step.dataset.phase, start: now });
  say(step.firstElementChild.textContent);
  setTimeout(() => walk(index + 1), 1000 * Number(step.dataset.seconds));
}

function halt() {
  if (!running) return;
  running = false;
  marks.push({ phase: "", start: (performance.now() - begun) / 1000 });
  recorder.stop();
  clearInterval(watcher);
  stream.getTracks().forEach((track) => track.stop());
  audio.close();
  buttons(false);
  part(".light").textContent = "The microphone is off";
}

function finish() {
  if (!pieces.length) { removeEventListener("beforeunload", hold); return; }
  const kind = recorder.mimeType || "audio/webm";
  kept = new File(pieces, "recorded." + (kind.includes("mp4") ? "m4a" : kind.includes("ogg") ? "ogg" : "webm"), { type: kind });
  part(".kept").hidden = false;
  part(".kept audio").replaceWith(Object.assign(document.createElement("audio"), { controls: true, src: URL.createObjectURL(kept) }));
  say("Done. Take the wheel off the stop. Listen, then send it.");
  part(".send-it").focus();
}

function phase_text() {
  // The reaction of the driver takes a moment, and the container is a little shorter than the clock.
  const said = [];
  for (let i = 0; i + 1 < marks.length; i += 1) {
    const from = marks[i].start + (i ? 0.7 : 0), to = marks[i + 1].start - (i + 2 === marks.length ? 0.5 : 0);
    if (to - from > 0.5) said.push(`${marks[i].phase} ${from.toFixed(2)}-${to.toFixed(2)}`);
  }
  return said.join(", ");
}

part(".go").addEventListener("click", start);
part(".halt").addEventListener("click", halt);
part(".drop-it").addEventListener("click", () => { halt(); pieces = []; removeEventListener("beforeunload", hold); say("Thrown away. Take the wheel off the stop."); });
part(".send-it").addEventListener("click", async () => {
  part(".send-it").disabled = true;
  const line = document.createElement("p");
  part(".kept").append(line);
  await send_file(place.dataset.record, kept, { purpose: part("[name=purpose]").value, steering: phase_text() }, line);
  removeEventListener("beforeunload", hold);
  location.href = place.dataset.back + "?said=received";
});
