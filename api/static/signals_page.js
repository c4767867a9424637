// The page of one's own sounds: follows the stream as every page does, and lets each sound be heard.

import { follow } from "./shell.js";
import { sound } from "./signals.js";

follow({});
const volume = document.getElementById("volume");
document.querySelectorAll("button[data-hear]").forEach((button) => {
  button.hidden = false;
  button.addEventListener("click", () => sound(document.getElementById(button.dataset.hear).value, Number(volume.value)));
});
