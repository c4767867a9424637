// The job page: figures and plot go on by themselves; the judgement is fetched anew when something happened.

import { follow, fragment } from "./shell.js";
import { setShown, setText, setMark, writeFigures, fields } from "./marks.js";
import { reader } from "./figures.js";
import { setMoment, siteTime, now } from "./time.js";
import { Plot } from "./plot.js";
import * as valve from "./valve.js";

const job = document.body.dataset.job;
const zone = document.body.dataset.zone;
const strip = document.getElementById("strip");
const plot = new Plot(document.getElementById("plot"), zone);
const note = document.getElementById("plot-note");
const judgement = document.getElementById("judgement");
const AGAIN_MS = 60000;
const ANEW_MS = 2000;
const MOST_POINTS = 1500;
let detail = null;
let series = new Map();
let temperature = null;
let busy = false;

async function get(address) {
  const answer = await fetch(address);
  if (!answer.ok) throw new Error(`${address}: ${answer.status}`);
  return answer.json();
}

function span(item, since) {
  // A minute to spare: the latest reading may be ahead of the clock that we show.
  const until = item.until ?? new Date(now() + 60000).toISOString();
  return new URLSearchParams({ instrument: item.instrument_id, since: since ?? item.since, until, points: MOST_POINTS, pressure_unit: "Pa" });
}

async function readAll() {
  detail = await get(`/api/v1/jobs/${job}?pressure_unit=Pa`);
  const gauges = detail.instruments.filter((item) => item.role === "gauge");
  const found = await Promise.all(gauges.map((item) => get(`/api/v1/readings?${span(item)}`)));
  series = new Map(gauges.map((item, index) => [item, points(found[index])]));
  temperature = document.getElementById("with-temperature").checked ? await readTemperature() : null;
  draw();
}

async function readTemperature() {
  for (const item of detail.instruments) {
    const query = span(item);
    query.set("quantity", "temperature");
    const found = await get(`/api/v1/readings?${query}`);
    if (found.total) return points(found);
  }
  return { time: [], value: [], gaps: [] };
}

function points(found) {
  return {
    time: found.time.map((iso) => Date.parse(iso)),
    value: found.value,
    gaps: found.gaps.map((gap) => [Date.parse(gap.since), Date.parse(gap.until)]),
  };
}

async function readOn() {
  for (const [item, old] of series) {
    if (item.until) continue;
    const last = old.time.at(-1);
    const query = span(item, last ? new Date(last + 1).toISOString() : undefined);
    const found = points(await get(`/api/v1/readings?${query}`));
    if (last && found.time.length && found.time[0] - last > 1000 * Math.max(5 * item.interval_s, 60)) old.gaps.push([last, found.time[0]]);
    old.time.push(...found.time);
    old.value.push(...found.value);
    old.gaps.push(...found.gaps);
  }
  draw();
}

function draw() {
  plot.draw({ detail, series, temperature, now: now() });
  const empty = [...series.values()].every((one) => one.time.length === 0);
  note.textContent = empty ? "No readings yet. They appear here as they come." : temperature?.time.length === 0 ? "No temperature was reported." : "";
  setShown(note, note.textContent !== "");
  if (document.getElementById("numbers").open) fillTable();
}

function fillTable() {
  const [item, one] = [...series].find(([gauge]) => gauge.deciding) ?? [...series][0] ?? [];
  const body = document.querySelector("#numbers tbody");
  const rows = (one?.time ?? []).map((time, index) => [time, one.value[index]]);
  const step = Math.max(1, Math.ceil(rows.length / 200));
  const columns = [reader.unit, reader.beside].filter(Boolean);
  body.replaceChildren(...rows.filter((_, index) => (rows.length - 1 - index) % step === 0).reverse().map(([time, value]) => {
    const tr = document.createElement("tr");
    [siteTime(new Date(time).toISOString(), zone, true), ...columns.map((unit) => reader.pressureNumber(value, item.accuracy, marks(), unit))].forEach((text, column) => {
      const td = document.createElement("td");
      td.textContent = text;
      if (column) { td.className = "num"; td.title = reader.exact(value); }
      tr.append(td);
    });
    return tr;
  }));
}

function marks() {
  return [detail.target.value, ...detail.hold_tests.map((hold) => hold.limit?.value)];
}

async function inTurn(work) {
  if (busy) return;
  busy = true;
  try { await work(); } catch (error) { console.warn(String(error)); } finally { busy = false; }
}

function writeRow(row) {
  const field = fields(strip);
  writeFigures(strip, row);
  field("pressure-box").classList.toggle("old", !row.figure?.live);
  setText(field("valve-word"), row.valve?.word ?? "none reports");
  valve.reported(row.valve);
  if (row.arrived) {
    const time = field("signal").querySelector("time");
    if (time) setMoment(time, row.arrived);
    else field("signal").innerHTML = `<time data-tick="ago" datetime="${row.arrived}"></time>`;
  }
  setMark(document.querySelector("#state .mark"), row.state);
  followPullDown(row.pull_down);
}

// An estimate that is made anew, or is no longer kept up, is told by no event.
let estimated;
function readPullDown() {
  return fragment(`/jobs/${job}/pull-down`, document.getElementById("pull-down")).catch((error) => console.warn(String(error)));
}

function followPullDown(known) {
  const told = `${known?.as_of ?? ""} ${known?.unsupported_since ?? ""}`;
  if (estimated !== undefined && estimated !== told) readPullDown();
  estimated = told;
}

let judging = null;
function judgeSoon() {
  // Several events come together.
  clearTimeout(judging);
  judging = setTimeout(async () => {
    valve.look();
    inTurn(readAll);
    await fragment(`/jobs/${job}/judgement`, judgement).catch((error) => console.warn(String(error)));
    readPullDown();
    watchAnew();
  }, 150);
}

// A judgement that has caught up and says the same as before is told by no event.
let watching = null;
function watchAnew() {
  clearTimeout(watching);
  if (judgement.querySelector("[data-anew]")) watching = setTimeout(judgeSoon, ANEW_MS);
}

document.getElementById("with-temperature").addEventListener("change", () => inTurn(readAll));
document.getElementById("numbers").addEventListener("toggle", () => fillTable());
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => plot.restyle());

inTurn(readAll);
watchAnew();
// Late readings change what lies behind: look at the whole again now and then.
setInterval(() => inTurn(readAll), AGAIN_MS);
let begun = false;
follow({
  again() { if (begun) judgeSoon(); begun = true; },
  event: judgeSoon,
  alert(alert) { if (String(alert.job_id) === job && begun) judgeSoon(); },
  rows(rows) {
    rows.forEach(writeRow);
    inTurn(readOn);
  },
});
