"""What is done to the parts: at named points of a batch's life, and at any time."""

from __future__ import annotations

import asyncio
import random
import time
from collections import Counter
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from bench.chaos import checker
from bench.chaos.gateways import Gateway
from bench.chaos.ledger import Ledger
from bench.chaos.proxy import Pipe, Proxy, Trap
from bench.chaos.stage import ACK_WAIT_S, Stage
from bench.chaos.watch import Moment, Seen
from model.errors import HoldfastError

TRAP_S = 30.0
RECOVERY_S = 180.0
SLOW_S = 0.03
LOAD = 50
"""Readings on their way to a promise below which a hit does not count as one under load."""


class Stuck(HoldfastError):
    """It did not come back."""


@dataclass(slots=True)
class Tally:
    """What was done and seen."""

    faults: Counter[str] = field(default_factory=Counter)
    hits: dict[str, list[int]] = field(default_factory=dict)
    """By named point the readings that were on their way at each hit."""
    idle_hits: Counter[str] = field(default_factory=Counter)
    """Hits with less than `LOAD`, which do not count."""
    missed: Counter[str] = field(default_factory=Counter)
    """Faults that did not come about."""
    ahead: list[str] = field(default_factory=list)
    """Acknowledgements and receipts that were on their way before their packs were in the store."""
    judged: int = 0
    """How many were looked at for that."""
    ended_by_itself: list[str] = field(default_factory=list)
    """Last words of each ingest that ended without being killed."""
    recoveries_s: list[float] = field(default_factory=list)

    def under_load(self, point: str) -> int:
        """How often a named point was hit while enough was on its way."""
        return len(self.hits.get(point, ()))


@dataclass(slots=True)
class World:
    """What a fault may touch."""

    stage: Stage
    ledger: Ledger
    gateways: Sequence[Gateway]
    rng: random.Random
    lives: Sequence[asyncio.Task[None]] = ()
    tally: Tally = field(default_factory=Tally)

    async def pause(self, shortest_s: float, longest_s: float) -> None:
        """Let it last."""
        await asyncio.sleep(self.rng.uniform(shortest_s, longest_s))

    async def recover(self) -> None:
        """Wait until a pack that is made from now on has its receipt."""
        began_s = time.monotonic()
        while self.ledger.newest_receipted_s <= began_s:
            for life in self.lives:
                if life.done():
                    life.result()
            if said := await self.stage.restart_ingest_if_dead():
                self.tally.ended_by_itself.append(said)
            if time.monotonic() - began_s > RECOVERY_S:
                raise Stuck(f"No receipt for a new pack within {RECOVERY_S:.0f} s after the last fault.")
            await asyncio.sleep(0.05)
        self.tally.recoveries_s.append(time.monotonic() - began_s)


@dataclass(frozen=True, slots=True)
class Fault:
    """Something to do; `act` says whether it came about."""

    name: str
    act: Callable[[World], Awaitable[bool]]
    point: str = ""


async def do(world: World, fault: Fault) -> None:
    """One fault, and the recovery."""
    if await fault.act(world):
        world.tally.faults[fault.name] += 1
    else:
        world.tally.missed[fault.name] += 1
    await world.recover()


# At a named point -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Point:
    """A message to wait for, whether it still arrives, and who may die at it."""

    moment: Moment
    let_through: bool
    actions: tuple[str, ...]

    def proxy(self, stage: Stage) -> Proxy:
        """Where the message passes."""
        database = self.moment in (Moment.COPY, Moment.COMMIT, Moment.COMMITTED)
        return stage.ingest_to_database if database else stage.ingest_to_broker


_DATABASE, _BROKER = ("kill ingest", "kill PostgreSQL", "cut"), ("kill ingest", "kill broker", "cut")
POINTS = {
    "before COPY": Point(Moment.COPY, False, _DATABASE),
    "COMMIT sent": Point(Moment.COMMIT, True, _DATABASE),
    "reply lost": Point(Moment.COMMITTED, False, _DATABASE),
    "before acknowledge": Point(Moment.ACKNOWLEDGE, False, _BROKER),
    "before receipt": Point(Moment.RECEIPT, False, _BROKER),
    "during redelivery": Point(Moment.AGAIN, False, (*_BROKER, "kill PostgreSQL")),
}


def at(name: str, action: str) -> Fault:
    """A fault at a named point."""

    async def act(world: World) -> bool:
        caught = await _wait(world, name)
        if caught is None:
            return False
        moving = world.ledger.moving
        if moving >= LOAD:
            world.tally.hits.setdefault(name, []).append(moving)
        else:
            world.tally.idle_hits[name] += 1
        await _strike(world, action, *caught)
        return True

    return Fault(f"{name}: {action}", act, name)


async def _wait(world: World, name: str) -> tuple[Pipe, Seen] | None:
    """Let the next such message spring the trap."""
    stage, point = world.stage, POINTS[name]
    proxy = point.proxy(stage)
    trap = proxy.trap = Trap(point.moment, point.let_through)
    stalled = False
    if point.moment in (Moment.ACKNOWLEDGE, Moment.RECEIPT):
        # What is said before the commit is then for certain seen before it.
        stage.ingest_to_database.delay_s = SLOW_S
    if point.moment is Moment.AGAIN:
        # The broker sends again on a new connection, and nats-server also what nobody acknowledged in time.
        stalled = stage.broker_kind == "nats" and world.rng.random() < 0.5
        if stalled:
            stage.ingest_to_database.swallow(True)
        else:
            await world.pause(0.0, 0.2)
            stage.ingest_to_broker.reset()
    try:
        return await asyncio.wait_for(trap.hit, TRAP_S)
    except TimeoutError:
        proxy.trap = None
        return None
    finally:
        stage.ingest_to_database.delay_s = 0.0
        if stalled:
            stage.ingest_to_database.reset()
            stage.ingest_to_database.swallow(False)


async def _strike(world: World, action: str, pipe: Pipe, seen: Seen) -> None:
    """Do it while the message hangs in the proxy; then look whether the message told the truth."""
    stage = world.stage
    if action == "kill ingest":
        stage.kill_ingest(pipe.door)
    elif action == "kill broker":
        stage.kill_broker()
    elif action == "kill PostgreSQL":
        stage.kill_postgres()
    pipe.reset()
    if seen.message is not None and seen.moment is not Moment.AGAIN:
        message = seen.message
        late = await stage.do(lambda: checker.ahead(stage.dsn, world.ledger, message))
        world.tally.judged += 1
        if late:
            world.tally.ahead.append(f"{seen.moment.value} on {message.topic}: {late} packs")
    await world.pause(0.0, 0.8)
    await _raise_up(world, action)


async def _raise_up(world: World, action: str) -> None:
    if action == "kill ingest":
        await world.stage.restart_ingest_if_dead()
    elif action == "kill broker":
        await world.stage.restart_broker()
    elif action == "kill PostgreSQL":
        await world.stage.restart_postgres()


# At any time ----------------------------------------------------------------------------------------


async def kill_ingest(world: World) -> bool:
    world.stage.kill_ingest(world.rng.randrange(world.stage.ingests))
    await world.pause(0.0, 1.0)
    await world.stage.restart_ingest_if_dead()
    return True


async def kill_broker(world: World) -> bool:
    world.stage.kill_broker()
    await world.pause(0.0, 1.0)
    await world.stage.restart_broker()
    return True


async def kill_postgres(world: World) -> bool:
    world.stage.kill_postgres()
    await world.pause(0.0, 1.0)
    await world.stage.restart_postgres()
    return True


async def kill_backend(world: World) -> bool:
    return bool(await world.stage.kill_backend())


async def kill_all(world: World) -> bool:
    stage = world.stage
    for number in range(stage.ingests):
        stage.kill_ingest(number)
    stage.kill_broker()
    stage.kill_postgres()
    for up in world.rng.sample([stage.restart_broker, stage.restart_postgres], 2):
        await up()
    await stage.restart_ingest_if_dead()
    return True


def _link(world: World, number: int) -> Proxy:
    return world.stage.proxies[number]


def reset(number: int) -> Callable[[World], Awaitable[bool]]:
    async def act(world: World) -> bool:
        there = bool(_link(world, number).pipes)
        _link(world, number).reset()
        return there

    return act


def black_hole(number: int) -> Callable[[World], Awaitable[bool]]:
    async def act(world: World) -> bool:
        link = _link(world, number)
        link.swallow(True)
        await world.pause(0.5, 1.5 * ACK_WAIT_S)
        if world.rng.random() < 0.5:
            link.reset()
        link.swallow(False)
        return True

    return act


def forget(number: int) -> Callable[[World], Awaitable[bool]]:
    """Every connection that stands is dead for good, and nobody is told; new ones work."""

    async def act(world: World) -> bool:
        dead = list(_link(world, number).pipes)
        for pipe in dead:
            pipe.frozen = True
        await world.recover()
        for pipe in dead:
            pipe.reset()
        return bool(dead)

    return act


def half_close(number: int) -> Callable[[World], Awaitable[bool]]:
    async def act(world: World) -> bool:
        pipes = list(_link(world, number).pipes)
        for pipe in pipes:
            pipe.half_close(world.rng.random() < 0.5)
        await world.pause(0.2, 1.5)
        for pipe in pipes:
            pipe.reset()
        return bool(pipes)

    return act


def delay(number: int) -> Callable[[World], Awaitable[bool]]:
    async def act(world: World) -> bool:
        link = _link(world, number)
        link.delay_s = world.rng.uniform(0.05, 0.4)
        await world.pause(0.5, 2.0)
        link.delay_s = 0.0
        return True

    return act


async def refuse(world: World) -> bool:
    """PostgreSQL takes no connections to our database, not even its superuser's."""
    stage = world.stage
    await stage.ask("ALTER DATABASE holdfast ALLOW_CONNECTIONS false", "postgres")
    ended = await stage.ask(
        "SELECT pg_terminate_backend(pid)::int FROM pg_stat_activity WHERE datname = 'holdfast'", "postgres"
    )
    await world.pause(0.5, 2.5)
    await stage.ask("ALTER DATABASE holdfast ALLOW_CONNECTIONS true", "postgres")
    return bool(ended)


async def fill(world: World) -> bool:
    """The file system of the tables is full until the ingest has said so."""
    stage = world.stage
    if stage.space is None:
        return False
    before = _said(stage.log, b"No space left")
    await stage.fill_space(True)
    try:
        for _ in range(100):
            await asyncio.sleep(0.1)
            if _said(stage.log, b"No space left") > before:
                return True
        return False
    finally:
        await stage.fill_space(False)


def _said(log: Path, words: bytes) -> int:
    return log.read_bytes().count(words)


def reboot(*, keeps_spool: bool) -> Callable[[World], Awaitable[bool]]:
    async def act(world: World) -> bool:
        # On a silent network, so that much is on its way whose outcome they will not know.
        world.stage.to_broker.swallow(True)
        await world.pause(0.2, 0.8)
        for gateway in world.rng.sample(list(world.gateways), max(1, len(world.gateways) // 3)):
            gateway.reboot(keeps_spool=keeps_spool)
        if world.rng.random() < 0.5:
            world.stage.to_broker.reset()
        world.stage.to_broker.swallow(False)
        return True

    return act


LINKS = ("gateways–broker", "ingest–broker", "ingest–database")
ANY_TIME = (
    Fault("kill ingest", kill_ingest),
    Fault("kill broker", kill_broker),
    Fault("kill PostgreSQL", kill_postgres),
    Fault("kill a backend", kill_backend),
    Fault("kill all three", kill_all),
    *(Fault(f"reset {name}", reset(n)) for n, name in enumerate(LINKS)),
    *(Fault(f"black hole {name}", black_hole(n)) for n, name in enumerate(LINKS)),
    *(Fault(f"half-close {name}", half_close(n)) for n, name in enumerate(LINKS)),
    *(Fault(f"delay {name}", delay(n)) for n, name in enumerate(LINKS)),
    Fault("PostgreSQL refuses", refuse),
    Fault("PostgreSQL is full", fill),
    Fault("gateways start anew with their spool", reboot(keeps_spool=True)),
    Fault("gateways start anew without it", reboot(keeps_spool=False)),
)
LONG = tuple(Fault(f"dead {name}", forget(n)) for n, name in enumerate(LINKS))
"""Noticed by time alone, so each takes half a minute: only in a run that is long anyway."""
LONG_FROM = 100


def plan(rng: random.Random, count: int, hits: int) -> list[Fault]:
    """So many faults in random order: each named point ``hits`` times, and the others in turn."""
    chosen = [
        at(name, point.actions[turn % len(point.actions)])
        for name, point in POINTS.items()
        for turn in range(hits)
    ]
    if count >= LONG_FROM:
        chosen += LONG
    rest = max(count - len(chosen), 0)
    others = rng.sample(ANY_TIME, len(ANY_TIME))
    chosen += [others[turn % len(others)] for turn in range(rest)]
    rng.shuffle(chosen)
    return chosen


def named(names: Sequence[str], count: int) -> list[Fault]:
    """So many faults, of these names in turn."""
    every = [at(name, action) for name, point in POINTS.items() for action in point.actions]
    known = {fault.name: fault for fault in (*ANY_TIME, *LONG, *every)}
    return [known[names[turn % len(names)]] for turn in range(count)]
