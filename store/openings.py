"""Opening from afar, site by site: whether it is turned on, and who may open a valve there."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from model.errors import BadInput
from store import audit
from store.audit import By
from store.changing import row_of
from store.database import Connection


@dataclass(frozen=True, slots=True)
class Opening:
    """What an administrator has decided for a site.

    Parameters
    ----------
    allowed : bool
        Valves there may be opened from afar.
    openers : tuple of (int, str)
        Number and name of who may, by name.
    """

    site_id: int
    allowed: bool
    openers: tuple[tuple[int, str], ...]


def of_site(conn: Connection, site_id: int) -> Opening:
    """What holds at a site; raises `NotFound`."""
    row = row_of(conn, "site", site_id)
    return Opening(site_id, row["opening_from_afar"], _openers(conn, site_id))


def change(conn: Connection, site_id: int, by: By, *, allowed: bool, openers: Iterable[int]) -> Opening:
    """Turn it on or off, and name who may; audited.

    Raises
    ------
    NotFound
        If there is no such site.
    BadInput
        If somebody who is named is nobody who may order, or it is turned on for nobody.
    """
    before = of_site(conn, site_id)
    wanted = sorted(set(openers))
    if allowed and not wanted:
        raise BadInput("Name at least one person who may open a valve there.", field="openers")
    if not set(wanted) <= {number for number, _ in who_may_be_named(conn)}:
        raise BadInput("Only people who may log in can be named.", field="openers")
    conn.execute("UPDATE site SET opening_from_afar = %s WHERE id = %s", (allowed, site_id))
    conn.execute("DELETE FROM site_opener WHERE site_id = %s", (site_id,))
    conn.execute(
        "INSERT INTO site_opener (site_id, person_id) SELECT %s, unnest(%s::int[])", (site_id, wanted)
    )
    after = Opening(site_id, allowed, _openers(conn, site_id))
    audit.write(conn, by, "change-opening", f"site:{site_id}", _shown(before), _shown(after))
    return after


def who_may_be_named(conn: Connection) -> list[tuple[int, str]]:
    """People who may log in, no machines, by name; also those that may be told how a plan went."""
    rows = conn.execute(
        "SELECT id, name FROM person WHERE role <> 'machine' AND disabled_at IS NULL ORDER BY name, id"
    )
    return [(row["id"], row["name"]) for row in rows]


def _openers(conn: Connection, site_id: int) -> tuple[tuple[int, str], ...]:
    rows = conn.execute(
        "SELECT p.id, p.name FROM site_opener o JOIN person p ON p.id = o.person_id "
        "WHERE o.site_id = %s ORDER BY p.name, p.id",
        (site_id,),
    )
    return tuple((row["id"], row["name"]) for row in rows)


def _shown(opening: Opening) -> dict[str, object]:
    return {"opening_from_afar": opening.allowed, "openers": [name for _, name in opening.openers]}
