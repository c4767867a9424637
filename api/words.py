"""How states read: one place for every word that people see more than once. Figures: `api.figures`."""

from __future__ import annotations

from collections.abc import Mapping

from pydantic import BaseModel, Field

from api.conventions import NO_BREAK, THIN
from desk.core.order_life import Standing
from desk.core.preflight import State
from model.alert import AlertState, Answer, How, Priority
from model.equipment import Position, Role
from model.event import EventKind
from model.job import JobState
from model.judgement import Cause, PhaseKind, Urgency, Verdict, named_together
from model.order import OrderState
from model.reading import Valve


class Mark(BaseModel, frozen=True):
    """A state as it is shown: never by colour alone, always with its shape and word."""

    key: str = Field(description="For programs; stable.")
    word: str = Field(description="For people.")
    shape: str = Field(description="Name of the drawn shape beside the word.")
    tone: str = Field(description="calm, good, busy, warn, bad or mute: chooses the colour.")


VERDICTS = {
    Verdict.RUNNING: Mark(key="running", word="Holding", shape="hold", tone="busy"),
    Verdict.AWAITING: Mark(key="awaiting-readings", word="Awaiting readings", shape="await", tone="mute"),
    Verdict.PASSED: Mark(key="passed", word="Passed", shape="pass", tone="good"),
    Verdict.FAILED: Mark(key="failed", word="Failed", shape="fail", tone="bad"),
    Verdict.INCONCLUSIVE: Mark(key="inconclusive", word="Inconclusive", shape="unsure", tone="warn"),
}
VALVES = {
    Valve.CLOSED: Mark(key="closed", word="closed", shape="valve-closed", tone="calm"),
    Valve.OPEN: Mark(key="open", word="open", shape="valve-open", tone="calm"),
    Valve.MOVING: Mark(key="moving", word="moving", shape="valve-moving", tone="warn"),
    Valve.UNKNOWN: Mark(key="unknown", word="unknown", shape="valve-unknown", tone="warn"),
}
ORDERS: Mapping[OrderState | Standing, Mark] = {
    OrderState.ASKED: Mark(key="asked", word="Asked for", shape="await", tone="mute"),
    OrderState.SENT: Mark(key="sent", word="Sent, no answer yet", shape="await", tone="busy"),
    OrderState.DONE: Mark(key="done", word="Done, says the gateway", shape="rest", tone="calm"),
    OrderState.REFUSED: Mark(key="refused", word="Refused", shape="unsure", tone="warn"),
    OrderState.FAILED: Mark(key="failed", word="Failed", shape="fail", tone="bad"),
    OrderState.EXPIRED: Mark(key="expired", word="Expired, no answer", shape="silent", tone="warn"),
    Standing.CONFIRMED: Mark(key="confirmed", word="Done", shape="pass", tone="good"),
    Standing.REPORTED: Mark(
        key="reported", word="Closed, says the valve; the pressure is looked at", shape="rest", tone="calm"
    ),
    Standing.NOT_HOLDING: Mark(
        key="not-holding", word="Closed, says the valve; the pressure falls", shape="unsure", tone="warn"
    ),
    Standing.NOT_FOLLOWED: Mark(
        key="not-followed", word="Opened; the pressure did not fall, or rose", shape="fail", tone="bad"
    ),
    Standing.CONTRADICTED: Mark(
        key="contradicted", word="Done, says the gateway; not the valve", shape="unsure", tone="warn"
    ),
    Standing.UNREPORTED: Mark(key="unreported", word="Done, says the gateway", shape="rest", tone="calm"),
}
"""Of an order; of one that is done by what the valve reports since."""
URGENCIES = {
    Urgency.NOW: Mark(key="go-now", word="Go now", shape="rank-4", tone="bad"),
    Urgency.CAN_WAIT: Mark(key="can-wait", word="Can wait till morning", shape="rank-2", tone="warn"),
    Urgency.NO_NEED: Mark(key="no-need", word="No need to go", shape="pass", tone="good"),
}
CHECKS = {
    "fine": Mark(key="fine", word="So", shape="pass", tone="good"),
    "may-override": Mark(
        key="may-override", word="Not so; a person may override", shape="unsure", tone="warn"
    ),
    "hinders": Mark(key="hinders", word="Not so", shape="fail", tone="bad"),
}
"""Of an interlock before an act."""
LEAVING = {
    State.RIGHT: Mark(key="right", word="Right", shape="pass", tone="good"),
    State.CARE: Mark(key="care", word="Could be better", shape="unsure", tone="warn"),
    State.HINDERS: Mark(key="hinders", word="Hinders", shape="fail", tone="bad"),
}
"""Of a check before a hold is left to itself."""
JUDGED_ANEW = Mark(key="judged-anew", word="Being judged anew", shape="await", tone="busy")
PRIORITIES = {
    Priority.URGENT: Mark(key="urgent", word="Urgent", shape="rank-4", tone="bad"),
    Priority.HIGH: Mark(key="high", word="High", shape="rank-3", tone="bad"),
    Priority.MEDIUM: Mark(key="medium", word="Medium", shape="rank-2", tone="warn"),
    Priority.LOW: Mark(key="low", word="Low", shape="rank-1", tone="calm"),
}
ALERT_STATES = {
    AlertState.ACTIVE_UNACKNOWLEDGED: "nobody has taken it yet",
    AlertState.ACTIVE_ACKNOWLEDGED: "acknowledged, still so",
    AlertState.CLEARED_UNACKNOWLEDGED: "over by itself, nobody has seen it",
    AlertState.NORMAL: "over",
}
HELD = {
    How.OUT_OF_SERVICE: "Out of service",
    How.SUPPRESSED: "Held back",
    How.SHELVED: "Shelved",
}
"""Why nobody is sent a message of an alert, after ISA-18.2."""
ANSWERS = {Answer.YES: "yes", Answer.NO: "no", Answer.CANNOT_SAY: "cannot say"}
PHASES = {
    PhaseKind.PULL_DOWN: "Pull-down",
    PhaseKind.HOLD: "Hold",
    PhaseKind.BROKEN: "Vacuum broken",
    PhaseKind.IDLE: "Before pull-down",
}
CAUSES = {
    Cause.TIGHT: "tight",
    Cause.LEAK: "leak",
    Cause.MOISTURE: "moisture",
    Cause.LEAK_AND_MOISTURE: "leak and moisture",
    Cause.OUTGASSING: "outgassing",
    Cause.UNCLEAR: "cause unclear",
}
WITH_OR_WITHOUT = {
    Cause.LEAK: "leak, with or without moisture",
    Cause.MOISTURE: "moisture, with or without a leak",
}
JOB_STATES = {
    JobState.PLANNED: "planned",
    JobState.RUNNING: "running",
    JobState.FINISHED: "evacuation finished",
    JobState.UNPROVEN: "ended unproven",
    JobState.CLOSED: "closed",
}
ROLES = {
    Role.GAUGE: "vacuum gauge",
    Role.VALVE: "isolation valve",
    Role.PUMP: "pump",
    Role.THERMOMETER: "thermometer",
}
SOUNDS = {
    "none": "no sound",
    "rise": "three notes up",
    "fall": "three notes down",
    "two-tone": "two tones in turn",
    "warble": "warble",
    "knock": "knocking",
}
UNIT_NAMES = {
    "micron": "micron (of mercury)",
    "Pa": "Pa",
    "hPa": "hPa",
    "mbar": "mbar (the same size as hPa)",
    "Torr": "Torr",
    "kPa": "kPa",
    "°C": "°C",
    "°F": "°F",
    "L": "litres",
    "ft³": "cubic feet",
}
LOCALES = {
    "si": "international (ISO 80000)",
    "en-US": "United States",
    "en-GB": "United Kingdom",
    "en-CA": "Canada, English",
    "fr-CA": "Canada, French",
    "en-AU": "Australia",
    "en-IN": "India",
    "de-DE": "Germany",
    "de-CH": "Switzerland, German",
    "fr-FR": "France",
    "es-ES": "Spain",
    "es-MX": "Mexico",
    "it-IT": "Italy",
    "nl-NL": "Netherlands",
    "pl-PL": "Poland",
    "pt-BR": "Brazil",
    "sv-SE": "Sweden",
    "ja-JP": "Japan",
}
"""Offered by name; any other that CLDR knows can be typed."""
TOLD = {EventKind.TARGET_REACHED: "Target reached", EventKind.HOLD_FAILED: "Hold went over"}
PERSON_STATES = {
    "active": Mark(key="active", word="May log in", shape="pass", tone="calm"),
    "invited": Mark(key="invited", word="Invited", shape="await", tone="mute"),
    "disabled": Mark(key="disabled", word="Kept out", shape="silent", tone="warn"),
}
TOKEN_STATES = {
    "works": Mark(key="works", word="Works", shape="pass", tone="calm"),
    "expired": Mark(key="expired", word="Ran out", shape="rest", tone="mute"),
    "revoked": Mark(key="revoked", word="Revoked", shape="silent", tone="mute"),
}
LINKS = {"invitation": "invitation", "reset": "link to a new password"}
DONE = {
    "saved": "Saved.",
    "added": "Added.",
    "deleted": "Deleted.",
    "ended": "Ended: logged out there.",
    "revoked": "Revoked.",
    "opened": "The job is open.",
    "seen": "Noted as seen.",
    "noted": "Written down.",
    "removed": "Removed: nothing is sent there any more.",
    "tested": "A test message was asked for; what came of it stands below.",
    "made": "Made.",
}
"""What a page says after something was done."""
REFUSALS = {
    "unknown-gateway": "Gateway not registered",
    "unknown-instrument": "Instrument not registered",
    "revoked-gateway": "Gateway revoked",
    "topic": "No topic of ours",
    "name": "No possible name",
    "not-senml": "Not SenML",
    "too-large": "Too large",
    "version": "SenML version not understood",
    "must-understand": "Field not understood",
    "record": "Record not as SenML has it",
    "text": "Text that cannot be kept",
    "time-ahead": "Time in the future",
    "time-old": "Time before 2020",
    "time-float32": "Time too coarse",
    "not-finite": "Not a finite number",
    "value": "Value missing or of the wrong kind",
    "unit": "Unit missing or not understood",
    "pressure-low": "Pressure impossibly low",
    "pressure-high": "Pressure impossibly high",
    "temperature-low": "Temperature impossibly low",
    "too-many-places": "Too many places",
    "presence": "Presence not understood",
    "outcome": "Outcome not understood",
    "unknown-order": "Outcome of no order",
    "second-outcome": "Second outcome of an order",
    "database": "The database refused it",
    "over-limit": "Laid aside unread",
}
"""Reasons of refusals by their code; one that is missing here is shown as its code."""
POSITIONS = {Position.CIRCUIT: "circuit side", Position.PUMP: "pump side"}


def cause_in_words(cause: Cause, probabilities: Mapping[str, float]) -> tuple[str, float | None]:
    """A hold's estimated cause, and its probability; of an unclear one what is certain of it all the same."""
    if cause is not Cause.UNCLEAR:
        return CAUSES[cause], probabilities.get(cause)
    together = named_together(probabilities)
    return (CAUSES[cause], None) if together is None else (WITH_OR_WITHOUT[together[0]], together[1])


def duration(seconds: float) -> str:
    """``40 s``, ``12 min``, ``1 h 05 min``, ``2 d 3 h``. The pages' own script says it the same way."""
    whole = max(0, int(seconds))
    if whole < 60:
        return f"{whole}{THIN}s"
    minutes = whole // 60
    if minutes < 60:
        return f"{minutes}{THIN}min"
    hours, minutes = divmod(minutes, 60)
    if hours < 24:
        return f"{hours}{THIN}h{NO_BREAK}{minutes:02d}{THIN}min"
    days, hours = divmod(hours, 24)
    return f"{days}{THIN}d{NO_BREAK}{hours}{THIN}h"


def chance(share: float) -> str:
    """A probability that was estimated, which is never quite none or all."""
    return f"under 1{THIN}%" if share < 0.01 else f"over 99{THIN}%" if share > 0.99 else percent(share)


def percent(share: float) -> str:
    """``87 %``."""
    return f"{round(share * 100)}{THIN}%"
