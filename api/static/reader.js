// On every page: tells the server where its reader is, shows a figure in full when it is tapped, and has the worker
// installed, once the page itself is there.

const zone = Intl.DateTimeFormat().resolvedOptions().timeZone;
if (zone) document.cookie = `holdfast_zone=${encodeURIComponent(zone)}; path=/; max-age=31536000; samesite=lax`;

// From the step to the stored value, and back.
export function turn(figure) {
  const shown = figure.textContent;
  figure.textContent = figure.dataset.other ?? figure.title;
  figure.dataset.other = shown;
  figure.classList.toggle("full");
}

document.addEventListener("click", (event) => {
  const figure = event.target.closest?.("data.fig");
  if (figure) turn(figure);
});

const install = () => navigator.serviceWorker?.register("/worker.js").catch((error) => console.info(String(error)));
if (document.readyState === "complete") install();
else window.addEventListener("load", install);
