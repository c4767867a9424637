// Writing a view of the API into the data-f fields of a piece of the page.

import { reader } from "./figures.js";
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

function writePressure(field, { figure, target, limit }) {
  const pascal = figure?.pressure.value ?? null;
  const write = (unit) => reader.pressureNumber(pascal, figure?.accuracy, [target.value, limit?.value], unit);
  setText(field("first"), write(reader.unit));
  if (reader.beside) setText(field("second"), write(reader.beside));
  const exact = pascal === null ? "" : reader.exact(pascal);
  if (field("pressure") && field("pressure").title !== exact) field("pressure").title = exact;
}

// The job page has a card of its own for it.
function writePullDown(root, field, known) {
  if (!field("pull")) return;
  setShown(field("pull"), Boolean(known?.at || known?.word || known?.unsupported_since));
  setMoment(root.querySelector('time[data-tick="target"]'), known?.at);
  setMoment(root.querySelector('time[data-tick="unkept"]'), known?.unsupported_since);
  setText(field("pull-word"), known?.word ?? "");
}

function battery(found) {
  if (!found) return "–";
  return found.volts === null ? found.text : `${reader.number(found.volts)}\u202fV`;
}

export function writeFigures(root, row) {
  const field = fields(root);
  writePressure(field, row);
  setShown(field("old"), Boolean(row.figure && !row.figure.live));
  setText(field("phase"), row.phase ?? "–");
  setMoment(root.querySelector('time[data-tick="for"]'), row.since);
  setShown(field("left-wrap"), Boolean(row.hold_until));
  setMoment(root.querySelector('time[data-tick="left"]'), row.hold_until);
  writePullDown(root, field, row.pull_down);
  setText(field("pump"), row.pump === null ? "" : row.pump ? "pump runs" : "pump stands");
  setText(field("battery"), battery(row.battery));
  setShown(field("battery-low"), Boolean(row.battery?.low));
}
