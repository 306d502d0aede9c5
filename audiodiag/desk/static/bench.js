// The listening bench by keyboard: play, loop, parts, marks, judgement, answer, link and parcel; nothing reloads the page.
"use strict";

const bench = document.getElementById("bench");
const CASE = bench.dataset.case, RECORDING = CASE + "/recordings/" + bench.dataset.recording;
const player = document.getElementById("player");
const form = document.getElementById("mark-form");
const judge_form = document.getElementById("judge-form");
const answer_form = document.getElementById("answer-form");
const answer = document.getElementById("answer-text");
const figure = document.querySelector("figure.timeline");
const said = document.getElementById("bench-said");
const LONGEST_PARTS_S = 180;
const say = (words) => { said.textContent = words; };
const wait_s = (seconds) => new Promise((resolve) => setTimeout(resolve, 1000 * seconds));

// A recording that waits for its turn is followed; the page comes anew when it was listened to.
async function follow_listening() {
  const line = bench.querySelector("[data-step]"), bar = line.parentElement.querySelector("progress");
  for (;;) {
    const { status, values } = await call_desk("GET", RECORDING);
    if (!status) line.textContent = "The desk cannot be reached; this page goes on when it can.";
    if (status === 200 && values.job) {
      const { state, step, share, ahead } = values.job;
      if (state === "done" || state === "failed") { location.reload(); return; }
      line.textContent = state === "queued" ? "Waits for its turn, " + ahead + " before it." : step || "Is being listened to.";
      bar.value = share;
    }
    await wait_s(1);
  }
}
if ("waits" in bench.dataset) follow_listening();

// The sound: cursor, stretch, loop.
let looping = false;
const number_of = (text) => { const trimmed = text.trim().replace(",", "."); return trimmed && Number.isFinite(Number(trimmed)) ? Number(trimmed) : NaN; };
const from = () => number_of(form.elements.start_s.value), to = () => number_of(form.elements.end_s.value);
const has_stretch = () => to() > from();

function draw() {
  if (!figure) return;
  const unit = 1000 / Number(figure.dataset.duration);
  const cursor = figure.querySelector(".cursor"), loop = figure.querySelector(".loop");
  cursor.setAttribute("x1", player.currentTime * unit);
  cursor.setAttribute("x2", player.currentTime * unit);
  loop.setAttribute("x", has_stretch() ? from() * unit : 0);
  loop.setAttribute("width", has_stretch() ? (to() - from()) * unit : 0);
}
function show() {
  draw();
  mixer.keep_in_time();
  if (looping && has_stretch() && !player.seeking && (player.currentTime >= to() || player.currentTime < from() - 0.05)) player.currentTime = from();
  if (!player.paused) requestAnimationFrame(show);
}
const mixer = player ? made_mixer(player) : null;
if (player) {
  for (const name of ["play", "seeked", "timeupdate"]) player.addEventListener(name, show);
  player.addEventListener("ended", () => { if (looping && has_stretch()) { player.currentTime = from(); player.play(); } });
  player.addEventListener("error", () => say("The sound cannot be played: the desk cannot be reached, or has no sound of this recording."));
  form.addEventListener("input", draw);
  if (figure) figure.querySelector(".wave").addEventListener("click", (event) => {
    const box = event.currentTarget.getBoundingClientRect();
    player.currentTime = ((event.clientX - box.left) / box.width) * Number(figure.dataset.duration);
  });
}
function set_end(name, words) {
  form.elements[name].value = player.currentTime.toFixed(2);
  say(words + " at " + player.currentTime.toFixed(2) + " s");
  draw();
}
function loop() {
  if (!has_stretch()) { say("Set the start and the end of a stretch first"); return; }
  looping = !looping;
  say(looping ? "The stretch is looped" : "No loop");
  if (looping) { player.currentTime = from(); player.play(); }
}
function step(seconds) { player.currentTime = Math.min(player.duration || 0, Math.max(0, player.currentTime + seconds)); }

// Jobs of workers are followed until they are done; gives the task, or null where it could not be made.
async function followed(task, tell) {
  for (;;) {
    const found = await call_desk("GET", CASE + "/tasks/" + task);
    if (found.status === 200 && found.values.state === "done") return found.values;
    if (found.status === 200 && found.values.state === "failed") { tell((found.values.refusal || {}).what || "It could not be made", 0); return null; }
    if (found.status && found.status !== 200) { tell(refusal_words(found), 0); return null; }
    const jobs = await call_desk("GET", CASE + "/jobs");
    const job = jobs.status === 200 ? jobs.values.jobs.find((each) => each.task === task) : null;
    if (!found.status) tell("The desk cannot be reached; this goes on when it can", null);
    else if (job) tell(job.state === "queued" ? "Wait for a worker, " + job.ahead + " before it" : job.step || "A worker makes it", job.share);
    await wait_s(0.5);
  }
}

// The parts of the sound.
const parts_place = document.querySelector(".sound-parts");
const parts_said = document.getElementById("parts-said"), parts_bar = document.getElementById("parts-progress");
let parts_under_way = false;
function tell_parts(words, share) {
  if (parts_said.textContent !== words) parts_said.textContent = words;
  parts_bar.hidden = share === 0;
  if (share === null) parts_bar.removeAttribute("value"); else parts_bar.value = share;
}
function show_parts() {
  for (const button of parts_place.querySelectorAll("[data-part]")) {
    button.setAttribute("aria-pressed", String(!mixer.off.has(button.dataset.part)));
    button.disabled = mixer.loaded && !mixer.names.includes(button.dataset.part);
  }
}
async function need_parts() {
  // Asks a worker for the parts where they are not there, then loads them; a failure can be tried again.
  if (parts_under_way || mixer.loaded) return;
  if (player.duration > LONGEST_PARTS_S) { tell_parts("Longer than " + LONGEST_PARTS_S + " s: too long to be heard in parts. Cut a stretch out and send it.", 0); return; }
  parts_under_way = true;
  const asked = await call_desk("POST", RECORDING + "/parts");
  if (asked.status !== 202) tell_parts("No parts: " + refusal_words(asked) + ". Touch a part to try again.", 0);
  const task = asked.status === 202 ? await followed(asked.values.task, (words, share) => tell_parts("Parts: " + words, share)) : null;
  try {
    if (task && !task.files.length) tell_parts("This recording has no parts: nothing was judged in it", 0);
    else if (task) {
      const files = task.files.map((file) => ({ name: file.name.replace(/\..*$/, ""), address: CASE + "/files/" + file.file }));
      await mixer.load(files, (number, all) => tell_parts("Parts: loading " + (number + 1) + " of " + all, number / all));
      const silent = task.result.silent || [];
      tell_parts("Parts are ready: " + mixer.names.join(", ") + (silent.length ? ". Silent: " + silent.join(", ") : ""), 0);
    }
  } catch {
    tell_parts("The parts could not be loaded. Touch a part to try again.", 0);
  }
  parts_under_way = false;
  show_parts();
}
function toggle_part(name, alone) {
  const button = parts_place.querySelector(`[data-part="${name}"]`);
  if (button.disabled) { say("There is nothing in this part"); return; }
  const names = [...parts_place.querySelectorAll("[data-part]")].map((each) => each.dataset.part);
  if (alone) for (const each of names) mixer.put(each, each === name);
  else mixer.put(name, mixer.off.has(name));
  const off = names.filter((each) => mixer.off.has(each));
  say(!off.length ? "All parts on" : alone ? "Only " + name : "Off: " + off.join(", "));
  show_parts();
  need_parts();
}
function all_parts() {
  for (const name of [...mixer.off]) mixer.put(name, true);
  say("All parts on");
  show_parts();
}
if (parts_place) {
  parts_place.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (button && "whole" in button.dataset) all_parts();
    else if (button) toggle_part(button.dataset.part, event.shiftKey);
  });
  const ahead = document.getElementById("parts-ahead");
  ahead.checked = remembered("parts ahead") === "yes";
  ahead.addEventListener("change", () => { remember("parts ahead", ahead.checked ? "yes" : null); if (ahead.checked) need_parts(); });
  if (ahead.checked) need_parts();
}

// Marks are kept and taken away without leaving the place in the sound.
const marks = document.getElementById("marks");
function draw_marks() {
  if (!figure) return;
  const wave = figure.querySelector(".wave"), unit = 1000 / Number(figure.dataset.duration);
  for (const old of wave.querySelectorAll(".marked-here")) old.remove();
  for (const line of marks.children) {
    const box = document.createElementNS("http://www.w3.org/2000/svg", "rect");
    box.setAttribute("class", "marked marked-here");
    box.setAttribute("x", Number(line.dataset.start) * unit);
    box.setAttribute("width", Math.max(2, (Number(line.dataset.end) - Number(line.dataset.start)) * unit));
    box.setAttribute("y", 72); box.setAttribute("height", 8);
    wave.append(box);
  }
}
draw_marks();
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const told = { symptom: form.elements.symptom.value, start_s: from(), end_s: to() };
  if (!has_stretch()) { say("The mark is not kept: set a start and an end after it"); return; }
  const kept = await call_desk("POST", marks.dataset.marks, told);
  if (kept.status !== 201) { say("The mark is not kept: " + refusal_words(kept)); return; }
  const { mark, start_s, end_s, who } = kept.values;
  const words = form.elements.symptom.querySelector(`[value="${told.symptom}"]`).textContent.replace(/^\d+ /, "");
  const line = document.createElement("li"), remove = document.createElement("button");
  line.dataset.mark = mark; line.dataset.start = start_s; line.dataset.end = end_s;
  remove.type = "button"; remove.className = "quiet"; remove.textContent = "take away";
  remove.setAttribute("aria-label", "Take away: " + words + " from " + start_s.toFixed(2) + " s");
  line.append(words + " " + start_s.toFixed(2) + " to " + end_s.toFixed(2) + " s, " + who + " ", remove);
  marks.append(line);
  draw_marks();
  say("The mark is kept: " + words);
});
async function take_away(line) {
  const gone = await call_desk("DELETE", marks.dataset.marks + "/" + line.dataset.mark);
  if (gone.status !== 204 && gone.status !== 404) { say("The mark is still there: " + refusal_words(gone)); return; }
  line.remove();
  draw_marks();
  say("The mark is taken away");
}
marks.addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (!button) return;
  event.preventDefault();
  take_away(button.closest("li"));
  form.elements.symptom.focus();
});

// The judgement: kept at every change; the whole and the single sounds never contradict each other.
const NAMES = [...form.elements.symptom.options].map((option) => option.value);
const sound_words = (name) => form.elements.symptom.querySelector(`[value="${name}"]`).textContent.replace(/^\d+ /, "");
const word_of = (name) => judge_form.elements["judged." + name].value;
const put_on = (radios, word) => { for (const radio of radios) if (radio.value === word) radio.checked = true; };
const set_word = (name, word) => put_on(judge_form.elements["judged." + name], word);
const set_whole = (word) => put_on(judge_form.elements.verdict, word);
let keeping = Promise.resolve(true), not_kept = false, answer_waits = null;
function keep_judgement(words) {
  // One after the other, so that the newest is kept last; gives whether it is kept.
  not_kept = true;
  keeping = keeping.then(async () => {
    const told = { verdict: judge_form.elements.verdict.value };
    for (const name of NAMES) told[name] = word_of(name);
    under_way += 1;
    const kept = await call_desk("PUT", RECORDING + "/judgement", told);
    under_way -= 1;
    not_kept = kept.status !== 200;
    say(not_kept ? "The judgement is not kept: " + refusal_words(kept) + ". It is kept as soon as the desk can be reached." : "Kept: " + words);
    const button = answer_waits;
    if (button && kept.status) { answer_waits = null; not_kept = false; answer_form.requestSubmit(button); }
    return !not_kept;
  });
  return keeping;
}
// The answer leads to another page, which would cut off a judgement under way: it goes after it.
answer_form.addEventListener("submit", (event) => {
  if (!not_kept) return;
  event.preventDefault();
  event.stopImmediatePropagation();
  answer_waits = event.submitter;
  say("The answer goes as soon as your judgement is kept; your text stays here");
}, true);
addEventListener("desk:back", () => { if (not_kept) keep_judgement("what you judged without a line"); });
judge_form.querySelector("[data-without-script]").hidden = true;
judge_form.addEventListener("submit", (event) => { event.preventDefault(); keep_judgement("the judgement"); });
judge_form.addEventListener("change", (event) => {
  const { name, value } = event.target;
  if (name === "verdict") judge_whole(value); else judge(name.replace("judged.", ""), value);
});
function judge(name, word) {
  set_word(name, word);
  choose(name, "");
  const whole = judge_form.elements.verdict;
  const words = NAMES.map(word_of);
  if (word === "heard" && whole.value && whole.value !== "symptoms") set_whole("symptoms");
  if (word === "absent" && (whole.value === "cannot_tell" || whole.value === "not_an_engine_bay")) set_whole("");
  if (whole.value === "symptoms" && words.every((each) => each === "absent")) set_whole("normal");
  keep_judgement(sound_words(name) + " " + { heard: "heard", absent: "not there", "": "not sure" }[word]);
}
function judge_whole(word) {
  set_whole(word);
  if (word === "normal") for (const name of NAMES) set_word(name, "absent");
  if (word === "cannot_tell" || word === "not_an_engine_bay") for (const name of NAMES) set_word(name, "");
  if (word === "symptoms" && NAMES.every((name) => word_of(name) === "absent")) for (const name of NAMES) set_word(name, "");
  keep_judgement({ "": "as the program says", symptoms: "a fault is heard", normal: "nothing wrong, all six sounds not there", cannot_tell: "cannot tell", not_an_engine_bay: "no engine bay" }[word]);
}
let chosen = form.elements.symptom.value;
function choose(name, words = sound_words(name)) {
  chosen = name;
  form.elements.symptom.value = name;
  for (const each of judge_form.querySelectorAll("[data-symptom]")) each.classList.toggle("chosen", each.dataset.symptom === name);
  if (words) say(words);
}
form.elements.symptom.addEventListener("change", () => choose(form.elements.symptom.value));
choose(chosen, "");

// The answer, with text blocks.
function put_block(button) {
  const gap = answer.value && !answer.value.endsWith("\n") ? "\n\n" : "";
  answer.setRangeText(gap + button.dataset.block, answer.selectionEnd, answer.selectionEnd, "end");
  answer.dispatchEvent(new Event("input", { bubbles: true }));
  say("Put in: " + button.firstChild.textContent.replace("+ ", "").trim());
}
for (const button of document.querySelectorAll("[data-block]")) button.addEventListener("click", () => { put_block(button); answer.focus(); });
async function send(onwards) {
  // What was judged first, then the answer; drafts.js sends it, keeps it while the line is cut, and goes on.
  if (!answer.value.trim()) { say("Write an answer first"); answer.focus(); return; }
  say("The answer is being sent");
  await (not_kept ? keep_judgement("the judgement") : keeping);
  answer_form.requestSubmit(answer_form.querySelector(onwards ? "[value=next]" : "button:not([value])"));
}
async function leave(address) {
  if (not_kept && !(await keep_judgement("the judgement"))) return;
  await keeping;
  location.assign(address);
}

// Send back: a link to this case, or a parcel of this recording.
const back_said = document.getElementById("back-said"), back_made = document.getElementById("back-made");
async function make_link() {
  const made = await call_desk("POST", CASE + "/links", { days: 14 });
  if (made.status !== 201) { say("No link: " + refusal_words(made)); return; }
  const label = document.createElement("label"), box = document.createElement("textarea");
  box.readOnly = true; box.rows = 3; box.className = "address"; box.value = made.values.address;
  label.append("Link, valid until " + new Date(1000 * made.values.expires_at).toLocaleDateString(), box);
  back_made.prepend(label);
  let copied = false;
  try { await navigator.clipboard.writeText(box.value); copied = true; } catch { /* a browser that lets nobody copy */ }
  back_said.textContent = copied ? "The link is made and copied: put it into your message." : "The link is made: copy it now, it is shown only here.";
  say(back_said.textContent);
}
let packing = false;
async function make_parcel() {
  if (packing) { say("The parcel is being made already"); return; }
  packing = true;
  const bar = document.getElementById("parcel-progress");
  const tell = (words, share) => {
    back_said.textContent = "Parcel: " + words;
    bar.hidden = false;
    if (share === null) bar.removeAttribute("value"); else bar.value = share;
  };
  const told = { recordings: [Number(bench.dataset.recording)], language: document.getElementById("parcel-language").value, without_speech: document.getElementById("parcel-quiet").checked };
  const asked = await call_desk("POST", CASE + "/parcels", answer.value.trim() ? { ...told, note: answer.value.slice(0, 5000) } : told);
  if (asked.status !== 202) tell(refusal_words(asked), 0);
  else {
    say("The parcel is asked for");
    const task = await followed(asked.values.task, tell);
    for (const file of task ? task.files : []) {
      const line = document.createElement("p"), link = document.createElement("a");
      link.href = CASE + "/files/" + file.file; link.className = "button"; link.download = file.name;
      link.textContent = "Save " + file.name + " (" + (file.size_bytes / 1e6).toFixed(1) + " MB)";
      line.append(link); back_made.prepend(line);
      back_said.textContent = told.without_speech ? "The parcel is made. Listen to it before you send it: words may be left." : "The parcel is made.";
      say(back_said.textContent);
    }
  }
  bar.hidden = true;
  packing = false;
}
document.querySelector("[data-link]").addEventListener("click", make_link);
document.querySelector("[data-parcel]").addEventListener("click", make_parcel);

// Keys. None is taken while somebody types, with another key held down, or where keys are put off.
const keys_on = document.getElementById("keys-on");
keys_on.checked = remembered("keys") !== "off";
keys_on.addEventListener("change", () => remember("keys", keys_on.checked ? null : "off"));
if (matchMedia("(pointer: coarse)").matches) document.getElementById("keys").open = false;
const PARTS = { e: "engine", p: "pump", g: "groan", s: "squeal", c: "chirp", r: "rest" };
const WHOLE = { 7: "symptoms", 8: "not_an_engine_bay", 9: "cannot_tell", 0: "normal" };
const sound_keys = {
  " ": () => { if (player.paused) player.play(); else player.pause(); },
  ArrowLeft: (event) => step(event.shiftKey ? -0.1 : -1),
  ArrowRight: (event) => step(event.shiftKey ? 0.1 : 1),
  "[": () => set_end("start_s", "Start"), ",": () => set_end("start_s", "Start"),
  "]": () => set_end("end_s", "End"), ".": () => set_end("end_s", "End"),
  l: loop,
  o: all_parts,
};
const keys = {
  m: () => form.requestSubmit(),
  z: () => { if (marks.lastElementChild) take_away(marks.lastElementChild); else say("No mark to take back"); },
  h: () => judge(chosen, "heard"), x: () => judge(chosen, "absent"), u: () => judge(chosen, ""),
  a: () => answer.focus(),
  d: () => send(true),
  k: make_link,
  w: make_parcel,
  n: () => leave(CASE + "/next"),
  i: () => leave("/inbox"),
  "?": () => { const help = document.getElementById("keys"); help.open = !help.open; },
};
function key_of(event) {
  // What a key asks for; digits by their place on the keyboard, for with Shift they give other signs.
  const digit = /^(?:Digit|Numpad)(\d)$/.exec(event.code);
  if (digit && event.shiftKey) return () => { const block = document.querySelectorAll("[data-block]")[Number(digit[1]) - 1]; if (block) put_block(block); else say("There is no such text block"); };
  if (digit && NAMES[Number(digit[1]) - 1]) return () => choose(NAMES[Number(digit[1]) - 1]);
  if (digit) return () => judge_whole(judge_form.elements.verdict.value === WHOLE[digit[1]] ? "" : WHOLE[digit[1]]);
  const name = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  if (player && parts_place && PARTS[name]) return () => toggle_part(PARTS[name], event.shiftKey);
  return (player && sound_keys[name]) || keys[name];
}
document.addEventListener("keydown", (event) => {
  const target = event.target, kind = target.tagName;
  const types = kind === "TEXTAREA" || kind === "SELECT" || (kind === "INPUT" && !["radio", "checkbox"].includes(target.type));
  if (event.key === "Escape") { target.blur(); return; }
  const alt_gr = event.getModifierState("AltGraph") && "[]".includes(event.key);
  if (types || !keys_on.checked || event.repeat && event.key.length === 1 || ((event.ctrlKey || event.metaKey || event.altKey) && !alt_gr)) return;
  if (event.key === " " && ["BUTTON", "SUMMARY", "A", "INPUT", "AUDIO"].includes(kind)) return;
  if ((kind === "INPUT" || kind === "AUDIO") && event.key.startsWith("Arrow")) return;
  const act = key_of(event);
  if (act) { event.preventDefault(); act(event); }
});
