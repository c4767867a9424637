// A travel test: what the valve reports and the next step go on by themselves.

import { follow } from "./shell.js";

const ANEW_MS = 5000;
const TICKET = "input[name=decided_on]";

async function anew() {
  if (document.hidden) return;
  const answer = await fetch(location.href, { headers: { Accept: "text/html" } }).catch(() => null);
  if (!answer?.ok || answer.redirected) return;
  const part = document.getElementById("travel");
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("travel");
  const [old, now] = [part, fresh].map((item) => item.querySelector(TICKET));
  // A page that is open counts for two minutes from its last look; what is under a finger stays there.
  if (old && now) old.setAttribute("value", now.value);
  for (const id of ["step", "last"]) {
    const [before, after] = [part, fresh].map((item) => item.querySelector(`#${id}`));
    if (before.outerHTML !== after.outerHTML) before.replaceWith(after);
  }
}

setInterval(anew, ANEW_MS);
follow({
  event: anew,
  contact(is) {
    document.getElementById("step").hidden = is;
    if (!is) anew();
  },
});
