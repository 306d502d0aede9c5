// Listening by keyboard: play, step, loop a stretch, mark it, answer.
"use strict";

const player = document.getElementById("player");
const form = document.getElementById("mark-form");
const figure = document.querySelector("figure.timeline");
const said = document.getElementById("bench-said");
let looping = false;

const from = () => parseFloat(form.elements.start_s.value);
const to = () => parseFloat(form.elements.end_s.value);

function show() {
  if (!figure) return;
  const unit = 1000 / Number(figure.dataset.duration);
  const cursor = figure.querySelector(".cursor"), loop = figure.querySelector(".loop");
  cursor.setAttribute("x1", player.currentTime * unit);
  cursor.setAttribute("x2", player.currentTime * unit);
  if (to() > from()) {
    loop.setAttribute("x", from() * unit);
    loop.setAttribute("width", (to() - from()) * unit);
  }
  if (looping && to() > from() && (player.currentTime >= to() || player.currentTime < from() - 0.05)) player.currentTime = from();
  if (!player.paused) requestAnimationFrame(show);
}
for (const name of ["play", "seeked", "timeupdate"]) player.addEventListener(name, show);
player.addEventListener("error", () => { said.textContent = "The sound is not there yet: the recording waits for its turn, or could not be read."; });
form.addEventListener("input", show);

if (figure) figure.querySelector(".wave").addEventListener("click", (event) => {
  const box = event.currentTarget.getBoundingClientRect();
  player.currentTime = ((event.clientX - box.left) / box.width) * Number(figure.dataset.duration);
});

const keys = {
  " ": () => { if (player.paused) player.play(); else player.pause(); },
  ArrowLeft: () => { player.currentTime = Math.max(0, player.currentTime - 1); },
  ArrowRight: () => { player.currentTime += 1; },
  "[": () => { form.elements.start_s.value = player.currentTime.toFixed(2); said.textContent = "Start at " + player.currentTime.toFixed(2) + " s"; show(); },
  "]": () => { form.elements.end_s.value = player.currentTime.toFixed(2); said.textContent = "End at " + player.currentTime.toFixed(2) + " s"; show(); },
  l: () => { looping = !looping; said.textContent = looping ? "The stretch is looped" : "No loop"; show(); },
  m: () => form.requestSubmit(),
  a: () => document.getElementById("answer-text").focus(),
  n: () => { const next = document.querySelector("[data-next]"); if (next) next.click(); },
};
document.addEventListener("keydown", (event) => {
  const target = event.target.tagName;
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.key === "Escape") { event.target.blur(); return; }
  if (target === "TEXTAREA" || target === "SELECT" || (target === "INPUT" && event.target.type !== "radio")) return;
  if (event.key === " " && (target === "BUTTON" || target === "SUMMARY" || target === "A" || target === "INPUT")) return;
  if (target === "INPUT" && event.key.startsWith("Arrow")) return;
  if (/^[1-6]$/.test(event.key)) {
    form.elements.symptom.selectedIndex = Number(event.key) - 1;
    said.textContent = form.elements.symptom.selectedOptions[0].textContent;
    return;
  }
  const act = keys[event.key.length === 1 ? event.key.toLowerCase() : event.key];
  if (act) { event.preventDefault(); act(); }
});

const answer = document.getElementById("answer-text");
for (const button of document.querySelectorAll("[data-block]")) button.addEventListener("click", () => {
  const gap = answer.value && !answer.value.endsWith("\n") ? "\n\n" : "";
  answer.setRangeText(gap + button.dataset.block, answer.selectionEnd, answer.selectionEnd, "end");
  answer.focus();
});

// Marks are kept and taken away without leaving the place in the sound.
const marks = document.getElementById("marks");
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const number = (name) => { const text = form.elements[name].value.trim().replace(",", "."); return text && Number.isFinite(Number(text)) ? Number(text) : text; };
  const answer = await call_desk("POST", marks.dataset.marks, { symptom: form.elements.symptom.value, start_s: number("start_s"), end_s: number("end_s") });
  if (answer.status !== 201) { said.textContent = "The mark is not kept: " + refusal_words(answer); return; }
  const { mark, start_s, end_s, who } = answer.values;
  const words = form.elements.symptom.selectedOptions[0].textContent.replace(/^\d+ /, "");
  const line = document.createElement("li"), remove = document.createElement("button");
  line.dataset.mark = mark;
  remove.type = "button"; remove.className = "quiet"; remove.textContent = "take away";
  remove.setAttribute("aria-label", "Take away: " + words + " from " + start_s.toFixed(2) + " s");
  line.append(words + " " + start_s.toFixed(2) + " to " + end_s.toFixed(2) + " s, " + who + " ", remove);
  marks.append(line);
  said.textContent = "The mark is kept";
});
marks.addEventListener("click", async (event) => {
  const button = event.target.closest("button");
  if (!button) return;
  event.preventDefault();
  const line = button.closest("li");
  const answer = await call_desk("DELETE", marks.dataset.marks + "/" + line.dataset.mark);
  if (answer.status !== 204 && answer.status !== 404) { said.textContent = "The mark is still there: " + refusal_words(answer); return; }
  line.remove();
  said.textContent = "The mark is taken away";
  form.elements.symptom.focus();
});
