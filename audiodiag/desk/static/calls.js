// Speaks with the desk's calls: JSON, and recordings in pieces that go on where the line was cut.
"use strict";

const CALLS = "/api/1";
const PIECE_BYTES = 2 * 1024 * 1024;
const WAITS_S = [1, 2, 4, 8, 15, 30];
let under_way = 0;
addEventListener("beforeunload", (event) => { if (under_way) event.preventDefault(); });

async function call_desk(method, path, body) {
  // One call; gives status and values, status 0 where the desk cannot be reached.
  const asked = { method, headers: {} };
  if (body !== undefined) { asked.body = JSON.stringify(body); asked.headers["Content-Type"] = "application/json"; }
  try {
    const answer = await fetch(CALLS + path, asked);
    desk_reached();
    return { status: answer.status, values: answer.status === 204 ? {} : await answer.json() };
  } catch {
    desk_lost();
    return { status: 0, values: {} };
  }
}

function refusal_words({ status, values }) {
  if (!status) return "the desk cannot be reached";
  const error = values.error || {};
  return error.what ? error.what + (error.got ? " (got " + error.got + "; allowed: " + error.allowed + "). " : ". ") + error.todo : "was not taken";
}

function send_piece(path, piece, tell) {
  // The bytes of one piece, with how far it is.
  return new Promise((resolve) => {
    const request = new XMLHttpRequest();
    request.open("PATCH", CALLS + path);
    request.setRequestHeader("Content-Type", "application/octet-stream");
    request.upload.addEventListener("progress", (event) => tell(event.loaded));
    const ended = () => {
      let values = {};
      try { values = JSON.parse(request.responseText); } catch { /* an answer without words */ }
      resolve({ status: request.status, values });
    };
    for (const name of ["load", "error", "timeout", "abort"]) request.addEventListener(name, ended);
    request.send(piece);
  });
}

// What was begun and not ended is remembered in this browser, so that the same file goes on after a reload.
const kept_key = (case_path, file) => ["upload", case_path, file.name, file.size, file.lastModified || 0].join(" ");
function remembered(key) { try { return localStorage.getItem(key); } catch { return null; } }
function remember(key, value) { try { if (value) localStorage.setItem(key, value); else localStorage.removeItem(key); } catch { /* a browser that keeps nothing */ } }

async function begun_upload(case_path, file, told) {
  // Gives the upload of this file: one that was cut off, else a new one.
  const before = remembered(kept_key(case_path, file));
  if (before) {
    const found = await call_desk("GET", case_path + "/uploads/" + before);
    if (found.status === 200 || !found.status) return found;
    remember(kept_key(case_path, file), null);
  }
  const opened = await call_desk("POST", case_path + "/uploads", { name: file.name || "recording.webm", size_bytes: file.size, ...told });
  if (opened.status === 201) remember(kept_key(case_path, file), opened.values.upload);
  return opened;
}

async function send_whole(case_path, file, told, say, show) {
  // Sends until the desk says that it is kept; gives null then, else the answer that refuses.
  let failures = 0, upload = null;
  for (;;) {
    let answer = upload ? await call_desk("GET", case_path + "/uploads/" + upload) : await begun_upload(case_path, file, told);
    while (answer.status === 200 || answer.status === 201) {
      const { received_bytes, recording, task } = answer.values;
      upload = answer.values.upload;
      if (recording || task) { remember(kept_key(case_path, file), null); return null; }
      say(received_bytes ? "goes on from " + Math.round((100 * received_bytes) / file.size) + " %" : "is being sent");
      const piece = file.slice(received_bytes, received_bytes + PIECE_BYTES);
      answer = await send_piece(case_path + "/uploads/" + upload + "?offset=" + received_bytes, piece, (bytes) => show((received_bytes + bytes) / file.size));
      if (answer.status === 200) failures = 0;
    }
    const again = !answer.status || answer.status === 409 || answer.status === 429 || answer.status === 408 || answer.status >= 500;
    if (!again || (failures === WAITS_S.length && answer.status)) {
      if (answer.status && answer.status !== 429 && answer.status < 500) remember(kept_key(case_path, file), null);
      return answer;
    }
    say((answer.status ? "waits: " + refusal_words(answer) : "the desk cannot be reached; what has arrived stays") + ". It goes on by itself.");
    if (!answer.status) desk_lost();
    await new Promise((resolve) => {
      setTimeout(resolve, 1000 * WAITS_S[Math.min(failures, WAITS_S.length - 1)]);
      addEventListener("desk:back", resolve, { once: true });
    });
    failures += 1;
  }
}

async function send_file(case_path, file, told, line, on_refusal) {
  // One recording; the line says how far it is, and that it is kept only once the desk has said so.
  // Gives true then, false where it was refused and the person threw it away.
  const bar = document.createElement("progress");
  const words = document.createElement("span");
  const name = file.name || "recording";
  bar.max = 1; bar.value = 0;
  bar.setAttribute("aria-label", "Sending " + name);
  line.replaceChildren(words, bar);
  const say = (text) => { words.textContent = name + ": " + text; };
  under_way += 1;
  const refused = await send_whole(case_path, file, told, say, (share) => { bar.value = share; });
  under_way -= 1;
  bar.remove();
  if (!refused) { say("is kept"); return true; }
  say(refusal_words(refused) + (refused.status ? "" : ". What has arrived stays for a day: send it again and it goes on"));
  if (on_refusal) on_refusal();
  const again = document.createElement("button"), drop = document.createElement("button");
  again.type = drop.type = "button"; again.className = drop.className = "quiet";
  again.textContent = "Send again"; drop.textContent = "Throw it away";
  line.append(" ", again, drop);
  return new Promise((resolve) => {
    again.addEventListener("click", () => send_file(case_path, file, told, line, on_refusal).then(resolve));
    drop.addEventListener("click", () => { remember(kept_key(case_path, file), null); line.replaceChildren(name + ": thrown away"); resolve(false); });
  });
}

function cut_off_uploads(case_path) {
  // Names of files of this case that were begun in this browser and did not arrive whole.
  const start = "upload " + case_path + " ", found = [];
  try {
    for (const key of Object.keys(localStorage)) if (key.startsWith(start)) found.push({ key, name: key.slice(start.length).split(" ").slice(0, -2).join(" ") });
  } catch { /* a browser that keeps nothing */ }
  return found;
}
