"""Database or broker away for minutes under load: ``make bench-outage`` (``ARGS="--minutes 1"`` for less).

The stage, gateways, ledger and comparison are those of the ledger test (`bench.chaos`). Gateways go on
measuring; two thirds of them keep each pack until its receipt and send it again and again, a third forgets
it at the broker's PUBACK. What is measured: the ingest's memory before, while and after; how long after the
return it takes until every pack made before it has its promise; and that nothing is lost or doubled.
"""

from __future__ import annotations

import argparse
import asyncio
import logging
import random
import secrets
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path

from bench import report
from bench.backlog import resident_mb
from bench.chaos.checker import Verdict
from bench.chaos.faults import Stuck, World
from bench.chaos.ledger import Ledger
from bench.chaos.run import Options, make_gateways, rest, settled
from bench.chaos.stage import Stage
from bench.chaos.watch import Moment
from bench.report import Measure, below

BEFORE_S, SAMPLE_S, TELL_S = 10.0, 1.0, 60.0
MEMORY_MB = 250.0
GROWTH = 1.1
"""Memory in the second half of an outage over that of its second quarter: more is growth without end."""
CATCH_UP_S = 900.0


@dataclass(slots=True)
class Away:
    """One outage; memory in MB, once a second."""

    what: str
    before_mb: list[float] = field(default_factory=list)
    away_mb: list[float] = field(default_factory=list)
    after_mb: list[float] = field(default_factory=list)
    readings: int = 0
    """Made while it lasted."""
    redelivered: int = 0
    """Packs that the broker sent again to the ingest while it lasted."""
    catch_up_s: float = 0.0
    ended_by_itself: list[str] = field(default_factory=list)
    """Last words of the ingest, if it ended."""

    @property
    def growth(self) -> float:
        """See `GROWTH`."""
        quarter, half = len(self.away_mb) // 4, len(self.away_mb) // 2
        return max(self.away_mb[half:]) / max(self.away_mb[quarter:half] or self.away_mb)

    def told(self) -> dict[str, object]:
        """For the results file."""
        parts = {"before": self.before_mb, "away": self.away_mb, "after": self.after_mb}
        return {
            "readings made": self.readings,
            "packs that the broker sent again": self.redelivered,
            "ingest ended by itself": self.ended_by_itself,
            "resident MB at most": {name: round(max(part or [0]), 1) for name, part in parts.items()},
        }


async def outage(
    world: World, what: str, take: Callable[[], None], back: Callable[[], Awaitable[None]],
    minutes: float, say: Callable[[str], None],
) -> Away:  # fmt: skip
    """Take a part away for so long, give it back, and wait until all of that time has its promise."""
    stage, away = world.stage, Away(what)

    async def sample(into: list[float], seconds: float, done: Callable[[], bool] = lambda: False) -> None:
        ends_s = time.monotonic() + seconds
        while time.monotonic() < ends_s and not done():
            if said := await stage.restart_ingest_if_dead():
                away.ended_by_itself.append(said)
            into.append(resident_mb(stage.ingest_pid))
            if len(into) % TELL_S == 0:
                say(f"{what}: {len(into)} s, {into[-1]:.0f} MB, {world.ledger.made:,} readings")
            await asyncio.sleep(SAMPLE_S)

    await sample(away.before_mb, BEFORE_S)
    made, again = world.ledger.made, stage.ingest_to_broker.seen[Moment.AGAIN]
    take()
    await sample(away.away_mb, 60 * minutes)
    away.readings = world.ledger.made - made
    away.redelivered = stage.ingest_to_broker.seen[Moment.AGAIN] - again
    await back()
    returned_s = time.monotonic()

    def caught_up() -> bool:
        return min(gateway.oldest_waiting_s for gateway in world.gateways) > returned_s

    await sample(away.after_mb, CATCH_UP_S, caught_up)
    away.catch_up_s = time.monotonic() - returned_s
    say(f"{what}: caught up in {away.catch_up_s:.1f} s")
    if not caught_up():
        raise Stuck(f"{what}: gateways still wait for promises {CATCH_UP_S:.0f} s after its return.")
    return away


async def run(
    options: Options, minutes: float, folder: Path, say: Callable[[str], None]
) -> tuple[list[Away], Verdict, Ledger]:
    """Both outages, one after the other, and the comparison at rest."""
    rng = random.Random(options.seed)
    names = [f"away-{n + 1}" for n in range(options.gateways)]
    ledger = Ledger()
    stage = Stage(folder, options.broker, names, options.ingest, durable=True, limited=False)
    try:
        await stage.start()
        await stage.start_ingests()
        await stage.listens()
        world = World(stage, ledger, make_gateways(options, stage, ledger, rng), rng)
        world.lives = [asyncio.create_task(gateway.live()) for gateway in world.gateways]
        await world.recover()
        every = [
            await outage(
                world, "database away", stage.kill_postgres, stage.restart_postgres, minutes, say
            ),
            await outage(world, "broker away", stage.kill_broker, stage.restart_broker, minutes, say),
        ]  # fmt: skip
        await rest(world)
        for life in world.lives:
            life.cancel()
        return every, await settled(world), ledger
    finally:
        await stage.stop()


def measures(every: list[Away], verdict: Verdict, broker: str) -> dict[str, Measure]:
    """The table."""
    table: dict[str, Measure] = {}
    for away in every:
        most = max(away.away_mb + away.after_mb)
        table[f"{away.what}: resident memory of ingest at most"] = below(most, "MB", MEMORY_MB)
        table[f"{away.what}: its second half over its second quarter"] = below(away.growth, "", GROWTH)
        table[f"{away.what}: caught up after"] = Measure(round(away.catch_up_s, 1), "s", "told", True)
        died = len(away.ended_by_itself)
        table[f"{away.what}: ingest ended"] = Measure(died, "", "0", died == 0)
    for name, count in verdict.faults.items():
        promised = name != "lost_acknowledged" or broker == "nats"
        target = "0" if promised else "not promised"
        table[name.replace("_", " ")] = Measure(count, "", target, count == 0 or not promised)
    return table


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=10.0, help="of each outage")
    parser.add_argument("--seed", type=int, default=secrets.randbelow(2**32))
    parser.add_argument("--gateways", type=int, default=24)
    parser.add_argument("--rate", type=float, default=1000, help="readings a second")
    parser.add_argument("--size", type=int, default=20, help="readings in a pack")
    parser.add_argument("--broker", choices=("nats", "mosquitto"), default="nats")
    given = parser.parse_args()
    options = Options(
        given.seed, gateways=given.gateways, rate=given.rate, size=given.size, broker=given.broker
    )
    print(f"seed {options.seed}", file=sys.stderr)
    began_s = time.monotonic()

    def say(text: str) -> None:
        print(f"{time.monotonic() - began_s:6.1f} s  {text}", file=sys.stderr, flush=True)

    logging.getLogger("asyncio").setLevel(logging.ERROR)  # it warns of every write to what was cut
    with tempfile.TemporaryDirectory(prefix="holdfast-bench-") as folder:
        Path(folder).chmod(0o755)
        every, verdict, ledger = asyncio.run(run(options, given.minutes, Path(folder), say))
    done = report.write(
        "outage" if options.broker == "nats" else f"outage-{options.broker}",
        measures(every, verdict, options.broker),
        minutes=given.minutes, seed=given.seed, gateways=given.gateways, rate=given.rate, size=given.size,
        readings=ledger.made, promises=dict(sorted(ledger.count().items())), verdict=asdict(verdict),
        **{away.what: away.told() for away in every},
    )  # fmt: skip
    sys.exit(not done)


if __name__ == "__main__":
    main()
