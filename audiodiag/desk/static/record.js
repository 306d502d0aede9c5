// Records with the microphone of this device while it leads through the steering sequence.
"use strict";

const place = document.querySelector("[data-record]");
const part = (name) => place.querySelector(name);
const steps = [...place.querySelectorAll(".steps li")];
const REACTION_S = 0.6, TAIL_S = 0.4, LEAST_PHASE_S = 0.5, LONGEST_S = 180;
const BEGINS_MS = 5000; // a recorder that has not begun by then never will
const LIGHTS = {
  off: "The microphone is off",
  waiting: "Listening",
  quiet: "Too quiet: hardly anything is heard. Is the engine running, the microphone free?",
  loud: "Too loud, overdriven: move the phone away",
  engine: "Engine heard",
  no_engine: "No engine heard",
};
let stream = null, audio = null, watcher = null, recorder = null, awake = null;
let sound = null, marks = [], cues = [], begun = 0, running = false, step_timer = null, onward = null, speaks = false;

const now_s = () => (performance.now() - begun) / 1000;
const chosen = (name) => part(`[name=${name}]:checked`)?.value ?? part(`select[name=${name}]`)?.value ?? "";
function say(text) { part(".now").textContent = text; }
function trouble(text) { part(".problem").hidden = !text; part(".problem").textContent = text; }
function light(state) {
  const lamp = part(".light");
  if (lamp.dataset.state !== state) { lamp.dataset.state = state; part(".light-words").textContent = LIGHTS[state]; }
}
function show_buttons(state) {
  // "ready", "listening" or "recording".
  part(".try").hidden = state !== "ready";
  part(".go").hidden = state === "recording";
  part(".next").hidden = part(".halt").hidden = part(".drop-it").hidden = state !== "recording";
  part(".quiet-now").hidden = state !== "listening";
  for (const field of place.querySelectorAll("select, [type=radio], [type=checkbox]")) field.disabled = state === "recording";
}

async function microphone_on() {
  // Gives whether the microphone is on; level and light follow it from then on.
  trouble("");
  if (stream) return true;
  if (!navigator.mediaDevices || !window.MediaRecorder) {
    trouble("This browser does not let a page record here; it may only over TLS or on this machine. Record with the phone and send the file.");
    return false;
  }
  say("Allow the microphone, where the browser asks.");
  try {
    stream = await navigator.mediaDevices.getUserMedia({ audio: { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1 } });
  } catch (problem) {
    say("");
    trouble(problem.name === "NotFoundError" ? "This device has no microphone. Record with the phone and send the file." : "The microphone was not given. Allow it in the browser's settings for this page, or send a file instead.");
    return false;
  }
  say("");
  stream.getTracks()[0].addEventListener("ended", () => { if (running) { halt(); trouble("The microphone went away. What was recorded until then is kept."); } microphone_off(); });
  audio = new AudioContext();
  if (audio.state === "suspended") await Promise.race([audio.resume(), new Promise((go_on) => setTimeout(go_on, BEGINS_MS))]);
  const meter = audio.createAnalyser(), wave = new Float32Array(EAR.moment), hear = engine_ear();
  meter.fftSize = EAR.moment;
  audio.createMediaStreamSource(stream).connect(meter);
  light("waiting");
  let filled = performance.now() + (1000 * EAR.moment) / audio.sampleRate;
  watcher = setInterval(() => {
    meter.getFloatTimeDomainData(wave);
    let peak = 0;
    for (let i = wave.length - 8192; i < wave.length; i += 1) peak = Math.max(peak, Math.abs(wave[i]));
    part("meter").value = Math.max(0, 1 + Math.log10(Math.max(peak, 1e-3)) / 3); // 60 dB from end to end
    if (performance.now() < filled) return;
    light(hear(wave, audio.sampleRate).state);
  }, EAR.every_ms);
  return true;
}
function microphone_off() {
  clearInterval(watcher);
  if (stream) stream.getTracks().forEach((track) => track.stop());
  if (audio) audio.close();
  stream = audio = null;
  part("meter").value = 0;
  light("off");
  show_buttons("ready");
}

async function cue(step) {
  // Says or sounds what comes now; when it did is stored, since the recording hears it too.
  const words = step.dataset.said, way = chosen("cues"), from = running ? now_s() : null;
  let done = true;
  if (way === "voice" && speaks) done = await spoken(words);
  if (way === "voice" && !done) { speaks = false; cue_words(); }
  if ((way === "voice" && !speaks) || way === "tones") await sounded(audio, step.dataset.phase);
  if (from !== null && way !== "none") cues.push({ start: from, end: now_s() });
}
function cue_words() {
  part(".cue-words").textContent = speaks ? "Each step is spoken; the moments of speech are left out of the steering phases." : "This browser has no voice: short tones mark the steps in its place. One high tone: wheel straight; two tones: turn; one low tone: hold at the stop.";
}

async function start() {
  if (running || !(await microphone_on())) return;
  marks = []; cues = []; onward = null;
  const kind = ["audio/webm;codecs=opus", "audio/mp4", "audio/ogg"].find((each) => MediaRecorder.isTypeSupported(each));
  recorder = new MediaRecorder(stream, kind ? { mimeType: kind, audioBitsPerSecond: 128000 } : {});
  const made = Date.now(), type = recorder.mimeType || "audio/webm";
  const ending = type.includes("mp4") ? "m4a" : type.includes("ogg") ? "ogg" : "webm";
  sound = { id: "recorded " + made, case_path: place.dataset.record, name: `recorded-${new Date(made).toISOString().slice(0, 19).replace(/[-:T]/g, "")}.${ending}`,
    kind: type, modified: made, pieces: [], told: { purpose: chosen("purpose"), steering: "" }, seconds: 0, begun: false };
  const own = sound;
  recorder.addEventListener("dataavailable", (event) => {
    if (!event.data.size || own.dropped) return;
    own.pieces.push(event.data);
    if (running) { own.seconds = now_s(); own.told.steering = phase_text(now_s()); }
    own.saving = keep_sound(own);
  });
  recorder.addEventListener("stop", () => finish(own));
  show_buttons("recording");
  addEventListener("beforeunload", hold);
  step_shown(0);
  await cue(steps[0]);
  const given_up = setTimeout(() => {
    give_up(own);
    trouble("The recording did not begin. Start it again; where it does not begin then either, record with the phone and send the file.");
  }, BEGINS_MS);
  recorder.addEventListener("start", () => {
    clearTimeout(given_up);
    if (own.dropped) { give_up(own); return; }
    begun = performance.now(); running = true; enter(0);
  });
  recorder.start(1000);
  try { awake = await navigator.wakeLock?.request("screen"); } catch { awake = null; }
}
function give_up(own) {
  // Of a recording that never ran nothing is kept.
  own.dropped = true;
  removeEventListener("beforeunload", hold);
  if (recorder.state !== "inactive") recorder.stop();
  step_shown(-1);
  say("");
  microphone_off();
}
function hold(event) { event.preventDefault(); }

function step_shown(index) {
  steps.forEach((step, number) => {
    step.classList.toggle("over", number < index);
    if (number === index) step.setAttribute("aria-current", "step"); else step.removeAttribute("aria-current");
  });
  if (steps[index]) say(steps[index].firstElementChild.textContent);
}

function enter(index) {
  // The phase of a step begins now; it ends by the clock, or before that with "next". A stop always ends by the clock.
  const step = steps[index], from = now_s(), by_hand = chosen("pace") === "own" && step.dataset.phase !== "stop";
  const mark = { phase: step.dataset.phase, start: from + (index ? REACTION_S : 0), end: null };
  marks.push(mark);
  let over = false;
  const leave = async () => {
    if (over || !running) return;
    over = true;
    clearTimeout(step_timer);
    mark.end = now_s();
    if (index + 1 === steps.length) { halt(); return; }
    step_shown(index + 1);
    await cue(steps[index + 1]);
    if (running) enter(index + 1);
  };
  onward = leave;
  part(".count").textContent = by_hand ? "Press Next or the space key when you go on." : "";
  step_timer = setTimeout(leave, 1000 * (by_hand ? LONGEST_S - from : Number(step.dataset.seconds)));
}

function halt() {
  if (!running) return;
  clearTimeout(step_timer);
  const end = now_s(), last = marks.at(-1);
  if (last && last.end === null) last.end = end;
  running = false;
  sound.seconds = end;
  sound.told.steering = phase_text(end);
  if (recorder.state !== "inactive") recorder.stop();
  if (window.speechSynthesis) speechSynthesis.cancel();
  if (awake) awake.release();
  part(".count").textContent = "";
  microphone_off();
}

async function finish(own) {
  step_shown(own.dropped ? -1 : steps.length);
  removeEventListener("beforeunload", hold);
  if (own.dropped || !own.pieces.length) {
    await own.saving;
    await drop_sound(own.id);
    if (!own.dropped) trouble("Nothing was recorded. Try the microphone, then start again.");
    return;
  }
  own.safe = (await keep_sound(own)) !== undefined;
  sound = own;
  part(".kept").hidden = false;
  part(".kept audio").src = URL.createObjectURL(file_of(own));
  part(".kept-words").textContent = own.safe ? "It is kept on this device until the desk has it, also when the page is closed." : "This browser keeps nothing on this device: do not close the page before it is sent.";
  part(".kept-phases").textContent = own.told.steering ? "Steering phases that go with it, in seconds: " + own.told.steering : "No steering phase was finished; none goes with it.";
  if (!own.safe) addEventListener("beforeunload", hold);
  say("Done. Take the wheel off the stop. Listen, then send it.");
  part(".send-it").disabled = false;
  part(".send-it").focus();
}

function phase_text(until) {
  // The phases as done by the clock, without the moments in which a cue sounded; the container is a little shorter than the clock.
  const said = [];
  for (const { phase, start, end } of marks) {
    let from = start, to = Math.min(end ?? until, until - TAIL_S);
    for (const each of cues) {
      if (each.start < to && each.end > from) { if (each.start - from > to - each.end) to = each.start; else from = each.end; }
    }
    if (to - from >= LEAST_PHASE_S) said.push(`${phase} ${from.toFixed(2)}-${to.toFixed(2)}`);
  }
  return said.join(", ");
}

part(".try").addEventListener("click", async () => { if (await microphone_on()) { show_buttons("listening"); part(".go").focus(); } });
part(".quiet-now").addEventListener("click", microphone_off);
part(".go").addEventListener("click", () => { part(".kept").hidden = true; start(); });
part(".halt").addEventListener("click", halt);
part(".next").addEventListener("click", () => { if (onward) onward(); });
part(".drop-it").addEventListener("click", () => { sound.dropped = true; halt(); say("Thrown away. Take the wheel off the stop."); });
part(".drop-kept").addEventListener("click", async () => {
  await drop_sound(sound.id);
  removeEventListener("beforeunload", hold);
  part(".kept").hidden = true;
  say("Thrown away.");
  part(".go").focus();
});
part(".send-it").addEventListener("click", async () => {
  part(".send-it").disabled = true;
  sound.told.purpose = chosen("purpose");
  const line = document.createElement("p");
  part(".kept").append(line);
  const taken = await send_kept(sound, line);
  removeEventListener("beforeunload", hold);
  if (!taken) { part(".kept").hidden = true; return; }
  location.href = place.dataset.back + "?said=received";
});
for (const name of ["keydown", "keyup"]) addEventListener(name, (event) => {
  // The space key goes on from anywhere, except where it works something else; a held key counts once.
  if (event.key !== " " || !running || ["SELECT", "SUMMARY", "AUDIO", "A"].includes(event.target.tagName)) return;
  if (event.target.tagName === "BUTTON" && !event.target.classList.contains("next")) return;
  event.preventDefault();
  if (name === "keydown" && !event.repeat && onward) onward();
});
for (const each of place.querySelectorAll("[name=cues]")) each.addEventListener("change", () => { part(".cue-words").hidden = chosen("cues") !== "voice"; });
voices_there().then((there) => { speaks = there; cue_words(); });
show_buttons("ready");
light("off");
part(".go").disabled = part(".try").disabled = false; // until here nobody would have heard a press
