// What is typed stays: kept on this device until the desk has taken it, sent again where the line was cut.
"use strict";

const DRAFT = "draft ";
const draft_key = (form) => DRAFT + form.dataset.draft;
const typed_fields = (form) => [...form.elements].filter((field) => field.name && !["file", "hidden", "submit", "button", "password"].includes(field.type));
const fresh_mark = () => [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, "0")).join("");

function typed_in(form) {
  return typed_fields(form).map((field) => ["checkbox", "radio"].includes(field.type) ? [field.name, field.value, field.checked] : [field.name, null, field.value]);
}
function keep_draft(form) {
  // A mark goes with what was typed, so that the desk takes the same words only once.
  const mark = fresh_mark();
  remember(draft_key(form), JSON.stringify({ mark, typed: typed_in(form) }));
  const kept = remembered(draft_key(form));
  form.dataset.mark = mark;
  draft_words(form, kept ? "Kept on this device until it is sent." : "This browser keeps nothing: send it before you close the page.");
}
function forget_draft(form) { remember(draft_key(form), null); delete form.dataset.mark; draft_words(form, ""); }

function draft_words(form, text, grave) {
  let line = form.querySelector(".draft-words");
  if (!line) {
    line = document.createElement("p");
    line.className = "draft-words meta";
    line.setAttribute("role", "status");
    form.append(line);
  }
  if (line.firstChild?.textContent !== text) line.replaceChildren(text);
  line.classList.toggle("refused", Boolean(grave));
  return line;
}

function typed_already(field) {
  // Whether a field is no longer as the desk sent it: somebody was faster than this script.
  if (["checkbox", "radio"].includes(field.type)) return field.checked !== field.defaultChecked;
  if (!field.options) return field.value !== field.defaultValue;
  const sent = [...field.options].findIndex((option) => option.defaultSelected);
  return field.selectedIndex !== Math.max(sent, 0);
}

function bring_back(form) {
  let draft;
  try { draft = JSON.parse(remembered(draft_key(form)) || "null"); } catch { draft = null; }
  const fields = typed_fields(form);
  const drafted = (field, name, value) => field.name === name && (value === null || field.value === value);
  const said = (field) => ["checkbox", "radio"].includes(field.type) ? field.checked : field.value;
  const known = (field) => draft && draft.typed.some(([name, value, content]) => drafted(field, name, value) && content === said(field));
  const newer = new Set(fields.filter((field) => typed_already(field) && !known(field)).map((field) => field.name));
  for (const [name, value, content] of draft ? draft.typed : []) {
    for (const field of fields) if (!newer.has(name) && drafted(field, name, value)) {
      if (value === null) field.value = content; else field.checked = content;
    }
  }
  if (newer.size) { keep_draft(form); return; }
  if (!draft) return;
  form.dataset.mark = draft.mark;
  const line = draft_words(form, "What you typed before is still here, kept on this device. ");
  const drop = document.createElement("button");
  drop.type = "button"; drop.className = "quiet"; drop.textContent = "Throw it away";
  drop.addEventListener("click", () => { forget_draft(form); form.reset(); });
  line.append(drop);
  const folded = form.querySelector("details");
  if (folded && [...folded.querySelectorAll("input")].some((field) => field.value)) folded.open = true;
}

async function post_form(form, submitter) {
  // Sends a form and goes where the desk says; keeps all that was typed where it is not taken.
  const said = new FormData(form, submitter && submitter.name ? submitter : undefined);
  form.dataset.mark = form.dataset.mark || fresh_mark();
  said.set("once", form.dataset.mark);
  const buttons = [...form.querySelectorAll("button")];
  for (const button of buttons) button.disabled = true;
  draft_words(form, "Is being sent.");
  delete form.dataset.waits;
  let answer = null;
  try { answer = await fetch(form.getAttribute("action") || location.pathname, { method: "POST", body: new URLSearchParams(said) }); } catch { /* said below */ }
  for (const button of buttons) button.disabled = false;
  if (answer) desk_reached();
  if (answer && answer.redirected && new URL(answer.url).pathname === "/enter") {
    draft_words(form, "Your session is over. Enter again; what you typed stays here.", true);
    return;
  }
  if (answer && answer.ok && answer.redirected) {
    forget_draft(form);
    location.assign(answer.url);
    return;
  }
  if (!answer) {
    desk_lost();
    draft_words(form, "Not sent: the desk cannot be reached. What you typed is kept on this device and is sent by itself once the desk is there again.", true);
    if (!form.dataset.waits) addEventListener("desk:back", () => { if (form.dataset.waits) post_form(form, submitter); }, { once: true });
    form.dataset.waits = "yes";
    return;
  }
  const told = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("main");
  const words = told ? [...told.querySelectorAll(".refused, dd, h1 + p")].map((each) => each.textContent.trim()) : [];
  draft_words(form, "Not taken: " + (words.length ? [...new Set(words)].join(" ") : "the desk gave no reason.") + " What you typed is still here.", true);
}

for (const form of document.querySelectorAll("form[data-draft]")) {
  bring_back(form);
  form.addEventListener("input", (event) => { if (event.target.type !== "file") keep_draft(form); });
  if (form.dataset.send === undefined) form.addEventListener("submit", (event) => { event.preventDefault(); post_form(form, event.submitter); });
}

for (const form of document.querySelectorAll("form.leave")) form.addEventListener("submit", (event) => {
  // Whoever leaves leaves nothing typed behind; recordings that were not sent are asked for first.
  if (form.dataset.asked) return;
  event.preventDefault();
  all_sounds().then(async (waiting) => {
    if (waiting.length && !confirm("Not sent yet and kept on this device: " + waiting.map((each) => each.name).join(", ") + ". Leave and throw away?")) return;
    for (const sound of waiting) await drop_sound(sound.id);
    try { for (const key of Object.keys(localStorage)) if (key.startsWith(DRAFT)) localStorage.removeItem(key); } catch { /* nothing is kept */ }
    form.dataset.asked = "yes";
    form.submit();
  });
});
