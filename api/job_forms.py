"""What the forms about jobs offer, and how they read what was typed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from api.figures import Figures
from model import moments, quantities
from model.clock import to_us
from model.errors import BadInput, NotFound
from model.records import kept
from model.rig import NO_RIG, Rig
from model.texts import Texts
from store import equipment
from store.database import Connection
from store.job_changes import Details

LATEST = 200


@dataclass(frozen=True, slots=True)
class Choices:
    """What there is to choose from."""

    sites: Sequence[Mapping[str, Any]]
    circuits: Sequence[Mapping[str, Any]]
    crews: Sequence[Mapping[str, Any]]
    procedures: Sequence[Mapping[str, Any]]
    instruments: Sequence[Mapping[str, Any]]

    def gateways(self, first_site: int | None = None) -> list[tuple[str, list[Mapping[str, Any]]]]:
        """Instruments by gateway, those of a site first."""
        result: dict[str, list[Mapping[str, Any]]] = {}
        for one in sorted(self.instruments, key=lambda one: one["site_id"] != first_site):
            result.setdefault(f"{one['gateway']} · {one['site']}", []).append(one)
        return list(result.items())

    def circuits_by_site(self, site_id: int | None = None) -> list[tuple[str, list[Mapping[str, Any]]]]:
        """Circuits by the name of their site, of one site or all."""
        result: dict[str, list[Mapping[str, Any]]] = {}
        for one in self.circuits:
            if site_id is None or one["site_id"] == site_id:
                result.setdefault(one["site"], []).append(one)
        return list(result.items())


_INSTRUMENTS = """
SELECT i.id, g.name || '/' || i.name AS label, i.name, g.name AS gateway, g.site_id, s.name AS site, i.role,
       i.position, i.accuracy, a.job_id, j.title AS job
FROM instrument i JOIN gateway g ON g.id = i.gateway_id JOIN site s ON s.id = g.site_id
LEFT JOIN assignment a ON a.instrument_id = i.id AND a.since <= %(now)s
    AND (a.until IS NULL OR a.until > %(now)s)
LEFT JOIN job j ON j.id = a.job_id
WHERE i.retired_at IS NULL ORDER BY s.name, g.name, i.role, i.name
"""


def choices(conn: Connection, now: datetime) -> Choices:
    """All that a job may be given."""
    return Choices(
        sites=conn.execute("SELECT id, name, time_zone FROM site ORDER BY name").fetchall(),
        circuits=conn.execute(
            "SELECT c.id, c.name, c.site_id, s.name AS site FROM circuit c JOIN site s ON s.id = c.site_id "
            "ORDER BY s.name, c.name"
        ).fetchall(),
        crews=conn.execute("SELECT id, name FROM crew ORDER BY name").fetchall(),
        procedures=conn.execute(
            "SELECT id, name, version, is_default FROM procedure p WHERE NOT EXISTS "
            "(SELECT FROM procedure q WHERE q.name = p.name AND q.version > p.version) ORDER BY name"
        ).fetchall(),
        instruments=conn.execute(_INSTRUMENTS, {"now": now}).fetchall(),
    )


def others_of_site(conn: Connection, job_id: int, site_id: int) -> list[dict[str, Any]]:
    """Jobs that may be the same one in truth, the latest first."""
    return conn.execute(
        "SELECT id, title, opened_at, closed_at, walk_up FROM job WHERE site_id = %s AND id <> %s "
        "AND merged_into IS NULL ORDER BY opened_at DESC LIMIT %s",
        (site_id, job_id, LATEST),
    ).fetchall()


def number(text: str, field: str) -> int:
    """A number out of a selection."""
    if not text.isdecimal() or len(text) > 9:
        raise BadInput("Choose one of the list.", field=field)
    return int(text)


def read_details(conn: Connection, texts: Texts, site_id: int | None, old: Details | None = None) -> Details:
    """The details of a job; raises `BadFields` with a sentence at each field that cannot be used.

    ``site_id`` is given where the site stays as it is.
    """
    title = texts.text("title", longest=200)
    rig = _rig(texts, old)
    if not title:
        texts.errors.setdefault("title", "A job needs a title.")
    note = texts.text("note", longest=2000)
    procedure = texts.read("procedure_id", number, required=True)
    circuit = texts.read("circuit_id", number)
    crew = texts.read("crew_id", number)
    if site_id is None:
        site_id = texts.read("site_id", number, required=True)
    start = texts.raw("start")
    opened_us = None
    if not start:
        texts.errors.setdefault("start", "When does it begin, or when did it?")
    elif site_id is not None:
        zone = zone_of(conn, site_id)
        opened_us = texts.read("start", lambda text, field: moment(text, zone, field, _at(old)))
    texts.done()
    assert procedure is not None
    assert site_id is not None
    assert opened_us is not None
    return Details(
        title,
        site_id,
        procedure,
        opened_us,
        circuit,
        crew,
        note,
        rig.pump_m3_s,
        rig.ultimate_pa,
        rig.bore_m,
        rig.length_m,
    )


def _rig(texts: Texts, old: Details | None) -> Rig:
    """Pump and hose; a form without these fields leaves what there was."""
    rig = NO_RIG
    if old is not None:
        rig = Rig(old.pump_m3_s, old.ultimate_pa, old.hose_bore_m, old.hose_length_m)
    if "pump" in texts:
        rig = replace(rig, pump_m3_s=kept(texts.read("pump", quantities.flow), rig.pump_m3_s))
    if "ultimate" in texts:
        rig = replace(rig, ultimate_pa=kept(texts.read("ultimate", quantities.pressure), rig.ultimate_pa))
    if "hose" in texts:
        bore_m, length_m = texts.read("hose", quantities.hose) or (None, None)
        rig = replace(rig, bore_m=kept(bore_m, rig.bore_m), length_m=kept(length_m, rig.length_m))
    return rig


def write_rig(job: Mapping[str, Any], figures: Figures) -> dict[str, str]:
    """Pump and hose of a job as a form shows them."""
    decimal = figures.conventions.decimal
    return {
        "pump": quantities.write_flow(job["pump_m3_s"], decimal),
        "ultimate": quantities.write_pressure(job["ultimate_pa"], figures.units.pressure, decimal),
        "hose": quantities.write_hose(job["hose_bore_m"], job["hose_length_m"], decimal),
    }


def zone_of(conn: Connection, site_id: int) -> str:
    """The time zone of a site; raises `NotFound`."""
    for site in equipment.sites(conn):
        if site.id == site_id:
            return site.time_zone
    raise NotFound(f"There is no site {site_id}.", field="site_id")


def _at(old: Details | None) -> int | None:
    return None if old is None else old.opened_us


def moment(text: str, time_zone: str, field: str, old_us: int | None = None) -> int:
    """A moment that was typed [µs]; one that was left as it was shown is what it was, to the microsecond."""
    if old_us is not None and text == written(old_us, time_zone):
        return old_us
    return moments.parse(text, time_zone, field)


def written(at: int | datetime | None, time_zone: str) -> str:
    """A moment for a field of a form, by the second, local to the site; nothing for none."""
    if at is None:
        return ""
    us = at if isinstance(at, int) else to_us(at)
    return f"{datetime.fromtimestamp(us // 1_000_000, ZoneInfo(time_zone)):%Y-%m-%dT%H:%M:%S}"
