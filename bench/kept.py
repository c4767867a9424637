"""Simulated holds looked at on every processor, and what was seen of them kept until the sources change."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import pickle
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

from rich.progress import track

import analytics.core
import physics
from bench.holds import Hold, holds

T = TypeVar("T")
PIECE = 250


def each_hold(
    name: str,
    look: Callable[[Hold], T | None],
    seed: int,
    number: int,
    first: int = 0,
    reads: Sequence[Path] = (),
) -> list[T]:
    """What ``look`` says of holds ``first`` … of a seed, without the ones of which it says None.

    ``look`` is a function of a module, because other processes call it; ``reads`` are files that it depends
    on beside the sources.
    """
    folder = Path(tempfile.gettempdir())
    file = folder / f"holdfast-{name}-{seed}-{first}-{number}-{_sources(look, reads)}.pickle"
    if file.exists():
        return list(pickle.loads(file.read_bytes()))
    pieces = [(seed, min(PIECE, first + number - at), at) for at in range(first, first + number, PIECE)]
    found: list[T] = []
    # Each process has one processor: linear algebra must not spread over all of them.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with multiprocessing.get_context("spawn").Pool() as pool:
        looked = pool.imap(_Piece(look), pieces)
        for some in track(looked, f"{name}, in {PIECE}s", total=len(pieces)):
            found += some
    file.write_bytes(pickle.dumps(found))
    return found


@dataclass(frozen=True, slots=True)
class _Piece(Generic[T]):
    """What another process is given to do."""

    look: Callable[[Hold], T | None]

    def __call__(self, piece: tuple[int, int, int]) -> list[T]:
        return [one for hold in holds(*piece) if (one := self.look(hold)) is not None]


def _sources(look: Callable[..., object], reads: Sequence[Path]) -> str:
    """Of the analysis, of the holds, and of what is asked of them."""
    digest = hashlib.sha256(look.__code__.co_code)
    rooms = (Path(analytics.core.__file__).parent, Path(physics.__file__).parent)
    files = [file for room in rooms for file in room.glob("*.py")]
    files += [Path(__file__).with_name(name) for name in ("holds.py", "oracle.py")]
    for file in sorted([*files, *reads]):
        digest.update(file.read_bytes())
    return digest.hexdigest()[:12]
