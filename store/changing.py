"""Changing what is set up: places, gateways, instruments. Everything is audited and told to the processes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from psycopg import sql

from model.access import Credentials
from model.clock import to_us
from model.equipment import (
    JUDGED,
    Circuit,
    Crew,
    Gateway,
    Instrument,
    Properties,
    Site,
    check_circuit,
    check_crew,
    check_site,
)
from model.errors import Conflict, NotFound
from store import audit, broker_secrets, equipment, pull_downs, rejudging
from store.audit import By
from store.database import Connection, one


def row_of(conn: Connection, kind: str, number: int) -> dict[str, Any]:
    """The row of a site, circuit, crew, gateway or instrument, locked; raises `NotFound`."""
    statement = sql.SQL("SELECT * FROM {} WHERE id = %s FOR NO KEY UPDATE").format(sql.Identifier(kind))
    row = conn.execute(statement, (number,)).fetchone()
    if row is None:
        raise NotFound(f"There is no {kind} {number}.", field=kind)
    return row


def change_site(conn: Connection, number: int, by: By, **changes: Any) -> Site:
    """Change name, time zone or place."""
    before = equipment.site_from_row(row_of(conn, "site", number))
    wanted = replace(before, **changes)
    name, time_zone, place = check_site(wanted.name, wanted.time_zone, wanted.place)
    row = equipment.insert(
        conn,
        "UPDATE site SET name = %s, time_zone = %s, place = %s WHERE id = %s RETURNING *",
        (name, time_zone, place, number),
        taken=f"There is a site {name!r} already.",
    )
    after = equipment.site_from_row(row)
    _note(conn, by, "change-site", f"site:{number}", before, after)
    return after


def change_circuit(conn: Connection, number: int, by: By, **changes: Any) -> Circuit:
    """Change name, volume, refrigerant or oil; volume and refrigerant judge its jobs again."""
    before = equipment.circuit_from_row(row_of(conn, "circuit", number))
    wanted = replace(before, **changes)
    name, volume, refrigerant, oil = check_circuit(
        wanted.name, wanted.volume_m3, wanted.refrigerant, wanted.oil
    )
    row = equipment.insert(
        conn,
        "UPDATE circuit SET name = %s, volume_m3 = %s, refrigerant = %s, oil = %s WHERE id = %s RETURNING *",
        (name, volume, refrigerant, oil, number),
        taken=f"There is a circuit {name!r} at this site already.",
    )
    after = equipment.circuit_from_row(row)
    changed = [
        word
        for word, name in (("volume", "volume_m3"), ("refrigerant", "refrigerant"))
        if getattr(before, name) != getattr(after, name)
    ]
    if changed:
        because = f"the {' and '.join(changed)} of the circuit {after.name} changed"
        rejudging.ask(conn, rejudging.of_circuit(conn, number), because, by)
    _note(conn, by, "change-circuit", f"circuit:{number}", before, after)
    return after


def change_crew(conn: Connection, number: int, by: By, name: str) -> Crew:
    """Change a crew's name."""
    before = equipment.crew_from_row(row_of(conn, "crew", number))
    name = check_crew(name)
    row = equipment.insert(
        conn,
        "UPDATE crew SET name = %s WHERE id = %s RETURNING *",
        (name, number),
        taken=f"There is a crew {name!r} already.",
    )
    after = equipment.crew_from_row(row)
    _note(conn, by, "change-crew", f"crew:{number}", before, after)
    return after


def move_gateway(conn: Connection, number: int, by: By, site_id: int) -> Gateway:
    """Let a gateway belong to another site; jobs stay where they are."""
    before = equipment.gateway_from_row(row_of(conn, "gateway", number))
    row = equipment.insert(
        conn,
        "UPDATE gateway SET site_id = %s WHERE id = %s RETURNING *",
        (site_id, number),
        taken="",
        missing=(f"There is no site {site_id}.", "site"),
    )
    equipment.tell(conn)
    after = equipment.gateway_from_row(row)
    _note(conn, by, "move-gateway", f"gateway:{number}", before, after)
    return after


def rotate_gateway(
    conn: Connection, number: int, by: By, *, known: int | None = None
) -> tuple[Gateway, Credentials]:
    """Give a gateway a new secret; the old one is refused as soon as the broker has read its users anew.

    Parameters
    ----------
    known : int, optional
        The number of the secret that the reader knew of: a form that is sent twice makes one new secret.
    """
    row = row_of(conn, "gateway", number)
    if row["revoked_at"] is not None:
        raise Conflict("This gateway is revoked: reinstate it, which gives it a new password.")
    return _new_secret(conn, row, by, "rotate-gateway", known)


def reinstate_gateway(
    conn: Connection, number: int, by: By, *, known: int | None = None
) -> tuple[Gateway, Credentials]:
    """Let a revoked gateway publish again, with a new secret: the old one stays dead."""
    row = row_of(conn, "gateway", number)
    if row["revoked_at"] is None:
        raise Conflict("This gateway is not revoked.")
    return _new_secret(conn, row, by, "reinstate-gateway", known)


def _new_secret(
    conn: Connection, row: Mapping[str, Any], by: By, act: str, known: int | None
) -> tuple[Gateway, Credentials]:
    if known is not None and known != row["secret_number"]:
        raise Conflict(
            "This gateway has been given a new password since the page was loaded. Nothing was done; "
            "if that secret was not noted, give it another one."
        )
    secret = broker_secrets.make()
    hashes = broker_secrets.hashes(secret)
    changed = one(
        conn.execute(
            "UPDATE gateway SET secret_bcrypt = %(secret_bcrypt)s, secret_mosquitto = %(secret_mosquitto)s, "
            "secret_number = secret_number + 1, revoked_at = NULL WHERE id = %(id)s RETURNING *",
            {**hashes, "id": row["id"]},
        ).fetchone()
    )
    equipment.tell(conn)
    # Of secrets the record says only that they changed.
    audit.write(
        conn,
        by,
        act,
        f"gateway:{row['id']}",
        {"secret_number": row["secret_number"], "revoked": row["revoked_at"] is not None},
        {"secret_number": changed["secret_number"], "revoked": False},
    )
    return equipment.gateway_from_row(changed), Credentials(gateway=row["name"], secret=secret, **hashes)


def change_instrument(
    conn: Connection, number: int, by: By, wanted: Properties
) -> tuple[Instrument, list[int]]:
    """Give an instrument other properties.

    Returns
    -------
    Instrument, list of int
        The instrument, and the jobs that are judged again by it: those that it served, if anything changed
        that the judgement looks at.
    """
    before = equipment.instrument_from_row(row_of(conn, "instrument", number))
    row = one(
        conn.execute(
            "UPDATE instrument SET role = %(role)s, position = %(position)s, principle = %(principle)s, "
            "unit = %(unit)s, range_low_pa = %(range_low_pa)s, range_high_pa = %(range_high_pa)s, "
            "accuracy = %(accuracy)s, interval_s = %(interval_s)s, serial = %(serial)s, "
            "pump_m3_s = %(pump_m3_s)s, ultimate_pa = %(ultimate_pa)s WHERE id = %(id)s RETURNING *",
            {**audit.of(wanted.checked()), "id": number},
        ).fetchone()
    )
    after = equipment.instrument_from_row(row)
    again: list[int] = []
    changed = [word for name, word in JUDGED.items() if getattr(before, name) != getattr(after, name)]
    if changed:
        because = f"{after.name}: {', '.join(dict.fromkeys(changed))} changed"
        again = rejudging.ask(conn, rejudging.of_instrument(conn, number), because, by)
    elif (before.pump_m3_s, before.ultimate_pa) != (after.pump_m3_s, after.ultimate_pa):
        pull_downs.renew(conn, rejudging.served_now(conn, number), to_us(by.at))
    equipment.tell(conn)
    _note(conn, by, "change-instrument", f"instrument:{number}", before, after)
    return after, again


def properties_of(instrument: Instrument) -> Properties:
    """What of an instrument can be changed."""
    values = audit.of(instrument)
    return Properties(**{name: values[name] for name in Properties.__dataclass_fields__})  # type: ignore[arg-type]


def retire_instrument(conn: Connection, number: int, by: By) -> Instrument:
    """Take an instrument out of service: it opens no walk-up job and serves none.

    Raises
    ------
    Conflict
        If it serves a job now.
    """
    row = row_of(conn, "instrument", number)
    serving = conn.execute(
        "SELECT j.id, j.title FROM assignment a JOIN job j ON j.id = a.job_id "
        "WHERE a.instrument_id = %s AND (a.until IS NULL OR a.until > %s) AND j.closed_at IS NULL LIMIT 1",
        (number, by.at),
    ).fetchone()
    if serving is not None:
        raise Conflict(f"It serves the job {serving['title']!r} ({serving['id']}): end that first.")
    return _set_retired(conn, row, by, "retire-instrument", by.at)


def restore_instrument(conn: Connection, number: int, by: By) -> Instrument:
    """Put an instrument into service again."""
    return _set_retired(conn, row_of(conn, "instrument", number), by, "restore-instrument", None)


def _set_retired(conn: Connection, row: dict[str, Any], by: By, act: str, at: object) -> Instrument:
    if (row["retired_at"] is None) == (at is None):
        word = "out of service already" if at else "in service"
        raise Conflict(f"This instrument is {word}.")
    conn.execute("UPDATE instrument SET retired_at = %s WHERE id = %s", (at, row["id"]))
    equipment.tell(conn)
    audit.write(
        conn, by, act, f"instrument:{row['id']}", {"retired_at": row["retired_at"]}, {"retired_at": at}
    )
    return equipment.instrument_from_row(row)


def _note(conn: Connection, by: By, act: str, subject: str, before: object, after: object) -> None:
    if before != after:
        audit.write(conn, by, act, subject, audit.of(before), audit.of(after))
