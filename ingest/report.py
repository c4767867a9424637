"""What gateways say of themselves: presence, and the last will that the broker says for them."""

from __future__ import annotations

import math

import msgspec

from ingest.senml import ABSOLUTE_S
from model.clock import US
from model.errors import Refused
from store.presence import Presence

MAX_BYTES = 4096
MAX_TEXT = 200


class Report(msgspec.Struct, frozen=True):
    """The payload of a presence message; the will has no ``at``."""

    online: bool
    session: str
    at: float | None = None
    boot: str | None = None
    software: str | None = None


_decoder = msgspec.json.Decoder(Report)


def read(payload: bytes) -> Report:
    """Decode a presence message.

    Raises
    ------
    Refused
        ``"presence"`` or ``"text"``.
    """
    if len(payload) > MAX_BYTES:
        raise Refused("presence", f"The presence message has more than {MAX_BYTES} bytes.")
    try:
        report = _decoder.decode(payload)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise Refused("presence", f"The presence message cannot be used: {str(error)[:120]}.") from None
    for text in (report.session, report.boot, report.software):
        if text is not None and (len(text) > MAX_TEXT or "\0" in text):
            raise Refused("text", "A text in the presence message is too long or holds the character U+0000.")
    if not report.session:
        raise Refused("presence", "The presence message has an empty session.")
    if report.at is not None and not (math.isfinite(report.at) and ABSOLUTE_S <= report.at < 1e11):
        raise Refused("presence", "The time of the presence message is no absolute time.")
    return report


def fold(current: Presence | None, report: Report, arrived_us: int, *, again: bool) -> Presence | None:
    """A gateway's presence after a report, or None if the report changes nothing.

    Parameters
    ----------
    current : Presence or None
        Before.
    again : bool
        The message may have come before (a redelivery, or the copy that the broker retained): then it says
        nothing of now, and an older one must not replace a newer.
    """
    reported_us = None if report.at is None else round(report.at * US)
    if not report.online:
        if current is not None and (current.session != report.session or not current.online):
            return None
        return Presence(
            False,
            report.session,
            report.boot or (current.boot if current else None),
            report.software or (current.software if current else None),
            reported_us or (current.reported_us if current else None),
            arrived_us,
        )
    if again and current is not None:
        older = None not in (reported_us, current.reported_us) and reported_us < current.reported_us  # type: ignore[operator]
        if current.session == report.session or older:
            return None
    return Presence(True, report.session, report.boot, report.software, reported_us, arrived_us)
