// The valve part of the job page: fetched anew when an order or the valve's report changed.

import { fragment } from "./shell.js";

const part = document.getElementById("valve");
const job = document.body.dataset.job;
const SOON_MS = 200;
const AGAIN_MS = 60000;
let shown;
let waiting = null;

export function look() {
  clearTimeout(waiting);
  waiting = setTimeout(async () => {
    const button = document.activeElement?.closest?.("[data-valve]")?.dataset.valve;
    await fragment(`/jobs/${job}/valve`, part);
    if (button) part.querySelector(`[data-valve="${button}"] button`)?.focus();
  }, SOON_MS);
}

export function reported(mark) {
  if (shown !== undefined && shown !== mark?.key) look();
  shown = mark?.key;
}

// Ages and the gateway's reach change without an event.
if (part.firstElementChild) setInterval(look, AGAIN_MS);
