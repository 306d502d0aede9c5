// Before and after: follows the workers and shows what is ready in its place, without touching forms or sounds that play.
"use strict";

const outcomes = document.getElementById("outcomes");
const workshop_said = document.getElementById("workshop-said");
const waiting_steps = () => [...outcomes.querySelectorAll("[data-job]")];

async function renew_outcomes() {
  // Takes over only the sections whose state has changed; gives whether the desk answered.
  let text;
  try {
    const answer = await fetch(location.pathname);
    if (!answer.ok || answer.redirected) return false;
    text = await answer.text();
  } catch { return false; }
  const fresh = new DOMParser().parseFromString(text, "text/html");
  for (const section of fresh.querySelectorAll("[data-outcome]")) {
    const here = outcomes.querySelector(`[data-outcome="${section.dataset.outcome}"]`);
    if (!here) outcomes.prepend(section);
    else if (here.dataset.state !== section.dataset.state) {
      here.replaceWith(section);
      workshop_said.textContent = section.dataset.state === "failed" ? "It could not be made; the section below says why." : section.dataset.state === "done" ? "It is ready: " + section.querySelector("h2").textContent : "";
    }
  }
  return true;
}
async function follow_outcomes() {
  while (waiting_steps().length) {
    const { status, values } = await call_desk("GET", outcomes.dataset.jobs);
    let ended = false;
    for (const step of status === 200 ? waiting_steps() : []) {
      const job = values.jobs.find((each) => each.job === Number(step.dataset.job));
      if (!job) continue;
      ended = ended || job.state === "done" || job.state === "failed";
      const words = job.state === "queued" ? "Waits for its turn, " + job.ahead + " before it." : job.step || "A worker is at it.";
      if (step.textContent !== words) step.textContent = words;
      step.parentElement.querySelector("progress").value = job.share;
    }
    const lost = !status || (ended && !(await renew_outcomes()));
    if (lost) workshop_said.textContent = "The desk cannot be reached; this page goes on when it can.";
    else if (workshop_said.textContent.startsWith("The desk cannot")) workshop_said.textContent = "";
    await new Promise((resolve) => setTimeout(resolve, 1000));
  }
}
follow_outcomes();

// Printing: one section alone or all of them, with their numbers unfolded.
document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-print]");
  if (!button) return;
  for (const section of outcomes.children) section.classList.toggle("not-printed", Boolean(button.dataset.print) && section.dataset.outcome !== button.dataset.print);
  print();
});
addEventListener("beforeprint", () => { for (const each of outcomes.querySelectorAll("details")) { each.dataset.open = each.open ? "yes" : ""; each.open = true; } });
addEventListener("afterprint", () => { for (const each of outcomes.querySelectorAll("details")) each.open = each.dataset.open === "yes"; for (const each of outcomes.children) each.classList.remove("not-printed"); });
