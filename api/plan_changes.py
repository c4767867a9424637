"""What a plan shall do, in words, and changing it: what still means something, and what the log says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from api import drying
from api.plans import PlanWish, plan_of
from model.errors import Conflict, NotAllowed
from model.hold_plan import HoldPlan, PlanState
from model.instants import instant
from model.rights import Right
from store import job_changes, jobs, plans, procedures
from store.acting import Actor
from store.database import Connection
from store.people import Person
from store.plans import NewPlan

NOBODY = "nobody but Dispatch"


def wished(new: NewPlan, told: Sequence[str]) -> str:
    """What a plan shall do, in a sentence."""
    hour = "" if new.not_before_us is None else f", and not before {instant(new.not_before_us)}"
    return (
        f"when the target has been held for {_minutes(new.held_s)}{hour}, close the valve and hold by the "
        f"job's procedure; tell {_names(told)} how it went {instant(new.report_us)}."
        f"{drying.wished(new.drying)}"
        f"{_overridden(new.accepted, new.accepted_reason) if new.accepted else ''}"
    )


def change(conn: Connection, person: Person, number: int, wish: PlanWish, now_us: int) -> None:
    """Change a plan as far as that still means something; raises `BadInput`, `Conflict`, `NotAllowed`."""
    with conn.transaction():
        found = plans.lock(conn, number)
        if not found.progress.state.live:
            raise Conflict(f"Plan {number} is over; make a new one.")
        new = plan_of(conn, wish, found.job_id, found.instrument_id, found.time_zone, person, now_us, found)
        new = _meaningful(found, new)
        plans.change(conn, found, new, person.id, now_us)
        if new.report_us != found.report_us:
            # Who was told already is told again.
            plans.write(conn, number, replace(found.progress, reported=False))
        after = plans.by_id(conn, number)
        said = differences(found, after)
        lines = [f"Changed by {person.name}: {'; '.join(said)}."] if said else []
        lines += give_procedure(conn, person, found.job_id, wish.procedure_id, now_us)
        plans.note(conn, number, lines, now_us)


def differences(before: HoldPlan, after: HoldPlan) -> list[str]:
    """What is otherwise now, each with what it was."""
    said = []
    if after.held_s != before.held_s:
        said.append(f"the target held for {_minutes(after.held_s)} instead of {_minutes(before.held_s)}")
    if after.not_before_us != before.not_before_us:
        said.append(f"not before {_hour(after.not_before_us)} instead of {_hour(before.not_before_us)}")
    if after.report_us != before.report_us:
        said.append(f"the report {instant(after.report_us)} instead of {instant(before.report_us)}")
    if after.tell != before.tell:
        whom, once = (_names([name for _, name in one.tell]) for one in (after, before))
        said.append(f"told is {whom} instead of {once}")
    if after.drying != before.drying:
        said.append(
            f"if it fails:{drying.wished(after.drying).removesuffix('.') or ' the valve stays closed'}"
        )
    if (after.accepted, after.accepted_reason) != (before.accepted, before.accepted_reason):
        now = _overridden(after.accepted, after.accepted_reason).strip().removesuffix(".")
        said.append(now.lower() if not after.accepted else now[0].lower() + now[1:])
    return said


def give_procedure(
    conn: Connection, person: Person, job_id: int, procedure_id: int | None, now_us: int
) -> list[str]:
    """Give the job another procedure, if that is asked for; lines for the log.

    It records events: nothing but the log comes after it. Raises `NotFound`, `NotAllowed`.
    """
    job = jobs.by_id(conn, job_id)
    if procedure_id is None or procedure_id == job.procedure_id:
        return []
    if Right.JOBS not in person.rights:
        raise NotAllowed(f"{person.limits} give a job another procedure; that takes the right “jobs”.")
    wanted = procedures.by_id(conn, procedure_id)
    before = procedures.by_id(conn, job.procedure_id)
    details = replace(job_changes.details(job), procedure_id=wanted.id)
    job_changes.change(conn, job_id, details, Actor(person.name, now_us, person.id))
    return [
        f"Changed by {person.name}: the job's procedure is “{wanted.name}” instead of “{before.name}”; "
        f"the hold lasts {_minutes(wanted.hold_s)}."
    ]


def _meaningful(found: HoldPlan, new: NewPlan) -> NewPlan:
    """Of what is wished what can still be done: once the close is ordered it cannot be ordered otherwise."""
    if found.progress.state is PlanState.WAITING:
        return new
    return NewPlan(
        found.job_id,
        found.instrument_id,
        found.held_s,
        found.not_before_us,
        new.report_us,
        found.accepted,
        found.accepted_reason,
        new.drying if found.progress.rounds == 0 else found.drying,
        new.tell,
    )


def _minutes(seconds: float) -> str:
    return f"{seconds / 3600:g} h" if seconds >= 7200 and seconds % 3600 == 0 else f"{seconds / 60:.0f} min"


def _hour(us: int | None) -> str:
    return "any hour" if us is None else instant(us)


def _names(names: Sequence[str]) -> str:
    return " and ".join(names) or NOBODY


def _overridden(accepted: Sequence[str], reason: str) -> str:
    return f" Overridden: {', '.join(accepted)} ({reason})." if accepted else " Nothing overridden."
