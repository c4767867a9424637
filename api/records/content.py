"""What a record says of a job: everything in SI and RFC 3339, gathered from the store in one transaction.

The form is `record.schema.json`. Nothing is left out because it speaks against the result: failed and
inconclusive holds, revisions, gaps and a procedure laxer than the one first asked for stand beside the rest.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

import numpy as np

from api.records.signing import FORMAT, VERSION, Channel, hash_of
from api.routes.jobs import breaks_in
from model.cautions import CAUTION
from model.clock import US, to_datetime, to_us
from model.equipment import Role
from model.errors import Conflict, NotFound
from model.judgement import Diagnosis, HoldTest, Interval, PhaseKind
from model.procedure import Procedure
from model.reading import Quantity
from store import calibrations, company, job_readings, judgement, lists, procedures
from store.database import Connection
from store.lists import HOLD_TESTS, JOBS

MOST_READINGS = 5_000_000
GAP_S = 60.0
GAP_INTERVALS = 5.0
"""Between neighbouring readings further apart than both of these there is a gap, as for the judgement."""
LAXER = {
    "target_pa": ("the target", 1),
    "dwell_s": ("how long the target must be held", -1),
    "hold_s": ("the length of the hold", -1),
    "limit_pa": ("the permitted pressure", 1),
    "rise_pa": ("the permitted rise", 1),
    "persistence_s": ("how long the pressure must be over the limit", 1),
    "breaks": ("the breaks with dry nitrogen", -1),
}
"""Numbers of a procedure, and in which direction it gets laxer."""


def gather(
    conn: Connection, job_id: int, number: int, made_by: str, now: datetime
) -> tuple[dict[str, Any], list[Channel]]:
    """The record of a job as it is now, and the readings that it holds the hashes of.

    Raises
    ------
    NotFound
        If there is no such job.
    Conflict
        If it has no readings, more than a record carries, or is being judged anew.
    """
    job = JOBS.one(conn, {"site": None, "state": None}, job_id)
    if job is None:
        raise NotFound(f"There is no job {job_id}.")
    if job["judged_anew"]:
        raise Conflict("This job is being judged anew. Make its record when that is done.")
    serving = lists.serving(conn, job_id)
    names = {one["instrument_id"]: f"{one['gateway']}/{one['name']}" for one in serving}
    channels = [
        Channel(_channel_name(names[one.instrument_id], one.quantity, one.place), one.pairs)
        for one in job_readings.of(conn, job_id, now)
    ]
    count = sum(len(one.pairs) for one in channels)
    if not 0 < count <= MOST_READINGS:
        few = (
            "no readings"
            if not count
            else f"{count} readings, more than the {MOST_READINGS} that a record carries"
        )
        raise Conflict(f"This job has {few}.")
    phases = lists.phases(conn, job_id)
    used = procedures.by_id(conn, job["procedure_id"])
    kept = company.of(conn)
    record = {
        "format": FORMAT,
        "version": VERSION,
        "number": f"{job_id}-{number}",
        "made_at": iso(now),
        "made_by": made_by,
        "company": {"name": kept.name, "address": kept.address.splitlines()},
        "job": _job(conn, job),
        "procedure": _procedure(used),
        "procedure_first_asked_for": _first_asked(conn, job_id, used),
        "instruments": [_instrument(conn, one, now) for one in serving],
        "phases": [_phase(one) for one in phases],
        "breaks": {"done": breaks_in(phases), "asked": job["breaks_asked"]},
        "hold_tests": [_hold(conn, one, names) for one in _holds(conn, job_id)],
        "interruptions": _interruptions(serving, channels, phases, now),
        "readings": [_hashed(one) for one in channels],
        "cautions": [CAUTION],
    }
    return record, channels


def iso(moment: datetime | None) -> str | None:
    """RFC 3339 in UTC."""
    return None if moment is None else to_datetime(to_us(moment)).isoformat().replace("+00:00", "Z")


def _us(moment_us: int | None) -> str | None:
    return None if moment_us is None else iso(to_datetime(moment_us))


def _channel_name(instrument: str, quantity: Quantity, place: str) -> str:
    name = f"{instrument} {quantity.name.lower().replace('_', '-')}"
    return f"{name} at {place}" if place else name


def _job(conn: Connection, job: Mapping[str, Any]) -> dict[str, Any]:
    site = conn.execute("SELECT place FROM site WHERE id = %s", (job["site_id"],)).fetchone()
    circuit = conn.execute(
        "SELECT volume_m3, refrigerant, oil FROM circuit WHERE id = %s", (job["circuit_id"],)
    ).fetchone()
    return {
        "id": job["id"],
        "title": job["title"],
        "state": job["state"],
        "walk_up": job["walk_up"],
        "site": job["site"],
        "place": site["place"] if site else "",
        "time_zone": job["time_zone"],
        "circuit": job["circuit"],
        "volume_m3": circuit["volume_m3"] if circuit else None,
        "refrigerant": circuit["refrigerant"] if circuit else None,
        "oil": circuit["oil"] if circuit else None,
        "crew": job["crew"],
        "opened_at": iso(job["opened_at"]),
        "closed_at": iso(job["closed_at"]),
        "pump_m3_s": job["pump_m3_s"],
        "hose_bore_m": job["hose_bore_m"],
        "hose_length_m": job["hose_length_m"],
    }


def _procedure(used: Procedure) -> dict[str, Any]:
    numbers = [
        "target_pa",
        "dwell_s",
        "hold_s",
        "settle_s",
        "limit_pa",
        "rise_pa",
        "persistence_s",
        "filter_s",
        "breaks",
        "patience_s",
    ]
    told: dict[str, Any] = {"name": used.name, "version": used.version, "origin": used.origin}
    return told | {name: getattr(used, name) for name in numbers}


def _first_asked(conn: Connection, job_id: int, used: Procedure) -> dict[str, Any] | None:
    """The procedure that the job was opened with, where it is judged by another one."""
    row = conn.execute(
        "SELECT data->'before'->>'procedure_id' AS id FROM audit WHERE subject = %s AND act = 'change-job' "
        "AND data->'before' ? 'procedure_id' ORDER BY id LIMIT 1",
        (f"job:{job_id}",),
    ).fetchone()
    if row is None or not str(row["id"]).isdigit() or int(row["id"]) == used.id:
        return None
    try:
        asked = procedures.by_id(conn, int(row["id"]))
    except NotFound:
        return None
    return _procedure(asked) | {"laxer_now": laxer(asked, used)}


def laxer(asked: Procedure, used: Procedure) -> list[str]:
    """In what the procedure that was used asks for less than the one that was asked for."""
    found = []
    for name, (words, way) in LAXER.items():
        before, now = getattr(asked, name), getattr(used, name)
        before, now = (np.inf if value is None else value for value in (before, now))
        if way * (now - before) > 0:
            found.append(words)
    return found


def _instrument(conn: Connection, one: Mapping[str, Any], now: datetime) -> dict[str, Any]:
    until = one["until"] or now
    known = calibrations.of(conn, [one["instrument_id"]]).get(one["instrument_id"], [])
    valid = calibrations.valid_on(known, one["since"].date())
    return {
        "name": f"{one['gateway']}/{one['name']}",
        "role": one["role"],
        "side": one["position"],
        "principle": one["principle"],
        "serial": one["serial"],
        "accuracy": one["accuracy"],
        "range_low_pa": one["range_low_pa"],
        "range_high_pa": one["range_high_pa"],
        "interval_s": one["interval_s"],
        "pump_m3_s": one["pump_m3_s"],
        "ultimate_pa": one["ultimate_pa"],
        "since": iso(one["since"]),
        "until": iso(one["until"]),
        "deciding": one["deciding"],
        "calibration": None
        if valid is None
        else {
            "on": valid.calibrated_on.isoformat(),
            "due": None if valid.due_on is None else valid.due_on.isoformat(),
            "certificate": valid.certificate,
            "overdue": valid.due_on is not None and valid.due_on < until.date(),
        },
    }


def _phase(row: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "kind": row["kind"],
        "started_at": iso(row["started_at"]),
        "ended_at": iso(row["ended_at"]),
        "start_pa": row["start_pa"],
        "end_pa": row["end_pa"],
        "lowest_pa": row["lowest_pa"],
        "start_uncertainty_s": row["start_uncertainty_s"],
    }


def _holds(conn: Connection, job_id: int) -> Sequence[Mapping[str, Any]]:
    rows = HOLD_TESTS.page(conn, {"job": job_id, "verdict": None, "withdrawn": True}, None, 1000)
    return sorted(rows, key=lambda row: (row["started_at"], row["id"]))


def _hold(conn: Connection, row: Mapping[str, Any], names: Mapping[int, str]) -> dict[str, Any]:
    hold = judgement.decode(row["detail"])
    return {
        "id": row["id"],
        "verdict": hold.verdict,
        "reason": hold.reason,
        "text": hold.text,
        "withdrawn": row["withdrawn_at"] is not None,
        "started_at": _us(hold.start_us),
        "planned_end_at": _us(hold.planned_end_us),
        "ended_at": _us(hold.end_us),
        "decided_at": _us(hold.decided_us),
        "first_over_limit_at": _us(hold.first_over_us),
        "found_by": "valve report" if hold.by_valve else "curve",
        "start_uncertainty_s": hold.start_uncertainty_s,
        "gauge": names.get(hold.deciding_instrument_id or -1),
        "start_pa": hold.start_pa,
        "limit_pa": hold.limit_pa,
        "last_pa": hold.last_pa,
        "highest_pa": hold.highest_pa,
        "smallest_leak_pa_m3_per_s": hold.smallest_leak_pa_m3_per_s,
        "smallest_rise_pa_per_s": hold.smallest_leak_pa_per_s,
        "remarks": list(hold.remarks),
        "estimate": _estimate(hold),
        "revisions": [
            {
                "revision": one["revision"],
                "verdict": one["verdict"],
                "text": one["text"],
                "cause": one["cause"],
                "because": one["because"],
                "at": iso(one["at"]),
            }
            for one in reversed(lists.revisions(conn, row["id"]))
        ],
    }


def _estimate(hold: HoldTest) -> dict[str, Any] | None:
    found: Diagnosis | None = hold.diagnosis
    if found is None:
        return None
    return {
        "cause": found.cause,
        "probabilities": dict(found.probabilities),
        "evidence": list(found.evidence),
        "leak_pa_per_s": _interval(found.leak_pa_per_s),
        "leak_pa_m3_per_s": _interval(found.leak_pa_m3_per_s),
        "vapour_pa": found.vapour_pa,
    }


def _interval(known: Interval | None) -> dict[str, float] | None:
    return None if known is None else {"value": known.value, "low": known.low, "high": known.high}


def _interruptions(
    serving: Sequence[Mapping[str, Any]],
    channels: Sequence[Channel],
    phases: Sequence[Mapping[str, Any]],
    now: datetime,
) -> list[dict[str, Any]]:
    """Gaps of pressure while the circuit was pumped or held."""
    worked = _joined(
        (to_us(one["started_at"]), to_us(one["ended_at"] or now))
        for one in phases
        if one["kind"] in (PhaseKind.PULL_DOWN, PhaseKind.HOLD)
    )
    found = []
    for one in serving:
        if one["role"] != Role.GAUGE:
            continue
        name = f"{one['gateway']}/{one['name']}"
        own = [channel for channel in channels if channel.name == _channel_name(name, Quantity.PRESSURE, "")]
        times = own[0].pairs["time_us"].astype(np.int64) if own else np.empty(0, np.int64)
        longest_us = round(max(GAP_S, GAP_INTERVALS * one["interval_s"]) * US)
        serves = to_us(one["since"]), to_us(one["until"] or now)
        for span in worked:
            start, end = max(span[0], serves[0]), min(span[1], serves[1])
            inside = times[(times > start) & (times < end)]
            edges = np.concatenate(([start], inside, [end]))
            for at in np.flatnonzero(np.diff(edges) > longest_us).tolist():
                since_us, until_us = int(edges[at]), int(edges[at + 1])
                lasted_s = (until_us - since_us) / US
                gap = {"gauge": name, "since": _us(since_us), "until": _us(until_us), "lasted_s": lasted_s}
                found.append(gap)
    return sorted(found, key=lambda gap: (gap["since"], gap["gauge"]))


def _joined(spans: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans that touch, as one."""
    found: list[tuple[int, int]] = []
    for start, end in sorted(spans):
        if found and start <= found[-1][1]:
            found[-1] = found[-1][0], max(end, found[-1][1])
        else:
            found.append((start, end))
    return found


def _hashed(one: Channel) -> dict[str, Any]:
    return {
        "channel": one.name,
        "count": len(one.pairs),
        "first_at": _us(int(one.pairs["time_us"][0])),
        "last_at": _us(int(one.pairs["time_us"][-1])),
        "sha256": hash_of(one.pairs),
    }
