// The inbox by keyboard, kept up to date in place: rows come and go, and the row at hand stays at hand.
"use strict";

const letters = document.getElementById("letters");
const filter = document.querySelector("form.filter");
const inbox_said = document.getElementById("inbox-said");
const OFTEN_S = 2, SELDOM_S = 15;
let most_waiting = Number(letters.dataset.waiting);

const rows = () => [...letters.querySelectorAll(".letter")];
const main_link = (row) => row.querySelector("[data-bench]") || row.querySelector("[data-case]");
const row_at_hand = () => document.activeElement.closest ? document.activeElement.closest(".letter") : null;

function go(by) {
  const all = rows(), here = all.indexOf(row_at_hand());
  const row = all[Math.min(all.length - 1, Math.max(0, here < 0 ? 0 : here + by))];
  if (!row) return;
  main_link(row).focus();
  row.scrollIntoView({ block: "nearest" });
}

function show_queue() {
  const bar = letters.querySelector(".queue progress"), waiting = Number(letters.dataset.waiting);
  most_waiting = Math.max(most_waiting, waiting);
  if (bar) { bar.max = most_waiting; bar.value = most_waiting - waiting; }
}
show_queue();

async function renew() {
  // Takes over what the page would show now; whoever stands at a row stays there.
  let text = "";
  try {
    const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
    if (answer.redirected && !answer.url.includes("/inbox")) { inbox_said.textContent = "Your time here is over: open the desk again."; return false; }
    if (answer.ok) text = await answer.text();
  } catch { /* said below */ }
  if (!text) { inbox_said.textContent = "The desk cannot be reached; this list may be old. It is asked again."; return true; }
  inbox_said.textContent = "";
  const fresh = new DOMParser().parseFromString(text, "text/html");
  for (const count of fresh.querySelectorAll("[data-count]")) {
    const here = document.querySelector(`[data-count="${count.dataset.count}"]`);
    if (here.textContent !== count.textContent) here.textContent = count.textContent;
  }
  const found = fresh.getElementById("letters");
  if (found.innerHTML !== letters.innerHTML) {
    const key = row_at_hand() && row_at_hand().dataset.key, link = document.activeElement;
    const main = key && link === main_link(row_at_hand());
    letters.replaceChildren(...found.childNodes);
    letters.dataset.waiting = found.dataset.waiting;
    const row = key && letters.querySelector(`[data-key="${key}"]`);
    if (row) (main ? main_link(row) : row.querySelector("[data-case]")).focus({ preventScroll: true });
  }
  show_queue();
  return true;
}
async function follow_inbox() {
  for (;;) {
    await new Promise((resolve) => setTimeout(resolve, 1000 * (Number(letters.dataset.waiting) ? OFTEN_S : SELDOM_S)));
    if (!document.hidden && !under_way && !(await renew())) return;
  }
}
follow_inbox();
filter.addEventListener("change", (event) => { if (event.target.name === "show") filter.requestSubmit(); });

const inbox_keys = {
  j: () => go(1), ArrowDown: () => go(1), k: () => go(-1), ArrowUp: () => go(-1),
  c: () => { const row = row_at_hand() || rows()[0]; if (row) row.querySelector("[data-case]").click(); },
  "/": () => filter.elements.words.focus(),
};
document.addEventListener("keydown", (event) => {
  const target = event.target, kind = target.tagName;
  if (event.key === "Escape") { target.blur(); return; }
  if (event.ctrlKey || event.metaKey || event.altKey || remembered("keys") === "off") return;
  if (kind === "TEXTAREA" || kind === "SELECT" || (kind === "INPUT" && target.type !== "radio") || (kind === "INPUT" && event.key.startsWith("Arrow"))) return;
  const choices = filter.elements.show;
  const act = inbox_keys[event.key.length === 1 ? event.key.toLowerCase() : event.key];
  if (act) { event.preventDefault(); act(); return; }
  if (/^[1-9]$/.test(event.key) && choices[Number(event.key) - 1]) { choices[Number(event.key) - 1].checked = true; filter.requestSubmit(); }
});
