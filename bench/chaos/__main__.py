"""``python -m bench.chaos``: the ledger test; ends with 1 if anything is not as promised."""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import secrets
import sys
import tempfile
import time
from pathlib import Path

from bench import report
from bench.chaos.faults import POINTS
from bench.chaos.mutants import MUTANTS
from bench.chaos.run import Options, Outcome, run
from bench.chaos.stage import own_mounts
from bench.report import Measure

FAULTS_AT_LEAST = 200
READINGS_AT_LEAST = 500_000
HITS_AT_LEAST = 20


def main() -> None:
    """Read the arguments, run, report."""
    parser = argparse.ArgumentParser(prog="bench.chaos", description=__doc__)
    parser.add_argument("--seed", type=int, default=secrets.randbelow(2**32))
    parser.add_argument("--faults", type=int, default=240, help="how many at least")
    parser.add_argument("--hits", type=int, default=22, help="at each named point")
    parser.add_argument(
        "--readings", type=int, default=READINGS_AT_LEAST, help="go on until so many are made"
    )
    parser.add_argument("--gateways", type=int, default=24)
    parser.add_argument("--rate", type=float, default=1200, help="readings a second")
    parser.add_argument("--size", type=int, default=10, help="readings in a pack")
    parser.add_argument("--broker", choices=("nats", "mosquitto"), default="nats")
    parser.add_argument(
        "--only", action="append", default=[], help="only faults of this name; more than once"
    )
    parser.add_argument("--ingests", type=int, default=1, help="processes; several only with mosquitto")
    parser.add_argument("--mutant", choices=sorted(MUTANTS), help="an ingest with a fault that must be found")
    parser.add_argument("--fast", action="store_true", help="PostgreSQL without fsync")
    parser.add_argument("--json", action="store_true", help="print all and record nothing")
    given = parser.parse_args()
    if given.ingests > 1 and given.broker != "mosquitto":
        parser.error("several ingests need --broker mosquitto")
    ingest = ("-m", "bench.chaos.mutants", given.mutant) if given.mutant else ("-m", "ops.child", "ingest")
    options = Options(
        given.seed, given.faults, given.hits, given.readings, given.gateways, given.rate, given.size,
        given.broker, not given.fast, tuple(given.only), ingest, given.ingests,
    )  # fmt: skip
    print(f"seed {options.seed}", file=sys.stderr)
    began_s = time.monotonic()

    def say(text: str) -> None:
        print(f"{time.monotonic() - began_s:6.1f} s  {text}", file=sys.stderr, flush=True)

    own_mounts()
    logging.getLogger("asyncio").setLevel(logging.ERROR)  # it warns of every write to what was cut
    with tempfile.TemporaryDirectory(prefix="holdfast-chaos-") as folder:
        Path(folder).chmod(0o755)
        outcome = asyncio.run(run(options, Path(folder), say))
    if given.json:
        print(json.dumps({"good": outcome.good, **outcome.details()}))
    else:
        name = "chaos" if options.broker == "nats" else f"chaos-{options.broker}"
        name += f"-{options.ingests}" if options.ingests > 1 else ""
        report.write(name, measures(outcome), **outcome.details())
    sys.exit(not outcome.good)


def measures(outcome: Outcome) -> dict[str, Measure]:
    """The table."""
    tally, verdict = outcome.world.tally, outcome.verdict
    table = {
        "faults": at_least(tally.faults.total(), FAULTS_AT_LEAST),
        "readings": at_least(outcome.world.ledger.made, READINGS_AT_LEAST),
        **{f"hit under load: {name}": at_least(tally.under_load(name), HITS_AT_LEAST) for name in POINTS},
        "said before it was stored": none(len(tally.ahead)),
    }
    for name, count in verdict.faults.items():
        promised = name != "lost_acknowledged" or outcome.broker_keeps
        table[name.replace("_", " ")] = none(count) if promised else Measure(count, "", "not promised", True)
    return table


def at_least(count: int, least: int) -> Measure:
    """A count that should be reached."""
    return Measure(count, "", f">= {least}", count >= least)


def none(count: int) -> Measure:
    """A count that must be zero."""
    return Measure(count, "", "0", count == 0)


if __name__ == "__main__":
    main()
