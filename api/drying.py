"""What a plan does when its hold fails: the choices with their risks, and what is wished of drying rounds."""

from __future__ import annotations

from datetime import datetime

from pydantic import BaseModel, Field

from api.asked import Asked
from desk.core import drying, interlocks
from desk.core.interlocks import Deed, Hindrance
from model.clock import US, to_datetime
from model.errors import NotAllowed
from model.hold_plan import Confirmed, Drying, HoldPlan
from store import drying as found_in_store
from store import valve_facts
from store.database import Connection
from store.people import Person
from store.plans import NewPlan

SHORTEST_PUMP_S, LONGEST_PUMP_S = 600.0, 6 * 3600.0
MOST_ROUNDS = 5
LEAST_SURE, MOST_SURE = 0.7, 0.99
LOOK_BACK_S = 3600.0
"""Temperatures of the last hour say whether a spot may be frozen now."""
NOT_YET = frozenset({"order-open", "stale-page", "not-closed", "backwards"})
"""Interlocks of an opening that say nothing as long as the valve is still open."""

LEAVE_CLOSED = "Leave the valve closed and wake somebody"
LEAVE_CLOSED_RISK = "Nothing is moved. A wet circuit stays wet until somebody comes."
DRY = "Dry in rounds: open to the running pump, pump, close, hold again"
DRY_RISK = (
    "The valve opens with nobody there. If the pump fails, air and oil may be drawn into the circuit until "
    "the valve has closed, which it does by itself without its pump. A leak that the estimate took for water "
    "draws in damp air. Water that boils cools itself and may freeze where no thermometer is. The exhaust "
    "carries what is left of the refrigerant outdoors, if it leads there. Nobody sees a hand at the circuit: "
    "who goes there calls the plan off first, or turns the site to local hands. Somebody is woken all the "
    "same."
)


class DryingWish(Asked):
    """Drying rounds after a hold that failed by moisture."""

    rounds: int = Field(2, ge=1, le=MOST_ROUNDS, description="At most so many.")
    pump_s: float = Field(
        7200.0,
        ge=SHORTEST_PUMP_S,
        le=LONGEST_PUMP_S,
        description="The valve is open for so long in each [s].",
    )
    probability: float = Field(
        0.9,
        ge=LEAST_SURE,
        le=MOST_SURE,
        description="The estimated cause must be moisture with at least this.",
    )
    exhaust_confirmed: bool = Field(
        False,
        description="You confirm, by your name, that exhaust, ventilation and ignition control are seen to "
        "for this job: needed where the refrigerant is flammable or not known.",
    )


class DryingView(BaseModel):
    """Drying rounds of a plan."""

    rounds: int
    pump_s: float
    probability: float
    exhaust_confirmed_by: str | None
    exhaust_confirmed_at: datetime | None
    exhaust_confirmed_for: str | None = Field(description="The refrigerant then; for another it counts not.")
    rounds_begun: int
    stopped: list[str] = Field(description="Why it dries no more, in sentences.")


class Choice(BaseModel):
    """What a plan may do when its hold fails."""

    id: str
    title: str
    risk: str
    chosen: bool
    hindrances: dict[str, str] = Field(description="What would hinder it now, as far as can be told.")


def drying_of(
    conn: Connection,
    wish: DryingWish | None,
    job_id: int,
    person: Person,
    before: HoldPlan | None,
    now_us: int,
) -> Drying | None:
    """What is wished of drying, with who confirms the exhaust; an earlier confirmation stays.

    Raises
    ------
    NotAllowed
        If it is another person's plan: its valve is opened under that person's right.
    """
    if wish is None:
        return None
    earlier = None if before is None else before.drying
    new = Drying(wish.rounds, wish.pump_s, wish.probability)
    if wish.exhaust_confirmed:
        written = found_in_store.fluid(conn, job_id).written
        confirmed = None if earlier is None else earlier.confirmed
        if confirmed is None or confirmed.refrigerant != written:
            confirmed = Confirmed(person.id, person.name, now_us, written)
        new = Drying(wish.rounds, wish.pump_s, wish.probability, confirmed)
    if before is not None and new != earlier and person.id != before.made_by:
        raise NotAllowed("Only who made the plan may have it dry: the valve is opened under that name.")
    return new


def hindering(conn: Connection, new: NewPlan, person_id: int, now_us: int) -> tuple[Hindrance, ...]:
    """What would hinder a drying round now, as far as can be told before a hold has failed."""
    facts = valve_facts.gather(conn, new.instrument_id, now_us, person_id=person_id, automatic=True)
    found = [one for one in interlocks.hindrances(Deed.OPEN, facts) if one.id not in NOT_YET]
    chosen = new.drying or Drying(1, SHORTEST_PUMP_S, LEAST_SURE)
    cold = found_in_store.coldest(conn, new.job_id, now_us - round(LOOK_BACK_S * US))
    known = cold is not None and now_us - cold.heard_us <= drying.TEMPERATURE_FRESH_S * US
    more = {
        "exhaust": drying.exhaust(chosen, found_in_store.fluid(conn, new.job_id)),
        "cold-spot": drying.cold_spot(cold.kelvin if cold is not None and known else None),
    }
    return (*found, *(Hindrance(name, text) for name, text in more.items() if text))


def choices(conn: Connection, new: NewPlan, person_id: int, now_us: int) -> list[Choice]:
    """What a plan may do when its hold fails, each with its risk."""
    found = {one.id: one.text for one in hindering(conn, new, person_id, now_us)}
    dries = new.drying is not None
    return [
        Choice(
            id="leave-closed", title=LEAVE_CLOSED, risk=LEAVE_CLOSED_RISK, chosen=not dries, hindrances={}
        ),
        Choice(id="dry", title=DRY, risk=DRY_RISK, chosen=dries, hindrances=found),
    ]


def drying_view(plan: HoldPlan) -> DryingView | None:
    """Drying rounds as they stand; None: off."""
    if plan.drying is None:
        return None
    confirmed = plan.drying.confirmed
    return DryingView(
        rounds=plan.drying.rounds,
        pump_s=plan.drying.pump_s,
        probability=plan.drying.probability,
        exhaust_confirmed_by=None if confirmed is None else confirmed.name,
        exhaust_confirmed_at=None if confirmed is None else to_datetime(confirmed.at_us),
        exhaust_confirmed_for=None if confirmed is None else confirmed.refrigerant,
        rounds_begun=plan.progress.rounds,
        stopped=list(plan.progress.stop),
    )


def wished(chosen: Drying | None) -> str:
    """What a plan does when its hold fails, as a sentence; empty where it only leaves it closed."""
    if chosen is None:
        return ""
    by = chosen.confirmed
    exhaust = "" if by is None else f"; exhaust, ventilation and ignition control confirmed by {by.name}"
    if by is not None:
        exhaust += f" for {by.refrigerant or 'a refrigerant that is not known'}"
    return (
        f" If it fails by moisture ({chosen.probability:.0%} or more), dry in at most {chosen.rounds} "
        f"{'rounds' if chosen.rounds > 1 else 'round'} of {chosen.pump_s / 60:.0f} min{exhaust}."
    )
