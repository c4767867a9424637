// Writing a view of the API into the data-f fields of a piece of the page.

import { setMoment } from "./time.js";

export function fields(root) {
  return (name) => root.querySelector(`[data-f="${name}"]`);
}

export function setText(element, text) {
  if (element && element.textContent !== text) element.textContent = text;
}

export function setShown(element, shown) {
  if (element) element.hidden = !shown;
}

export function setTone(element, tone) {
  element.classList.forEach((name) => { if (name.startsWith("tone-")) element.classList.remove(name); });
  if (tone) element.classList.add(`tone-${tone}`);
}

export function setMark(element, mark) {
  element.hidden = !mark;
  if (!mark) return;
  setTone(element, mark.tone);
  element.querySelector("use").setAttribute("href", `#${mark.shape}`);
  setText(element.querySelector(".word"), mark.word);
}

export function writeFigures(root, row) {
  const field = fields(root);
  setText(field("micron"), row.figure?.micron ?? "–");
  setText(field("pascal"), row.figure?.pascal ?? "–");
  setShown(field("old"), Boolean(row.figure && !row.figure.live));
  setText(field("phase"), row.phase ?? "–");
  setMoment(root.querySelector('time[data-tick="for"]'), row.since);
  setShown(field("left-wrap"), Boolean(row.hold_until));
  setMoment(root.querySelector('time[data-tick="left"]'), row.hold_until);
  setText(field("pump"), row.pump === null ? "" : row.pump ? "pump runs" : "pump stands");
  setText(field("battery"), row.battery?.text ?? "–");
  setShown(field("battery-low"), Boolean(row.battery?.low));
}
