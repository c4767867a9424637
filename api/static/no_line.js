// The page that stands in for one that could not be fetched: says since when, and goes on when the line is back.

const AGAIN_MS = 4000;
const since = document.getElementById("since");
since.textContent = new Date().toLocaleTimeString();

async function again() {
  const answer = await fetch("/healthz", { cache: "no-store" }).catch(() => null);
  if (!answer?.ok) return;
  // What was sent by a form has no page of its own to go back to.
  const page = await fetch(location.href).catch(() => null);
  if (page) location.replace(page.ok ? location.href : "/jobs");
}

document.getElementById("again").addEventListener("click", again);
window.addEventListener("online", again);
setInterval(again, AGAIN_MS);
