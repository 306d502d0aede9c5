// Sends recordings with progress, follows the queue, and guards against closing the page while sending.
"use strict";

let under_way = 0;
addEventListener("beforeunload", (event) => { if (under_way) event.preventDefault(); });

function send_file(address, file, told, line) {
  // One recording; the line says how far it is, and that it is kept only once the desk has said so.
  return new Promise((resolve) => {
    const query = new URLSearchParams({ name: file.name || "recording.webm", ...told });
    const request = new XMLHttpRequest();
    const bar = document.createElement("progress");
    const words = document.createElement("span");
    bar.max = 1; bar.value = 0;
    bar.setAttribute("aria-label", "Sending " + (file.name || "the recording"));
    line.replaceChildren(words, bar);
    const say = (text) => { words.textContent = (file.name || "recording") + ": " + text; };
    const failed = (text) => {
      under_way -= 1;
      say(text);
      bar.remove();
      const again = document.createElement("button");
      again.type = "button"; again.className = "quiet"; again.textContent = "Send again";
      again.addEventListener("click", () => send_file(address, file, told, line).then(resolve));
      line.append(" ", again);
    };
    under_way += 1;
    say("is being sent");
    request.open("PUT", address + "?" + query);
    request.setRequestHeader("Content-Type", "application/octet-stream");
    request.upload.addEventListener("progress", (event) => { if (event.lengthComputable) bar.value = event.loaded / event.total; });
    request.addEventListener("load", () => {
      let answer = {};
      try { answer = JSON.parse(request.responseText); } catch { /* an answer without words */ }
      if (request.status === 201) { under_way -= 1; say("is kept"); bar.remove(); resolve(true); }
      else failed((answer.error || "was not taken") + ". " + (answer.todo || "Try again") );
    });
    request.addEventListener("error", () => failed("the desk cannot be reached. Nothing is kept of it yet."));
    request.addEventListener("timeout", () => failed("it took too long. Nothing is kept of it yet."));
    request.send(file);
  });
}

for (const form of document.querySelectorAll("form[data-send]")) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const fields = new FormData(form);
    const told = { purpose: fields.get("purpose") || "", steering: fields.get("steering") || "", speed_rpm: fields.get("speed_rpm") || "" };
    const list = form.querySelector(".sends");
    const button = form.querySelector("button");
    button.disabled = true;
    for (const file of form.querySelector("input[type=file]").files) {
      const line = document.createElement("li");
      list.append(line);
      await send_file(form.dataset.send, file, told, line);
    }
    location.reload();
  });
}

for (const place of document.querySelectorAll("[data-drop]")) {
  const list = place.querySelector(".sends");
  const take = async (files) => {
    for (const file of files) {
      const line = document.createElement("li");
      list.append(line);
      const title = file.name.replace(/\.[^.]*$/, "").slice(0, 80) || "recording";
      const opened = await fetch("/api/cases", { method: "POST", body: new URLSearchParams({ title }) }).catch(() => null);
      if (!opened || opened.status !== 201) { line.textContent = file.name + ": no case could be opened. Wait a while, then drop it again."; continue; }
      const { key } = await opened.json();
      await send_file("/api/cases/" + key + "/recordings", file, {}, line);
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
    const answer = await fetch(list.dataset.progress).catch(() => null);
    if (answer && answer.ok) {
      const { jobs } = await answer.json();
      const left = jobs.filter((job) => job.state === "queued" || job.state === "running");
      for (const job of left) {
        const line = list.querySelector(`[data-recording="${job.recording}"]`);
        if (!line || !line.querySelector("progress")) continue;
        line.querySelector("progress").value = job.share;
        const words = job.state === "queued" ? "waits, " + job.ahead + " before it" : job.step || "is being listened to";
        if (line.querySelector(".step").textContent !== words) line.querySelector(".step").textContent = words;
      }
      if (!left.length && !under_way) { location.reload(); return; }
    }
    setTimeout(follow, 1000);
  };
  setTimeout(follow, 500);
}

for (const place of document.querySelectorAll("[data-refresh]")) {
  setTimeout(() => {
    const busy = under_way || ["INPUT", "TEXTAREA", "SELECT"].includes(document.activeElement.tagName);
    if (!busy) location.reload();
  }, 1000 * Number(place.dataset.refresh));
}
for (const box of document.querySelectorAll("textarea.address")) box.addEventListener("focus", () => box.select());
