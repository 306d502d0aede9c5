"use strict";
const language = document.documentElement.lang;
for (const stack of document.querySelectorAll(".stack")) {
  const duration = Number(stack.dataset.duration);
  const sounds = [...stack.querySelectorAll("audio")];
  const button = stack.querySelector("button");
  const seek = stack.querySelector(".seek");
  const slider = seek.querySelector("input");
  const shown = seek.querySelector("output");
  const cursor = stack.querySelector(".cursor");
  const plots = stack.querySelector(".plots");
  const over = stack.querySelector(".over");
  let now = 0;
  let place = 0;

  for (const sound of sounds) sound.controls = false;
  for (const part of [button, seek, ...stack.querySelectorAll("input")]) part.hidden = false;
  stack.classList.add("live");

  const draw = () => {
    cursor.style.left = `${(100 * place) / duration}%`;
    cursor.classList.toggle("moved", place > 0 || !sounds[now].paused);
    shown.textContent = `${place.toLocaleString(language, { minimumFractionDigits: 1, maximumFractionDigits: 1 })} s`;
    slider.setAttribute("aria-valuetext", shown.textContent);
    if (document.activeElement !== slider || !sounds[now].paused) slider.value = String(place);
  };
  const follow = () => {
    const sound = sounds[now];
    if (!sound.seeking) place = Math.min(sound.currentTime, duration);
    draw();
    if (!sound.paused) requestAnimationFrame(follow);
  };
  const move = (to) => {
    place = Math.max(0, Math.min(duration, to));
    sounds[now].currentTime = place;
    draw();
  };
  const start = () => {
    const sound = sounds[now];
    if (place >= duration - 0.05) place = 0;
    sound.currentTime = place;
    sound.play();
  };
  button.addEventListener("click", () => (sounds[now].paused ? start() : sounds[now].pause()));
  slider.addEventListener("input", () => move(Number(slider.value)));
  plots.addEventListener("click", (event) => {
    const field = over.getBoundingClientRect();
    if (event.clientX >= field.left) move((duration * (event.clientX - field.left)) / field.width);
  });
  for (const pick of stack.querySelectorAll("input[type=radio]")) {
    pick.addEventListener("change", () => {
      const playing = !sounds[now].paused;
      sounds[now].pause();
      now = Number(pick.value);
      if (playing) start();
    });
  }
  for (const sound of sounds) {
    const say = () => {
      button.textContent = sounds[now].paused ? button.dataset.play : button.dataset.pause;
      requestAnimationFrame(follow);
    };
    sound.addEventListener("play", say);
    sound.addEventListener("pause", say);
    sound.addEventListener("loadedmetadata", () => {
      if (sound === sounds[now] && Math.abs(sound.currentTime - place) > 0.1) sound.currentTime = place;
    });
  }
  draw();
}
const mostOpened = 2;
let opened = [];
addEventListener("beforeprint", () => {
  opened = [...document.querySelectorAll("details:not([open])")].slice(0, mostOpened);
  for (const one of opened) one.open = true;
});
addEventListener("afterprint", () => {
  for (const one of opened) one.open = false;
});
