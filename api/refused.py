"""Refused messages: shown as they came, and read again."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from psycopg import OperationalError

from api.context import Context
from model import cbor
from model.errors import Unavailable
from store import audit, quarantine
from store.audit import By
from store.database import connect
from store.quarantine import Wanted

AT_ONCE = 500
"""Most messages that one request reads again."""
SHOWN_BYTES = 4_096
SHOWN_CHARACTERS = 12_000
ROW = 16


@dataclass(frozen=True, slots=True)
class ReadAgain:
    """What reading again came to; ``following``: go on after this number, None if there is no more."""

    readings: int
    mended: int
    still_refused: int
    following: int | None


def read_again(ctx: Context, by: By, wanted: Wanted, ids: list[int] | None, after: int) -> ReadAgain:
    """Read refused messages again, those of the numbers or the oldest that match beyond ``after``.

    Raises
    ------
    Unavailable
        If this process cannot, or the database does not answer.
    """
    if ctx.config.replay is None:
        raise Unavailable("Refused messages cannot be read again here: use the command, holdfast quarantine.")
    with ctx.database() as conn:
        found = ids if ids is not None else quarantine.waiting_ids(conn, wanted, after, AT_ONCE + 1)
    following = None
    if ids is None and len(found) > AT_ONCE:
        found = found[:AT_ONCE]
        following = found[-1]
    try:
        with connect(ctx.config.dsn, application="serve", autocommit=True) as conn:
            done = ctx.config.replay(conn, ctx.clock, found)
            counted = {"messages": len(found), "readings": done.readings, "mended": done.mended}
            audit.record(conn, by.person_id, "replay-refused", "quarantine:0", by.at, **counted)
    except OperationalError as error:
        raise Unavailable("The database does not answer. What was stored stays; try again soon.") from error
    return ReadAgain(done.readings, done.mended, done.still_refused, following)


@dataclass(frozen=True, slots=True)
class Shown:
    """The bytes of a message for eyes.

    Parameters
    ----------
    form : str
        ``"JSON"`` or ``"CBOR"`` if it decodes, else empty, and ``decoded`` too.
    cut : bool
        Whether there is more than is shown.
    """

    hexadecimal: str
    text: str
    form: str
    decoded: str
    cut: bool


def shown(raw: bytes) -> Shown:
    """Hexadecimal, text, and what it decodes to."""
    form, value = _decoded(raw)
    decoded = _written(value) if form else ""
    head = raw[:SHOWN_BYTES]
    return Shown(
        hexadecimal="\n".join(_line(head, at) for at in range(0, len(head), ROW)),
        text=_printable(head.decode("utf-8", "replace")),
        form=form,
        decoded=_printable(decoded[:SHOWN_CHARACTERS]),
        cut=len(raw) > SHOWN_BYTES or len(decoded) > SHOWN_CHARACTERS,
    )


def _line(raw: bytes, at: int) -> str:
    part = raw[at : at + ROW]
    letters = "".join(chr(one) if 32 <= one < 127 else "." for one in part)
    return f"{at:05x}  {part.hex(' '):<{3 * ROW - 1}}  {letters}"


def _decoded(raw: bytes) -> tuple[str, Any]:
    try:
        return "JSON", json.loads(raw)
    except (ValueError, RecursionError):
        pass
    try:
        value, taken = cbor.decode(raw)
    except ValueError:
        return "", None
    # Any byte is some number in CBOR: only a pack's array or a map, and the whole of it, is worth a look.
    whole = taken == len(raw) and isinstance(value, list | tuple | dict)
    return ("CBOR", value) if whole else ("", None)


def _written(value: Any) -> str:
    try:
        return json.dumps(value, indent=1, ensure_ascii=False, default=str)
    except (TypeError, ValueError, RecursionError):
        return repr(value)


def _printable(text: str) -> str:
    """Without what no page can hold: lone surrogates and control characters."""
    kept = text.encode("utf-8", "replace").decode()
    return "".join(one if one.isprintable() or one in "\n\t" else "\N{REPLACEMENT CHARACTER}" for one in kept)
