// Reading a gauge's label with the camera, where the browser can; else the name is typed.

const LOOK_MS = 250;
const KINDS = ["qr_code", "data_matrix", "code_128"];
const field = document.getElementById("instrument");
const button = document.getElementById("scan");
const camera = document.getElementById("camera");
const note = document.getElementById("scan-note");
let stream = null;

if ("BarcodeDetector" in window && navigator.mediaDevices) button.hidden = false;

function stop(said) {
  stream?.getTracks().forEach((track) => track.stop());
  stream = null;
  camera.hidden = true;
  button.textContent = "Scan";
  note.textContent = said;
}

async function look(detector) {
  if (!stream) return;
  const [found] = await detector.detect(camera).catch(() => []);
  if (found) {
    field.value = found.rawValue;
    stop("Read. Say on which side of the valve it sits.");
  } else {
    setTimeout(() => look(detector), LOOK_MS);
  }
}

button.addEventListener("click", async () => {
  if (stream) { stop(""); return; }
  try {
    stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
    camera.srcObject = stream;
    camera.hidden = false;
    await camera.play();
    button.textContent = "Stop";
    note.textContent = "Hold the label before the camera.";
    look(new window.BarcodeDetector({ formats: KINDS }));
  } catch (error) {
    console.info(String(error));
    stop("The camera cannot be used; type the name.");
  }
});
