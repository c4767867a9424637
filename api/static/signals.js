// What somebody who follows a job is told on an open page: a line that stays until it is seen, and a sound.

import { now, siteTime } from "./time.js";

const AGAIN_MS = 15_000;
const RINGS_FOR_MS = 15 * 60_000;
const NOTES = {
  // Pairs of frequency [Hz] and length [s]; 0 Hz is a rest.
  rise: [[523, 0.14], [659, 0.14], [784, 0.28]],
  fall: [[784, 0.14], [659, 0.14], [523, 0.28]],
  "two-tone": [[659, 0.25], [494, 0.25], [659, 0.25], [494, 0.25]],
  warble: [[880, 0.09], [698, 0.09], [880, 0.09], [698, 0.09], [0, 0.12], [880, 0.09], [698, 0.09], [880, 0.09], [698, 0.09]],
  knock: [[196, 0.05], [0, 0.12], [196, 0.05], [0, 0.35], [196, 0.05], [0, 0.12], [196, 0.05]],
};
const known = new Map();
let choice = { target_sound: "rise", over_sound: "warble", volume: 60, until_seen: true };
let audio = null;
let loaded = false;
let box = null;

export async function startSignals() {
  box = document.createElement("div");
  box.id = "told";
  box.className = "notices";
  box.setAttribute("role", "alert");
  document.getElementById("notices").before(box);
  choice = (await get("/api/v1/me/signals")) ?? choice;
  await refreshTold();
  box.dataset.asked = "yes";
  setInterval(ringAgain, AGAIN_MS);
}

export async function refreshTold() {
  const told = await get("/api/v1/me/told");
  if (!told || !box) return;
  const ids = new Set(told.map((item) => item.event_id));
  for (const id of known.keys()) {
    if (!ids.has(id)) {
      known.delete(id);
      document.getElementById(`told-${id}`)?.remove();
    }
  }
  const fresh = told.filter((item) => !known.has(item.event_id));
  told.forEach((item) => known.set(item.event_id, item));
  box.replaceChildren(...told.slice(0, 4).map(line));
  if (told.length > 4) box.append(more(told.length - 4));
  if (loaded) {
    const loudest = fresh.find((item) => isOver(item) && !item.taken_back) ?? fresh.find((item) => !item.taken_back);
    if (loudest) sound(isOver(loudest) ? choice.over_sound : choice.target_sound);
  }
  loaded = true;
}

export function sound(name, volume = choice.volume) {
  const notes = NOTES[name];
  if (!notes || volume === 0) return;
  // Of several open pages one sounds, where the browser can tell them apart.
  if (navigator.locks) {
    navigator.locks.request("holdfast-sound", { ifAvailable: true }, (lock) => (lock ? play(notes, volume) : null));
  } else {
    play(notes, volume);
  }
}

async function play(notes, volume) {
  audio ??= new AudioContext();
  if (audio.state === "suspended") await Promise.race([audio.resume(), pause(300)]);
  document.body.dataset.sound = audio.state;
  if (audio.state !== "running") { sayMuted(); return; }
  let at = audio.currentTime + 0.02;
  for (const [frequency, seconds] of notes) {
    if (frequency > 0) tone(frequency, at, seconds, volume / 100);
    at += seconds;
  }
  document.body.dataset.sounded = Number(document.body.dataset.sounded ?? 0) + 1;
  await pause((at - audio.currentTime) * 1000);
}

function tone(frequency, at, seconds, volume) {
  const source = audio.createOscillator();
  const level = audio.createGain();
  source.type = "triangle";
  source.frequency.value = frequency;
  level.gain.setValueAtTime(0, at);
  level.gain.linearRampToValueAtTime(volume, at + 0.01);
  level.gain.setValueAtTime(volume, at + Math.max(seconds - 0.03, 0.011));
  level.gain.linearRampToValueAtTime(0, at + seconds);
  source.connect(level).connect(audio.destination);
  source.start(at);
  source.stop(at + seconds);
}

function sayMuted() {
  if (document.getElementById("muted")) return;
  const note = document.createElement("p");
  note.id = "muted";
  note.className = "notice told";
  note.textContent = "This browser plays no sound until you click somewhere on the page.";
  box.append(note);
  document.addEventListener("pointerdown", () => { audio.resume(); note.remove(); }, { once: true });
}

function ringAgain() {
  const waits = [...known.values()].some(
    (item) => isOver(item) && !item.taken_back && now() - Date.parse(item.recorded_at) < RINGS_FOR_MS,
  );
  if (waits && choice.until_seen) sound(choice.over_sound);
}

function isOver(item) {
  return item.kind === "hold-failed";
}

function line(item) {
  const notice = document.createElement("div");
  notice.className = `notice told ${isOver(item) ? "" : "good"}`;
  notice.id = `told-${item.event_id}`;
  const text = document.createElement("p");
  const what = isOver(item) ? "Hold went over" : "Target reached";
  const back = item.taken_back ? " Late readings took this back." : "";
  text.textContent = `${what}, ${siteTime(item.happened_at, item.time_zone)}: ${item.title}, ${item.site}.${back}`;
  const link = document.createElement("a");
  link.href = `/jobs/${item.job_id}`;
  link.textContent = "See it";
  const button = document.createElement("button");
  button.className = "plain";
  button.textContent = "Seen";
  button.addEventListener("click", async () => {
    const answer = await fetch(`/api/v1/me/told/${item.event_id}/seen`, { method: "POST", headers: { "Content-Type": "application/json" } });
    if (answer.ok) refreshTold();
  });
  notice.append(text, link, button);
  return notice;
}

function more(count) {
  const rest = document.createElement("div");
  rest.className = "notice told good";
  const link = document.createElement("a");
  link.href = "/me/signals";
  link.textContent = `${count} more`;
  rest.append(link);
  return rest;
}

async function get(address) {
  const answer = await fetch(address).catch(() => null);
  return answer?.ok ? answer.json() : null;
}

function pause(ms) {
  return new Promise((done) => setTimeout(done, ms));
}
