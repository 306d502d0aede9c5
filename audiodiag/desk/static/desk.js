// Sends recordings with progress and follows the queue, by the calls of calls.js.
"use strict";

async function begins_as_parcel(file) {
  const first = new Uint8Array(await file.slice(0, 4).arrayBuffer());
  return String.fromCharCode(...first) === "PK\u0003\u0004";
}

function in_use() {
  // Whether a reload would take something out of a person's hands: a field, or a sound that plays.
  const held = document.activeElement.matches("input:not([type=file]), textarea, select");
  return held || [...document.querySelectorAll("audio")].some((player) => !player.paused);
}
function show_news(list, text) {
  // Reloads at once, or offers it where somebody is at work.
  if (!in_use()) { location.reload(); return; }
  const line = document.createElement(list.matches("ul, ol") ? "li" : "p"), button = document.createElement("button");
  line.setAttribute("role", "status");
  button.type = "button"; button.textContent = "Show it";
  button.addEventListener("click", () => location.reload());
  line.append(text + " ", button);
  list.append(line);
}

for (const form of document.querySelectorAll("form[data-send]")) {
  const cut_off = cut_off_uploads(form.dataset.send);
  if (cut_off.length) all_sounds().then((kept) => {
    // What is kept on this device goes on by itself (kept.js); of the rest only the name is known.
    const whole = new Set(kept.map((sound) => kept_key(sound.case_path, file_of(sound))));
    const left = cut_off.filter((each) => !whole.has(each.key));
    if (!left.length) return;
    const line = document.createElement("li");
    line.textContent = "Not whole yet: " + left.map((each) => each.name).join(", ") + ". Choose the same file again and it goes on where it was cut off. ";
    const forget = document.createElement("button");
    forget.type = "button"; forget.className = "quiet"; forget.textContent = "Throw it away";
    forget.addEventListener("click", () => {
      for (const each of left) { call_desk("DELETE", form.dataset.send + "/uploads/" + remembered(each.key)); remember(each.key, null); }
      line.remove();
    });
    line.append(forget);
    form.querySelector(".sends").append(line);
  });
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const fields = new FormData(form);
    const told = { purpose: fields.get("purpose") || "", steering: fields.get("steering") || "" };
    const speed = (fields.get("speed_rpm") || "").trim().replace(",", ".");
    if (speed) told.speed_rpm = Number.isFinite(Number(speed)) ? Number(speed) : speed;
    const list = form.querySelector(".sends");
    const button = form.querySelector("button");
    button.disabled = true;
    for (const file of form.querySelector("input[type=file]").files) {
      const line = document.createElement("li");
      list.append(line);
      if (form.dataset.parcel !== undefined && !(await begins_as_parcel(file))) {
        line.textContent = file.name + " is not a parcel: it does not begin as one. Allowed: the file parcel.zip that this desk or audiodiag made. Ask the sender to send the file itself, unchanged.";
        line.className = "refused";
        button.disabled = false;
        return;
      }
      await send_chosen(form.dataset.send, file, told, line);
    }
    if (form.dataset.draft) forget_draft(form);
    if (form.dataset.parcel !== undefined) location.assign(form.dataset.send + "/papers?said=parcel"); else location.reload();
  });
}

for (const place of document.querySelectorAll("[data-drop]")) {
  const list = place.querySelector(".sends");
  const take = async (files) => {
    for (const file of files) {
      const line = document.createElement("li");
      list.append(line);
      const title = file.name.replace(/\.[^.]*$/, "").slice(0, 80) || "recording";
      const opened = await call_desk("POST", "/cases", { title });
      if (opened.status !== 201) { line.textContent = file.name + ": no case could be opened: " + refusal_words(opened); continue; }
      await send_file("/cases/" + opened.values.key, file, {}, line);
    }
    location.reload();
  };
  place.addEventListener("dragover", (event) => { event.preventDefault(); place.classList.add("over"); });
  place.addEventListener("dragleave", () => place.classList.remove("over"));
  place.addEventListener("drop", (event) => { event.preventDefault(); place.classList.remove("over"); take(event.dataTransfer.files); });
  place.querySelector("input").addEventListener("change", (event) => take(event.target.files));
}

for (const list of document.querySelectorAll("[data-progress]")) {
  const follow = async () => {
    const answer = await call_desk("GET", list.dataset.progress);
    if (answer.status === 200) {
      const { jobs } = answer.values;
      const left = jobs.filter((job) => job.state === "queued" || job.state === "running");
      for (const job of left) {
        const line = list.querySelector(`[data-recording="${job.recording}"]`);
        if (!line || !line.querySelector("progress")) continue;
        line.querySelector("progress").value = job.share;
        const words = job.state === "queued" ? "waits, " + job.ahead + " before it" : job.step || "is being listened to";
        if (line.querySelector(".step").textContent !== words) line.querySelector(".step").textContent = words;
      }
      if (!left.length && !under_way) { show_news(list, "The recording has been listened to."); return; }
    }
    if (answer.status === 401 || answer.status === 404) { show_news(list, "How far it is can no longer be asked: your session is over."); return; }
    setTimeout(follow, 1000);
  };
  setTimeout(follow, 500);
}

// What workers make: the page is fetched aside, and shown anew only once something has changed in it.
const waiting_words = (page) => [...page.querySelectorAll("[data-refresh]")].map((each) => each.textContent).join("\n");
const waited_for = document.querySelector("[data-refresh]");
if (waited_for) {
  const look_again = async () => {
    let news = false;
    try {
      const answer = await fetch(location.href);
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      news = answer.ok && waiting_words(page) !== waiting_words(document);
      desk_reached();
    } catch { desk_lost(); }
    if (news && !under_way) show_news(waited_for.parentElement, "There is news."); else setTimeout(look_again, 1000 * Number(waited_for.dataset.refresh));
  };
  setTimeout(look_again, 1000 * Number(waited_for.dataset.refresh));
}
for (const player of document.querySelectorAll("main audio[preload=none]")) player.addEventListener("error", () => {
  const words = document.createElement("p");
  words.className = "refused";
  words.setAttribute("role", "alert");
  words.textContent = "The sound cannot be played: it is not there yet, or the desk cannot be reached. Reload the page to try again.";
  if (!player.nextElementSibling?.matches(".refused")) player.after(words);
});
for (const box of document.querySelectorAll("textarea.address")) box.addEventListener("focus", () => box.select());
