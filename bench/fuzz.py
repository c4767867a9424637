"""Hostile inputs against all that ingest decodes: what it raises, how long it takes, what memory it keeps.

``make fuzz``, ``make fuzz ARGS="--inputs 5000000 --seed 7"``; ``ARGS="--seed 7 --replay 12345"`` prints that
input in hexadecimal and reads it once more.

Time is compared with what a valid pack of the same length takes here and now: the dearer of JSON and CBOR, a
fixed part and one for each byte. It is processor time, and the slowest are read again and their least time
counts, so that another process on the machine is not taken for a slow input.
"""

from __future__ import annotations

import argparse
import gc
import heapq
import random
import resource
import sys
import time
import traceback
import tracemalloc
from collections import Counter
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace

from bench.fuzz_inputs import NOW_S, PACKS, Input, Kind, in_cbor, in_json, made
from bench.report import Measure, above, below, write
from ingest import common, outcomes, pack, report, senml, topics
from ingest.inbox import Message
from ingest.interpret import interpret
from ingest.registry import Equipment, Known
from model.errors import Refused

NOW_US = NOW_S * 10**6
INPUTS, TRACED = 1_000_000, 20_000
SLOWEST_KEPT = 20
LIMIT_RATIO = 5.0
"""How many times a valid pack of the same length an input may take."""
LIMIT_GROWTH_MIB, LIMIT_KEPT_KIB, LIMIT_PEAK_MIB = 16.0, 64.0, 16.0
HEX_AT_MOST = 400

EQUIPMENT = Equipment(
    {"g1": 1}, {"g1/i1": Known(1, "i1", "g1", pack.pressure_units("micron"))}, frozenset({"g9"})
)
TOPICS: Mapping[Kind, str] = {
    Kind.JSON: "hf/1/g1/i1/data",
    Kind.CBOR: "hf/1/g1/i1/late",
    Kind.PRESENCE: "hf/1/g1/presence",
    Kind.OUTCOME: "hf/1/g1/i1/outcome",
}


class Wrong(Exception):
    """What came out of a decoder must not."""


def read(given: Input) -> str:
    """Read an input as the process does, and by its decoder alone; says how it was taken.

    Raises
    ------
    Exception
        Whatever a decoder raises beside `Refused`; `Wrong` if something came out that cannot be stored.
    """
    if given.kind is Kind.TOPIC:
        message = Message(given.payload.decode("utf-8", "replace"), b"[]", NOW_US)
        with suppress(Refused):
            topics.parse(message.topic)
    else:
        message = Message(TOPICS[given.kind], given.payload, NOW_US)
    item = interpret(message, EQUIPMENT)
    for refusal in item.refusals():
        for text in (refusal.topic, refusal.message, refusal.gateway or ""):
            _check_text(text, 600)
        if not refusal.digest:
            raise Wrong("a refusal without a digest")
    if item.pack is not None:
        _check_pack(item.pack)
    if item.report is not None:
        report.fold(None, item.report, NOW_US, again=False)
    return "refused" if item.all_refused() else "taken"


def alone(given: Input) -> None:
    """Read a payload by every decoder, whatever it pretends to be."""
    for decoder in (_records, report.read, outcomes.read):
        with suppress(Refused):
            decoder(given.payload)
    for said in (senml.JSON_TYPE, senml.CBOR_TYPE):
        with suppress(Refused):
            list(senml.resolve(senml.decode(given.payload, said)))


def agree(given: Input) -> None:
    """Where the shortcut for the common shape reads a pack, the general way must read the same."""
    what = given.payload, NOW_US, pack.ALWAYS_UNITS, None
    short = common.read(*what)
    if short is not None and (long := pack.read(*what)) != short:
        raise Wrong(f"two ways of reading, two packs: {short!a} {long!a}"[:1000])


def _records(payload: bytes) -> object:
    return list(senml.resolve(senml.decode(payload)))


def _check_text(text: str, longest: int) -> None:
    text.encode()
    if "\0" in text or len(text) > longest:
        raise Wrong(f"a text that cannot be kept: {text[:80]!a}")


def _check_pack(found: pack.Pack) -> None:
    for quantity, place, time_us, value in found.rows:
        if not pack.EARLIEST_US <= time_us <= NOW_US + pack.AHEAD_US:
            raise Wrong(f"a time beyond the contract's limits: {time_us}")
        if not abs(value) < float("inf") or quantity < 1:
            raise Wrong(f"no value: {quantity} {value}")
        _check_text(place, 40)
    for name in found.unknown:
        _check_text(name.replace("\0", ""), pack.MAX_TEXT)


@dataclass(order=True, slots=True)
class Slow:
    """An input that took long, as a multiple of a valid pack of its length."""

    ratio: float
    number: int
    seconds: float = field(compare=False)
    given: Input = field(compare=False)


@dataclass(slots=True)
class Fuzzed:
    """What a run found.

    Parameters
    ----------
    faults : list of (int, Input, str)
        Number, input, and what was raised.
    slowest : dict
        For each kind its slowest inputs for their length.
    longest : dict
        For each kind the one that took longest.
    """

    taken: Counter[tuple[Kind, str]] = field(default_factory=Counter)
    faults: list[tuple[int, Input, str]] = field(default_factory=list)
    slowest: dict[Kind, list[Slow]] = field(default_factory=lambda: {kind: [] for kind in Kind})
    longest: dict[Kind, Slow] = field(default_factory=dict)
    rss_mib: list[float] = field(default_factory=list)


Clock = Callable[[], float]
Reader = Callable[[Input], str]


def least_s(given: Input, reader: Reader, clock: Clock, times: int = 5) -> float:
    """The least time of some readings of one input [s]."""
    found = float("inf")
    for _ in range(times):
        began = clock()
        with suppress(Exception):
            reader(given)
        found = min(found, clock() - began)
    return found


def base(reader: Reader, clock: Clock) -> Callable[[int], float]:
    """What a valid pack of so many bytes takes [s]: a fixed part, and one for each byte."""
    fixed_s, byte_s = 0.0, 0.0
    for kind, form in ((Kind.JSON, in_json), (Kind.CBOR, in_cbor)):
        small, large = form(PACKS[0]), form(PACKS[3] * (senml.MAX_RECORDS // len(PACKS[3]) // 2))
        small_s = least_s(Input(kind, small), reader, clock, 50)
        fixed_s = max(fixed_s, small_s)
        byte_s = max(
            byte_s, (least_s(Input(kind, large), reader, clock) - small_s) / (len(large) - len(small))
        )
    return lambda size: fixed_s + byte_s * size


def fuzz(
    seed: int,
    inputs: int,
    reader: Reader = read,
    clock: Clock = time.process_time,
    make: Callable[[int, int], Input] = made,
) -> Fuzzed:
    """Read so many inputs."""
    found = Fuzzed()
    allowed = base(reader, clock)
    for number in range(inputs):
        given = make(seed, number)
        began = clock()
        try:
            how = reader(given)
            took_s = clock() - began
            agree(given)
            if number % 10 == 0:
                alone(given)
        except Exception:
            found.faults.append((number, given, traceback.format_exc(limit=-4)))
            continue
        found.taken[given.kind, how] += 1
        slow = Slow(took_s / allowed(len(given.payload)), number, took_s, given)
        _keep(found.slowest[given.kind], slow)
        if given.kind not in found.longest or took_s > found.longest[given.kind].seconds:
            found.longest[given.kind] = replace(slow)
        if number in (inputs // 5, inputs - 1):
            found.rss_mib.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
    for slow in (*found.longest.values(), *(slow for each in found.slowest.values() for slow in each)):
        slow.seconds = min(slow.seconds, least_s(slow.given, reader, clock))
        slow.ratio = slow.seconds / allowed(len(slow.given.payload))
    return found


def _keep(slowest: list[Slow], slow: Slow) -> None:
    if len(slowest) < SLOWEST_KEPT:
        heapq.heappush(slowest, slow)
    elif slow > slowest[0]:
        heapq.heapreplace(slowest, slow)


def memory(seed: int, inputs: int, reader: Reader = read) -> tuple[float, float]:
    """What stays after the second half of so many inputs [KiB], and the most that one of them takes [MiB]."""
    peak = kept = 0
    tracemalloc.start()
    try:
        for number in range(inputs):
            if number == inputs // 2:
                gc.collect()
                kept = tracemalloc.get_traced_memory()[0]
            given = made(seed, number)
            before = tracemalloc.get_traced_memory()[0]
            tracemalloc.reset_peak()
            with suppress(Exception):
                reader(given)
            peak = max(peak, tracemalloc.get_traced_memory()[1] - before)
        del given
        gc.collect()
        return (tracemalloc.get_traced_memory()[0] - kept) / 1024, peak / 2**20
    finally:
        tracemalloc.stop()


def shown(number: int, given: Input) -> dict[str, object]:
    """An input for a report; a long one is cut, and made again from its number."""
    text = given.payload[: HEX_AT_MOST // 2].hex()
    return {"number": number, "kind": given.kind.value, "bytes": len(given.payload), "hex": text}


def timed(slow: Slow) -> dict[str, object]:
    """An input for a report, with its time."""
    return shown(slow.number, slow.given) | {
        "ms": round(slow.seconds * 1e3, 3),
        "ratio": round(slow.ratio, 2),
    }


def replay(seed: int, number: int) -> None:
    """Print one input and how it is read."""
    given = made(seed, number)
    print(given.kind.value, len(given.payload), "bytes")
    print(given.payload.hex())
    print(read(given), f"{least_s(given, read, time.process_time) * 1e3:.3f} ms")


def main() -> int:
    """Fuzz, print, write ``bench/results/fuzz.json``; 1 if a target is missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inputs", type=int, default=INPUTS)
    parser.add_argument("--seed", type=int, default=random.SystemRandom().randrange(2**31))
    parser.add_argument("--replay", type=int, metavar="NUMBER")
    asked = parser.parse_args()
    print(f"seed {asked.seed}")
    if asked.replay is not None:
        replay(asked.seed, asked.replay)
        return 0
    began = time.perf_counter()
    found = fuzz(asked.seed, asked.inputs)
    print(f"{asked.inputs} inputs in {time.perf_counter() - began:.0f} s\n")
    kept_kib, peak_mib = memory(asked.seed, min(asked.inputs, TRACED))
    worst = {kind: max(*each, found.longest[kind]) for kind, each in found.slowest.items() if each}
    for kind, slow in worst.items():
        counts = {how: found.taken[kind, how] for how in ("taken", "refused")}
        print(
            f"{kind.value:10} {counts['taken']:8} taken {counts['refused']:8} refused; slowest "
            f"{slow.seconds * 1e3:.3f} ms, {slow.ratio:.1f} times a valid pack's, number {slow.number}, "
            f"{len(slow.given.payload)} bytes"
        )
        long = found.longest[kind]
        print(
            f"           longest {long.seconds * 1e3:.3f} ms, {long.ratio:.1f} times a valid pack's, "
            f"number {long.number}, {len(long.given.payload)} bytes"
        )
        print(f"           {slow.given.payload[:40].hex()}{'…' if len(slow.given.payload) > 40 else ''}")
    for number, given, error in found.faults[:10]:
        print(f"\nnumber {number}, {given.kind.value}: {given.payload[:200].hex()}\n{error}", file=sys.stderr)
    measures = {
        "inputs": above(asked.inputs, "", INPUTS),
        "uncaught": Measure(len(found.faults), "", "0", not found.faults),
        **{f"slowest {kind.value}": below(slow.ratio, "x", LIMIT_RATIO) for kind, slow in worst.items()},
        "memory grown, resident": below(found.rss_mib[-1] - found.rss_mib[0], "MiB", LIMIT_GROWTH_MIB),
        "memory kept, traced": below(kept_kib, "KiB", LIMIT_KEPT_KIB),
        "memory at most for one": below(peak_mib, "MiB", LIMIT_PEAK_MIB),
    }
    met = write(
        "fuzz",
        measures,
        seed=asked.seed,
        taken={kind.value: {how: found.taken[kind, how] for how in ("taken", "refused")} for kind in Kind},
        slowest=[timed(slow) for slow in worst.values()],
        longest=[timed(slow) for slow in found.longest.values()],
        faults=[shown(number, given) | {"error": error} for number, given, error in found.faults[:10]],
    )
    return 0 if met else 1


if __name__ == "__main__":
    raise SystemExit(main())
