// Can the desk be reached? A clear word while it cannot, and "desk:back" for all that waits.
"use strict";

const reach = { lost: false };
const ASKED_EVERY_MS = 3000;

function desk_lost() {
  const banner = document.getElementById("offline");
  if (!banner || reach.lost) return;
  reach.lost = true;
  banner.textContent = (navigator.onLine ? "The desk cannot be reached." : "This device is offline.") + " What you type or record here is kept on this device. It goes on by itself once the desk is there again.";
  banner.hidden = false;
  setTimeout(ask_again, ASKED_EVERY_MS);
}

function desk_reached() {
  const banner = document.getElementById("offline");
  if (!banner || !reach.lost) return;
  reach.lost = false;
  banner.textContent = "The desk is there again.";
  dispatchEvent(new Event("desk:back"));
  setTimeout(() => { if (!reach.lost) banner.hidden = true; }, 4000);
}

async function ask_again() {
  if (!reach.lost) return;
  try {
    const answer = await fetch("/static/mark.svg", { cache: "no-store" });
    if (answer.ok) { desk_reached(); return; }
  } catch { /* not there yet */ }
  setTimeout(ask_again, ASKED_EVERY_MS);
}

addEventListener("offline", desk_lost);
addEventListener("online", ask_again);
if (!navigator.onLine) desk_lost();
