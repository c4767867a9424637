"""When instruments were calibrated, and until when that holds."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from psycopg import errors

from model.errors import BadInput, Conflict, NotFound
from model.texts import check_text
from store import audit
from store.audit import By
from store.database import Connection, one


@dataclass(frozen=True, slots=True)
class Calibration:
    """One calibration of an instrument; ``certificate`` is its number, or who made it."""

    id: int
    instrument_id: int
    calibrated_on: date
    due_on: date | None
    certificate: str


def add(
    conn: Connection, instrument_id: int, calibrated_on: date, due_on: date | None, certificate: str, by: By
) -> Calibration:
    """Write a calibration down.

    Raises
    ------
    BadInput
        If it lies ahead, or is due again before it.
    Conflict
        If it is written down already.
    NotFound
        If there is no such instrument.
    """
    certificate = check_text(certificate, "certificate")
    if calibrated_on > by.at.date():
        raise BadInput("This calibration lies ahead.", field="calibrated_on")
    if due_on is not None and due_on <= calibrated_on:
        raise BadInput("It is due again after the calibration, not before.", field="due_on")
    try:
        with conn.transaction():
            row = conn.execute(
                "INSERT INTO calibration (instrument_id, calibrated_on, due_on, certificate) "
                "VALUES (%s, %s, %s, %s) RETURNING *",
                (instrument_id, calibrated_on, due_on, certificate),
            ).fetchone()
    except errors.UniqueViolation as error:
        raise Conflict("This calibration is written down already.", field="calibrated_on") from error
    except errors.ForeignKeyViolation as error:
        raise NotFound(f"There is no instrument {instrument_id}.") from error
    made = Calibration(**one(row))
    told = {"on": str(made.calibrated_on), "due": str(made.due_on or ""), "certificate": certificate}
    audit.write(conn, by, "add-calibration", f"instrument:{instrument_id}", None, told)
    return made


def of(conn: Connection, instrument_ids: Iterable[int]) -> dict[int, list[Calibration]]:
    """Calibrations of instruments, the latest first."""
    rows = conn.execute(
        "SELECT * FROM calibration WHERE instrument_id = ANY(%s) ORDER BY calibrated_on DESC, id DESC",
        (sorted(set(instrument_ids)),),
    )
    found: dict[int, list[Calibration]] = {}
    for row in rows:
        found.setdefault(row["instrument_id"], []).append(Calibration(**row))
    return found


def valid_on(known: Iterable[Calibration], day: date) -> Calibration | None:
    """The last calibration up to a day; it may be overdue then."""
    return max(
        (one for one in known if one.calibrated_on <= day),
        key=lambda one: (one.calibrated_on, one.id),
        default=None,
    )
