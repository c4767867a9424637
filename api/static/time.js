// The installation's clock in the browser, and how spans of time read (as in words.py).

import { reader } from "./figures.js";

const THIN = "\u202f";
const NO_BREAK = "\u00a0";
let base = Date.parse(document.body.dataset.now);
let heardAt = performance.now();
let speed = 1;

export function setClock(tick) {
  base = Date.parse(tick.now);
  heardAt = performance.now();
  speed = tick.speed;
}

export function now() {
  return base + (performance.now() - heardAt) * speed;
}

export function duration(seconds) {
  const whole = Math.max(0, Math.floor(seconds));
  if (whole < 60) return `${whole}${THIN}s`;
  const minutes = Math.floor(whole / 60);
  if (minutes < 60) return `${minutes}${THIN}min`;
  const hours = Math.floor(minutes / 60);
  if (hours < 24) return `${hours}${THIN}h${NO_BREAK}${String(minutes % 60).padStart(2, "0")}${THIN}min`;
  return `${Math.floor(hours / 24)}${THIN}d${NO_BREAK}${hours % 24}${THIN}h`;
}

export function siteTime(iso, zone, withSeconds = false) {
  return reader.when(iso, zone, withSeconds);
}

const SAY = {
  ago: (then) => `${duration((now() - then) / 1000)} ago`,
  for: (then) => `for${NO_BREAK}${duration((now() - then) / 1000)}`,
  target: (then) => (then > now() ? `target in about ${duration((then - now()) / 1000)}` : "target due"),
  unkept: (then) => `estimate not kept up for${NO_BREAK}${duration((now() - then) / 1000)}`,
  left: (then) => (then > now() ? `${duration((then - now()) / 1000)} left` : "full length is over"),
};

export function setMoment(element, iso) {
  if (!element) return;
  element.setAttribute("datetime", iso ?? "");
  showMoment(element);
}

function showMoment(element) {
  const iso = element.getAttribute("datetime");
  const text = iso ? SAY[element.dataset.tick](Date.parse(iso)) : "";
  if (element.textContent !== text) element.textContent = text;
}

export function showMoments() {
  document.querySelectorAll("time[data-tick]").forEach(showMoment);
}
