"""A run from beginning to end: start, load, faults, rest, comparison."""

from __future__ import annotations

import asyncio
import random
import statistics
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

from bench.chaos import faults
from bench.chaos.checker import Verdict, check
from bench.chaos.faults import POINTS, Fault, World
from bench.chaos.gateways import Gateway, Login
from bench.chaos.ledger import Ledger
from bench.chaos.stage import ACK_WAIT_S, Stage
from bench.chaos.watch import Moment
from store.slots import LEASE_S

PATIENCE_S = 300.0
QUIET_S = 2 * ACK_WAIT_S + 1
"""After so long without a batch the broker has nothing more to send."""
TOP_UP = 3
"""How many times the missing hits are tried again."""


@dataclass(frozen=True, slots=True)
class Options:
    """How long and how hard.

    Parameters
    ----------
    faults, hits, readings : int
        How many faults at least, at how many of them each named point is hit, and how many readings are made.
    rate : float
        Readings a second of all gateways.
    size : int
        Readings in a pack.
    only : tuple of str
        Names of the faults, if not all; they come in turn.
    ingest : tuple of str
        Arguments of Python that run the ingest.
    ingests : int
        How many of them share the load.
    """

    seed: int
    faults: int = 240
    hits: int = 22
    readings: int = 500_000
    gateways: int = 24
    rate: float = 1200.0
    size: int = 10
    broker: str = "nats"
    durable: bool = True
    only: tuple[str, ...] = ()
    ingest: tuple[str, ...] = ("-m", "ops.child", "ingest")
    ingests: int = 1


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a run gave."""

    options: Options
    verdict: Verdict
    world: World
    took_s: float
    stuck: str
    """Why it did not come to rest; empty if it did."""

    @property
    def good(self) -> bool:
        """Whether nothing was lost, doubled, invented or said too early."""
        verdict = self.verdict.good(broker_keeps=self.broker_keeps)
        return not self.stuck and verdict and not self.world.tally.ahead

    @property
    def broker_keeps(self) -> bool:
        """Whether a PUBACK is a promise: Mosquitto saves every five seconds, so that a kill costs it some."""
        kills = ("kill broker", "kill all three")
        return self.options.broker == "nats" or not any(
            name.endswith(kills) for name in self.world.tally.faults
        )

    def details(self) -> dict[str, object]:
        """All of it, for a file."""
        tally, stage, ledger = self.world.tally, self.world.stage, self.world.ledger
        return {
            "options": asdict(self.options),
            "took_s": round(self.took_s),
            "stuck": self.stuck,
            "verdict": asdict(self.verdict),
            "promises": dict(sorted(ledger.count().items())),
            "unknown": {
                "sendings without the broker's word": ledger.acknowledgements_lost,
                "commits without PostgreSQL's word": stage.ingest_to_database.unknown_commits,
                "packs without any word: stored": self.verdict.unknown_stored,
                "packs without any word: not stored": self.verdict.unknown_absent,
            },
            "points": {
                name: {
                    "hits under load": len(hits),
                    "readings on their way": [min(hits, default=0), round(statistics.median(hits or [0]))],
                    "hits without load": tally.idle_hits[name],
                }
                for name in POINTS
                for hits in (tally.hits.get(name, []),)
            },
            "faults": dict(sorted(tally.faults.items())),
            "did not come about": dict(tally.missed),
            "said too early": tally.ahead,
            "looked at whether said too early": tally.judged,
            "receipts": ledger.receipts,
            "redelivered to ingest": stage.ingest_to_broker.seen[Moment.AGAIN],
            "ingest ended by itself": tally.ended_by_itself,
            "recovery_s": {
                "median": round(statistics.median(tally.recoveries_s or [0]), 2),
                "longest": round(max(tally.recoveries_s, default=0), 2),
            },
        }


async def run(options: Options, folder: Path, say: Callable[[str], None] = lambda _: None) -> Outcome:
    """Start everything in a folder, break it as planned, and compare at rest."""
    began_s = time.monotonic()
    rng = random.Random(options.seed)
    names = [f"chaos-{n + 1}" for n in range(options.gateways)]
    stage = Stage(
        folder, options.broker, names, options.ingest, durable=options.durable, ingests=options.ingests
    )
    ledger = Ledger()
    try:
        await stage.start()
        await stage.start_ingests()
        await stage.listens()
        world = World(stage, ledger, make_gateways(options, stage, ledger, rng), rng)
        world.lives = [asyncio.create_task(gateway.live()) for gateway in world.gateways]
        stuck = ""
        try:
            await world.recover()
            await _break(world, options, say)
        except faults.Stuck as error:
            stuck = str(error)
        try:
            await rest(world)
        except faults.Stuck as error:
            stuck = stuck or str(error)
        for life in world.lives:
            life.cancel()
        verdict = await settled(world)
        return Outcome(options, verdict, world, time.monotonic() - began_s, stuck)
    finally:
        await stage.stop()


def make_gateways(options: Options, stage: Stage, ledger: Ledger, rng: random.Random) -> list[Gateway]:
    interval_s = 2 * options.gateways * options.size / options.rate
    return [
        Gateway(
            Login(lambda: stage.to_broker.port, name, word), ledger, random.Random(rng.getrandbits(32)),
            by_receipt=number % 3 > 0, has_clock=number % 4 > 0, interval_s=interval_s, size=options.size,
        )
        for number, (name, word) in enumerate(list(stage.passwords.items())[1:])
    ]  # fmt: skip


async def _break(world: World, options: Options, say: Callable[[str], None]) -> None:
    """Do what is planned, try again what did not come about, and go on until there are enough readings."""
    if options.only:
        todo = faults.named(options.only, options.faults)
    else:
        todo = faults.plan(world.rng, options.faults, options.hits)
    for turn in range(1 + TOP_UP):
        for number, fault in enumerate(todo):
            say(f"{turn}.{number + 1}/{len(todo)} {fault.name}; {world.ledger.made:,} readings")
            await faults.do(world, fault)
        todo = [] if options.only else _missing(world, options)
    while world.ledger.made < options.readings:
        fault = world.rng.choice(faults.named(options.only, len(options.only)) or faults.ANY_TIME)
        say(f"more: {fault.name}; {world.ledger.made:,} readings")
        await faults.do(world, fault)


def _missing(world: World, options: Options) -> list[Fault]:
    return [
        faults.at(name, world.rng.choice(point.actions))
        for name, point in POINTS.items()
        for _ in range(options.hits - world.tally.under_load(name))
    ]


async def rest(world: World) -> None:
    """No more readings; wait until every gateway has the promises that it waits for."""
    for gateway in world.gateways:
        gateway.producing = False
    ends_s = time.monotonic() + PATIENCE_S
    while not all(gateway.idle for gateway in world.gateways):
        if time.monotonic() > ends_s:
            raise faults.Stuck(f"Gateways still wait for promises after {PATIENCE_S:.0f} s of rest.")
        await world.stage.restart_ingest_if_dead()
        await asyncio.sleep(0.1)


async def settled(world: World) -> Verdict:
    """The comparison, once nothing is wrong or the broker has nothing more to send."""
    stage = world.stage

    def batches() -> int:
        return stage.ingest_to_database.seen[Moment.COPY]

    seen, since_s = batches(), time.monotonic()
    ends_s = since_s + PATIENCE_S
    while True:
        verdict = await stage.do(lambda: check(stage.dsn, world.ledger))
        now_s = time.monotonic()
        if batches() != seen:
            seen, since_s = batches(), now_s
        # What a killed one had is sent to another when its lease is over.
        quiet_s = QUIET_S if stage.ingests == 1 else QUIET_S + 2 * LEASE_S
        if verdict.good() or now_s - since_s > quiet_s or now_s > ends_s:
            return verdict
        await asyncio.sleep(0.5)
