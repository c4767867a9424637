// The job at the site: the large place holds a figure only while it is live; the rest is fetched anew.

import { follow, fragment } from "./shell.js";
import { fields, setMark, setShown, setText, writeFigures } from "./marks.js";
import { reader } from "./figures.js";
import { setMoment, siteTime } from "./time.js";

const ANEW_MS = 5000;
const job = document.body.dataset.job;
const zone = document.body.dataset.zone;
const part = document.getElementById("now");
const sight = document.getElementById("sight");
const field = fields(document.getElementById("main"));
let lost = false;
let fetchedAt = performance.now();
let waiting = null;

// What the server wrote stands until the first word comes.
let live = !sight.classList.contains("gone");
let { number } = field("first").dataset;
let readAt = field("read").querySelector("time")?.getAttribute("datetime") ?? "";
let silence = field("why").textContent;

// An old figure never stands where a live one is expected.
function show() {
  const gone = lost || !live;
  sight.classList.toggle("gone", gone);
  setText(field("first"), gone ? "" : number);
  setText(field("why"), lost ? "No line" : live ? "" : silence);
  setText(field("before"), gone && readAt ? `Last read: ${number}\u202f${reader.unit}, ${siteTime(readAt, zone, true)}` : "");
}

function write({ figure, target, limit }) {
  live = Boolean(figure?.live);
  silence = figure ? "Gauge silent" : "No reading yet";
  readAt = figure?.time ?? "";
  number = reader.pressureNumber(figure?.pressure.value, figure?.accuracy, [target.value, limit?.value]);
  sight.querySelector(".large").style.setProperty("--signs", number.length);
  setShown(field("exact"), Boolean(figure));
  setMoment(field("read").querySelector("time"), figure?.time);
  const exact = figure ? reader.exact(figure.pressure.value) : "";
  field("first").title = exact;
  setText(field("exactly"), exact);
  show();
}

function anew() {
  if (waiting !== null) return;
  waiting = setTimeout(async () => {
    waiting = null;
    fetchedAt = performance.now();
    await fragment(`/jobs/${job}/site/now`, part).catch((error) => console.warn(String(error)));
  }, Math.max(100, ANEW_MS - (performance.now() - fetchedAt)));
}

field("exact").addEventListener("click", ({ target }) => {
  const open = field("exactly").hidden;
  setText(field("exactly"), field("first").title);
  setShown(field("exactly"), open);
  target.setAttribute("aria-expanded", String(open));
});

follow({
  again() {
    setShown(field("of"), false);
    anew();
  },
  event: anew,
  contact(is) {
    lost = is;
    setShown(document.getElementById("then"), is);
    show();
    if (!is) anew();
  },
  rows([found]) {
    writeFigures(document.getElementById("main"), found);
    setMark(field("state"), found.state);
    setText(field("pump"), found.pump === null ? "none reports" : found.pump ? "pump runs" : "pump stands");
    setText(field("valve-word"), found.valve?.word ?? "none reports");
    setShown(field("over"), Boolean(found.figure?.overrange));
    const heard = field("signal").querySelector("time");
    if (heard) setMoment(heard, found.arrived);
    write(found);
    anew();
  },
});
