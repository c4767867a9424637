// The board: rows come from the event stream; order, words and shapes come with them.

import { follow } from "./shell.js";
import { reader } from "./figures.js";
import { fields, setMark, setShown, setText, setTone, writeFigures } from "./marks.js";
import { setMoment } from "./time.js";

const body = document.getElementById("rows");
const mould = document.getElementById("mould").content.querySelector("tr");
const orders = new Map();

function element(job) {
  const found = body.querySelector(`tr[data-job="${job}"]`);
  if (found) return found;
  const made = mould.cloneNode(true);
  made.dataset.job = job;
  body.append(made);
  return made;
}

function write(row) {
  const tr = element(row.job);
  const field = fields(tr);
  if (tr.dataset.state && tr.dataset.state !== row.state.key) {
    tr.classList.remove("fresh");
    requestAnimationFrame(() => tr.classList.add("fresh"));
  }
  tr.dataset.state = row.state.key;
  setTone(tr, row.state.tone);
  setMark(field("state"), row.state);
  setText(field("title"), row.title);
  field("title").href = `/jobs/${row.job}`;
  setText(field("place"), [row.site, row.circuit, row.crew].filter(Boolean).join(" · "));
  writeFigures(tr, row);
  tr.querySelector(".c-pressure").classList.toggle("old", !row.figure?.live);
  setShown(field("over"), Boolean(row.figure?.overrange));
  setMark(field("verdict"), row.verdict);
  setText(field("cause"), row.verdict ? (row.verdict.cause ?? "") : "no verdict yet");
  setMark(field("valve"), row.valve);
  setShown(field("no-valve"), !row.valve);
  setMoment(field("signal").querySelector("time"), row.arrived);
  setShown(field("unheard"), Boolean(row.arrived) && !row.heard);
  writeAlert(field, row.alert);
  writeTrend(field, row.trend);
  orders.set(row.job, row);
}

function writeAlert(field, alert) {
  setShown(field("alert"), Boolean(alert));
  setMark(field("priority"), alert?.priority);
  if (!alert) return;
  field("alert").href = `/alerts#alert-${alert.id}`;
  setText(field("alert-text"), `${alert.acknowledged ? "Taken: " : alert.active ? "" : "Over: "}${reader.sentence(alert.text, alert.figures)}`);
}

function writeTrend(field, trend) {
  field("trend-path").setAttribute("d", trend?.path ?? "");
  field("trend-target").setAttribute("d", trend ? `M0 ${trend.target_y}H120` : "");
  field("trend-limit").setAttribute("d", trend && trend.limit_y !== null ? `M0 ${trend.limit_y}H120` : "");
  field("trend").setAttribute("aria-label", trend ? `Pressure over the last ${reader.exactNumber(trend.hours)} h, log scale` : "No trend yet");
  setText(field("trend-hours"), trend ? `${reader.exactNumber(trend.hours)} h` : "");
}

function compare(a, b) {
  for (let i = 0; i < a.length; i += 1) if (a[i] !== b[i]) return a[i] - b[i];
  return 0;
}

function sort() {
  const wanted = [...orders.values()].sort((a, b) => compare(a.order, b.order));
  wanted.forEach((row, index) => {
    const tr = element(row.job);
    if (body.children[index] !== tr) body.insertBefore(tr, body.children[index] ?? null);
  });
}

function summarise() {
  const rows = [...orders.values()];
  const needy = rows.filter((row) => row.alert?.active && !row.alert.acknowledged).length;
  const words = new Map();
  rows.forEach((row) => words.set(row.state.word, (words.get(row.state.word) ?? 0) + 1));
  const first = needy ? `${needy} ${needy === 1 ? "needs" : "need"} somebody` : "Nobody is needed";
  const rest = [...words].map(([word, n]) => `${n} ${word.toLowerCase()}`);
  setText(document.getElementById("summary"), rows.length ? [first, ...rest].join(" · ") : "");
  setShown(document.getElementById("empty"), rows.length === 0);
  setShown(document.getElementById("board"), rows.length > 0);
}

// What was closed stands beneath the board; the server writes it.
async function readClosed() {
  const answer = await fetch(`/${location.search}`, { headers: { Accept: "text/html" } });
  if (!answer.ok) return;
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  const fresh = page.getElementById("closed");
  if (fresh) document.getElementById("closed").replaceWith(fresh);
}

follow({
  // The jobs that are open now; what is not among them was closed.
  board(jobs) {
    const open = new Set(jobs);
    let gone = false;
    [...body.children].forEach((tr) => {
      if (open.has(Number(tr.dataset.job))) return;
      orders.delete(Number(tr.dataset.job));
      tr.remove();
      gone = true;
    });
    summarise();
    if (gone) readClosed();
  },
  rows(rows) {
    rows.forEach(write);
    sort();
    summarise();
  },
});
