"""What more processes bring: ``make bench-scale`` (``ARGS="--rounds 3"`` for fewer).

Ingest with one and two processes at Mosquitto, analytics with one, two and four, each on an embedded
PostgreSQL of its own that is durable. Processor time stands beside the time that passed: on few cores more
processes cannot bring more, and the first tells what they would cost on more cores.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

from bench import scale_ingest, scale_judge
from bench.report import Measure, write


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--packs", type=int, default=10_000, help="of twenty readings, in a backlog")
    parser.add_argument("--small-packs", type=int, default=40_000, help="of one reading, in a backlog")
    parser.add_argument("--gauges", type=int, default=500)
    parser.add_argument("--series", type=int, default=500, help="holds that are judged")
    options = parser.parse_args()
    load = round(os.getloadavg()[0], 2)
    table: dict[str, Measure] = {}
    more: dict[str, object] = {"load_before": load}
    with tempfile.TemporaryDirectory(prefix="holdfast-bench-") as name:
        Path(name).chmod(0o755)
        for size, packs in ((1, options.small_packs), (20, options.packs)):
            folder = Path(name) / f"ingest-{size}"
            folder.mkdir()
            found = scale_ingest.measure(folder, options.rounds, packs, size, options.gauges)
            table |= scale_ingest.measures(found, size)
            more[f"ingest, packs of {size}"] = found
        judged = scale_judge.measure(Path(name) / "judge", options.series, options.rounds)
        table |= scale_judge.measures(judged)
        more["analytics"] = judged
    sys.exit(0 if write("scale", table, **more) else 1)


if __name__ == "__main__":
    main()
