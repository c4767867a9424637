// The list of jobs: what it shows goes on by itself; which jobs it shows does not change under the hand.

import { follow } from "./shell.js";
import { fields, setMark, setTone, writeFigures } from "./marks.js";
import { setMoment } from "./time.js";

function write(row) {
  document.querySelectorAll(`.glance[data-job="${row.job}"]`).forEach((card) => {
    const field = fields(card);
    setTone(card, row.state.tone);
    setMark(field("state"), row.state);
    writeFigures(card, row);
    field("pressure-box").classList.toggle("old", !row.figure?.live);
    setMoment(field("read").querySelector("time"), row.figure?.time);
  });
}

follow({ rows(rows) { rows.forEach(write); } });
