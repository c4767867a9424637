// The alert list: cards come from the server, anew whenever an alert changes; what somebody is writing stays.

import { follow, fragment } from "./shell.js";

const lists = document.getElementById("lists");
let waiting = false;
let again = false;

async function refresh() {
  if (waiting) { again = true; return; }
  waiting = true;
  const kept = written();
  await fragment("/alerts/cards", lists);
  restore(kept);
  waiting = false;
  if (again) { again = false; refresh(); }
}

function written() {
  const inputs = [...lists.querySelectorAll("input[name=note], input[name=reason]")];
  return inputs
    .filter((input) => input.value || input === document.activeElement)
    .map((input) => ({ id: input.id, value: input.value, focused: input === document.activeElement, at: input.selectionStart }));
}

function restore(kept) {
  kept.forEach(({ id, value, focused, at }) => {
    const input = document.getElementById(id);
    if (!input) return;
    input.value = value;
    input.closest("details")?.setAttribute("open", "");
    if (focused) { input.focus(); input.setSelectionRange(at, at); }
  });
}

lists.addEventListener("submit", async (event) => {
  const form = event.target;
  if (!form.querySelector("input[name=note]")) return;
  event.preventDefault();
  const button = form.querySelector("button");
  button.disabled = true;
  const path = form.getAttribute("action").replace("/note", "/notes");
  const input = form.querySelector("input[name=note]");
  const answer = await fetch(`/api/v1${path}`, {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify({ note: input.value }),
  }).catch(() => null);
  button.disabled = false;
  if (answer?.ok) {
    input.value = "";
    await refresh();
    document.getElementById(form.closest("article").id)?.focus();
    return;
  }
  const problem = answer ? await answer.json().catch(() => ({})) : {};
  say(form, problem.detail ?? "Holdfast does not answer; what you wrote is still here. Try again.");
});

function say(form, text) {
  let place = form.parentElement.querySelector(".message");
  if (!place) {
    place = document.createElement("p");
    place.className = "message";
    place.setAttribute("role", "alert");
    form.after(place);
  }
  place.textContent = text;
}

let begun = false;
follow({
  // The cards on the page are from before the stream began: look once more.
  again() { if (begun) refresh(); begun = true; },
  alert(alert) {
    const card = document.getElementById(`alert-${alert.id}`);
    const known = card?.dataset.updated;
    if (known !== alert.updated_at || card?.dataset.state !== alert.state) refresh();
  },
});
