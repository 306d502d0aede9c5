// Recordings that have not arrived yet, kept on this device until the desk says that it has them.
"use strict";

const LARGEST_KEPT = 300e6;

function kept_store(mode, work) {
  // One transaction on this browser's own database; gives what the work asked for, undefined where nothing can be kept.
  return new Promise((resolve) => {
    let opened;
    try { opened = indexedDB.open("audiodiag desk", 1); } catch { resolve(undefined); return; }
    opened.addEventListener("upgradeneeded", () => opened.result.createObjectStore("sounds", { keyPath: "id" }));
    opened.addEventListener("error", () => resolve(undefined));
    opened.addEventListener("success", () => {
      const base = opened.result, deal = base.transaction("sounds", mode);
      let asked;
      try { asked = work(deal.objectStore("sounds")); } catch { base.close(); resolve(undefined); return; }
      deal.addEventListener("complete", () => { base.close(); resolve(asked.result === undefined ? true : asked.result); });
      for (const name of ["abort", "error"]) deal.addEventListener(name, () => { base.close(); resolve(undefined); });
    });
  });
}

// A kept sound: { id, case_path, name, kind, modified, pieces, told, seconds, begun }; begun once it was to be sent.
const KEPT_FIELDS = ["id", "case_path", "name", "kind", "modified", "pieces", "told", "seconds", "begun"];
const keep_sound = (sound) => kept_store("readwrite", (store) => store.put(Object.fromEntries(KEPT_FIELDS.map((field) => [field, sound[field]]))));
const drop_sound = (id) => kept_store("readwrite", (store) => store.delete(id));
const all_sounds = async () => (await kept_store("readonly", (store) => store.getAll())) || [];
const file_of = (sound) => new File(sound.pieces, sound.name, { type: sound.kind, lastModified: sound.modified });

async function send_chosen(case_path, file, told, line) {
  // Sends a chosen file; it is kept on this device meanwhile, unless it is too large for that.
  if (file.size > LARGEST_KEPT) return send_file(case_path, file, told, line);
  const id = "file " + kept_key(case_path, file);
  return send_kept({ id, case_path, name: file.name, kind: file.type, modified: file.lastModified, pieces: [file], told, seconds: null, begun: true }, line);
}

async function send_kept(sound, line) {
  // Sends a kept sound; only what the desk has, or what its person throws away, is let go. One that is refused
  // is offered at the next visit, and does not go off by itself again.
  sound.begun = true;
  await keep_sound(sound);
  const taken = await send_file(sound.case_path, file_of(sound), sound.told, line, () => { sound.begun = false; keep_sound(sound); });
  await drop_sound(sound.id);
  return taken;
}

function offered(sound, list) {
  const line = document.createElement("li"), words = document.createElement("p"), deeds = document.createElement("p");
  const send = document.createElement("button"), drop = document.createElement("button");
  const made = new Date(sound.modified).toLocaleString([], { dateStyle: "medium", timeStyle: "short" });
  words.textContent = sound.name + (sound.seconds ? ", " + Math.round(sound.seconds) + " s" : "") + ", " + made + ": kept on this device, not sent yet.";
  send.type = drop.type = "button";
  send.textContent = "Send it"; drop.textContent = "Throw it away"; drop.className = "quiet";
  const player = Object.assign(document.createElement("audio"), { controls: true, src: URL.createObjectURL(file_of(sound)) });
  player.setAttribute("aria-label", "Listen to " + sound.name);
  deeds.append(send, drop);
  line.append(words, ...(sound.seconds ? [player] : []), deeds);
  const go = async () => {
    const going = document.createElement("p");
    deeds.replaceWith(going);
    const taken = await send_kept(sound, going);
    const place = sound.kind.includes("zip") ? "/papers?said=parcel" : "?said=received";
    if (taken && !under_way) location.href = sound.case_path + place;
  };
  send.addEventListener("click", go);
  drop.addEventListener("click", async () => {
    const begun = remembered(kept_key(sound.case_path, file_of(sound)));
    if (begun) { call_desk("DELETE", sound.case_path + "/uploads/" + begun); remember(kept_key(sound.case_path, file_of(sound)), null); }
    await drop_sound(sound.id);
    line.remove();
    if (!list.children.length) list.closest("[data-kept]").hidden = true;
  });
  list.append(line);
  if (sound.begun) go();
}

async function offer_kept(place) {
  // Shows what of this case is kept; what was being sent when the page was closed goes on at once.
  const waiting = (await all_sounds()).filter((sound) => sound.case_path === place.dataset.kept && sound.pieces.length);
  place.hidden = !waiting.length;
  for (const sound of waiting) offered(sound, place.querySelector("ul"));
}
for (const place of document.querySelectorAll("[data-kept]")) offer_kept(place);
