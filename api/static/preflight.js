// The checks before leaving: a row is written anew only where it says something else, so that nothing jumps.

import { follow } from "./shell.js";

const ANEW_MS = 10000;
const job = document.body.dataset.job;
const part = document.getElementById("preflight");
let lost = false;
let busy = false;

function put(old, fresh) {
  if (old.innerHTML === fresh.innerHTML && old.className === fresh.className) return;
  const held = old.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
  // What says less keeps its room; what says more is made up for by scrolling.
  old.style.minHeight = `${old.offsetHeight}px`;
  old.className = fresh.className;
  old.dataset.state = fresh.dataset.state ?? "";
  old.replaceChildren(...fresh.childNodes);
  if (held) old.querySelector(`a[href="${held}"]`)?.focus({ preventScroll: true });
}

function inSight() {
  const rows = [...part.querySelectorAll("[data-check]")];
  return rows.find((row) => row.getBoundingClientRect().top >= 0) ?? rows.at(-1);
}

async function anew() {
  if (busy || document.hidden) return;
  busy = true;
  try {
    const answer = await fetch(`/jobs/${job}/preflight/now`, { headers: { Accept: "text/html" } });
    if (!answer.ok || answer.redirected) return;
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    const anchor = document.activeElement.closest("[data-check]") ?? inSight();
    const top = anchor.getBoundingClientRect().top;
    put(document.getElementById("ready"), fresh.getElementById("ready"));
    for (const row of fresh.querySelectorAll("[data-check]")) {
      put(part.querySelector(`[data-check="${row.dataset.check}"]`), row);
    }
    scrollBy(0, anchor.getBoundingClientRect().top - top);
  } catch (error) {
    console.warn(String(error));
  } finally {
    busy = false;
  }
}

// The rows see to it themselves.
document.documentElement.style.overflowAnchor = "none";
setInterval(() => { if (!lost) anew(); }, ANEW_MS);
document.addEventListener("visibilitychange", anew);

follow({
  again: anew,
  event: anew,
  contact(is) {
    lost = is;
    document.getElementById("then").hidden = !is;
    document.getElementById("ready").hidden = is;
    if (!is) anew();
  },
});
