// What every page does: follow the event stream, keep the clock, say when contact is lost, announce alerts.

import { refreshTold, startSignals } from "./signals.js";
import { reader } from "./figures.js";
import { turn } from "./reader.js";
import { now, setClock, showMoments, siteTime } from "./time.js";

const PATIENCE_MS = 8000;
const LOOK_MS = 1000;
const AGAIN_MS = 3000;
const zone = document.body.dataset.zone ?? Intl.DateTimeFormat().resolvedOptions().timeZone;
const opened = now();
const live = new Map();
const announced = new Set();
let heardAt = performance.now();
let heardWall = Date.now();
let lastWord = new Date(opened);
let lost = false;
let loggedOut = false;
let contact = () => {};

export function follow(handlers) {
  contact = handlers.contact ?? contact;
  open(handlers);
  startSignals();
  setInterval(look, LOOK_MS);
  document.addEventListener("visibilitychange", look);
  window.addEventListener("offline", () => setLost(true));
  window.addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
}

function open(handlers) {
  const query = new URLSearchParams();
  if (document.body.dataset.after) query.set("after", document.body.dataset.after);
  if (document.body.dataset.job) query.set("job", document.body.dataset.job);
  const source = new EventSource(`/api/v1/events?${query}`);
  const on = (name, act) => source.addEventListener(name, (message) => act(JSON.parse(message.data), message));
  on("hello", (tick) => { heard(tick); refreshTold(); handlers.again?.(); });
  on("tick", heard);
  on("alert", (alert) => { noteAlert(alert); handlers.alert?.(alert); });
  on("event", (event) => handlers.event?.(event));
  on("signal", () => refreshTold());
  on("board", (jobs) => handlers.board?.(jobs));
  on("rows", (rows) => handlers.rows?.(rows));
  source.addEventListener("error", () => {
    // A closed source was refused; an interrupted one tries again by itself.
    if (source.readyState === EventSource.CLOSED) refused(handlers);
  });
  window.addEventListener("pagehide", () => source.close());
}

function heard(tick) {
  setClock(tick);
  heardAt = performance.now();
  heardWall = Date.now();
  lastWord = new Date(tick.now);
  if (lost) setLost(false);
  showMoments();
}

function look() {
  showMoments();
  // A telephone that slept stops the one clock, somebody who sets it turns the other.
  const quiet = Math.max(performance.now() - heardAt, Date.now() - heardWall);
  if (!lost && quiet > PATIENCE_MS) setLost(true);
}

async function refused(handlers) {
  const answer = await fetch("/api/v1/crews?limit=1").catch(() => null);
  if (answer?.status === 401) {
    loggedOut = true;
    setLost(true);
  } else {
    setTimeout(() => open(handlers), AGAIN_MS);
  }
}

function setLost(is) {
  lost = is;
  const box = document.getElementById("contact");
  document.body.classList.toggle("stale", is);
  box.hidden = !is;
  contact(is);
  if (!is) return;
  const since = siteTime(lastWord.toISOString(), zone, true);
  box.textContent = loggedOut
    ? `You are logged out. What you see is from ${since}. `
    : `No contact with Holdfast since ${since}. What you see is from then; this page goes on by itself.`;
  if (loggedOut) {
    const link = document.createElement("a");
    link.href = `/login?next=${encodeURIComponent(location.pathname)}`;
    link.textContent = "Log in";
    box.append(link);
  }
}

function noteAlert(alert) {
  if (alert.state === "normal") live.delete(alert.id);
  else live.set(alert.id, alert);
  const open = [...live.values()].filter((item) => item.state.endsWith("-unacknowledged")).length;
  const count = document.getElementById("alert-count");
  count.hidden = open === 0;
  count.firstElementChild.textContent = open;
  const fresh = Date.parse(alert.raised_at) >= opened && alert.state === "active-unacknowledged";
  if (fresh && !announced.has(alert.id)) announce(alert);
  if (alert.state !== "active-unacknowledged") document.getElementById(`notice-${alert.id}`)?.remove();
}

function announce(alert) {
  announced.add(alert.id);
  const notice = document.createElement("div");
  notice.className = "notice";
  notice.id = `notice-${alert.id}`;
  const text = document.createElement("p");
  text.textContent = [[alert.job, alert.site].filter(Boolean).join(", "), reader.sentence(alert.text, alert.figures)].filter(Boolean).join(": ");
  const link = document.createElement("a");
  link.href = `/alerts#alert-${alert.id}`;
  link.textContent = "See it";
  const close = document.createElement("button");
  close.className = "plain";
  close.textContent = "Hide";
  close.addEventListener("click", () => notice.remove());
  notice.append(text, link, close);
  const box = document.getElementById("notices");
  box.prepend(notice);
  while (box.children.length > 3) box.lastElementChild.remove();
}

export async function fragment(address, target) {
  const exact = new URLSearchParams(location.search).get("exact");
  const whole = exact === null ? address : `${address}?exact=${encodeURIComponent(exact)}`;
  const answer = await fetch(whole, { headers: { Accept: "text/html" } });
  if (!answer.ok || answer.redirected) return;
  const text = await answer.text();
  const open = new Set([...target.querySelectorAll("details[open]")].map(signature));
  const full = new Set([...target.querySelectorAll("data.fig.full")].map(({ title }) => title));
  target.innerHTML = text;
  target.querySelectorAll("data.fig").forEach((figure) => { if (full.has(figure.title)) turn(figure); });
  target.querySelectorAll("details").forEach((item) => { if (open.has(signature(item))) item.open = true; });
}

function signature(details) {
  return `${details.closest("[id]")?.id} ${details.querySelector("summary").textContent}`;
}
