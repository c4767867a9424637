"""Kinds of events. Events are facts, recorded once, in the order of their commit."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class EventKind(StrEnum):
    """What happened. The names are part of the outside contract (event stream, webhooks)."""

    JOB_OPENED = "job-opened"
    JOB_CLOSED = "job-closed"
    """By a person, or because it is long over; nothing asks to act on it any more."""
    JOB_CHANGED = "job-changed"
    """By a person: what it is judged by, or which instrument served it when."""
    JOB_REOPENED = "job-reopened"
    PULL_DOWN_STARTED = "pull-down-started"
    TARGET_REACHED = "target-reached"
    VACUUM_BROKEN = "vacuum-broken"
    PUMP_STOPPED = "pump-stopped-open"
    """With the valve open and a vacuum in the circuit."""
    PUMP_STOP_OVER = "pump-stop-over"
    """The pump runs again, or the circuit is no longer open to it."""
    HOLD_STARTED = "hold-started"
    HOLD_WILL_FAIL = "hold-will-fail"
    """An estimate, told once for a hold; the verdict follows the rule."""
    HOLD_PASSED = "hold-passed"
    HOLD_FAILED = "hold-failed"
    HOLD_INCONCLUSIVE = "hold-inconclusive"
    HOLD_AWAITING = "hold-awaiting-readings"
    HOLD_REVISED = "hold-revised"
    """An earlier verdict was withdrawn or changed by late readings."""
    HOLD_ADVISED = "hold-advice-changed"
    """The verdict, its cause and how soon stay; what to do was estimated anew."""
    EVACUATION_FINISHED = "evacuation-finished"
    EVACUATION_UNPROVEN = "evacuation-ended-unproven"
    SERIES_SILENT = "series-silent"
    SERIES_BACK = "series-back"
    SERIES_PARKED = "series-parked"
    """The judgement of a job failed three times and waits for a developer."""
    VALVE_REPORTED = "valve-reported"
    ORDER_ASKED = "order-asked"
    ORDER_SENT = "order-sent"
    ORDER_DONE = "order-done"
    """Says the gateway; where the valve stands is what the valve reports."""
    ORDER_REFUSED = "order-refused"
    ORDER_FAILED = "order-failed"
    ORDER_EXPIRED = "order-expired"
    OPENING_FALLS = "opening-falls"
    """After an opening the pressure fell, as it should."""
    OPENING_LEVEL = "opening-level"
    """It stands so deep that no fall can be seen, and has not risen."""
    OPENING_UNSAFE = "opening-unsafe"
    """It did not, or rose, or nobody knows: the valve is being closed."""
    VALVE_HOLDS = "valve-holds"
    """After a close the pressure did not go on falling."""
    VALVE_NOT_HOLDING = "valve-not-holding"
    """The valve reports closed while it does."""
    GUIDED_CHECK = "guided-check"
    """Somebody went on with a guided check at the site, or took a press back."""
    GATEWAY_REFUSED = "gateway-refused"
    """Messages of it, or in the name of no registered one, are being refused."""
    GATEWAY_OVER_LIMIT = "gateway-over-limit"
    """So many that they are only counted, or laid aside unread."""
    GATEWAY_REFUSED_NO_MORE = "gateway-refused-no-more"
    CLOCK_WRONG = "clock-wrong"
    CLOCK_RIGHT = "clock-right"
    PLAN_BLOCKED = "plan-blocked"
    """A hold plan cannot go on by itself."""
    PLAN_WENT_ON = "plan-went-on"
    PLAN_CALLED_OFF = "plan-called-off"
    PLAN_DRIES = "plan-dries"
    """After a hold that failed by moisture a plan has opened the valve to the pump."""
    PLAN_DRIES_NO_MORE = "plan-dries-no-more"
    """It does not, or stops before its time: the valve is left closed, and somebody is needed."""
    PLAN_REPORTED = "plan-reported"
    """At the time that was asked for: how it went, or how it stands."""
    GATEWAY_SILENT = "gateway-silent"
    """All its gauges are, and a hold waits for one of them."""
    GATEWAY_BACK = "gateway-back"
    LOCAL_HANDS = "local-hands"
    """A site was switched to local hands: who is there decides."""
    LOCAL_HANDS_OVER = "local-hands-over"
    OUT_OF_SERVICE = "alerts-out-of-service"
    """Of an instrument or gateway, by a person."""
    BACK_IN_SERVICE = "alerts-back-in-service"


@dataclass(frozen=True, slots=True)
class Event:
    """A recorded fact.

    Parameters
    ----------
    happened_us, recorded_us : int
        Event time, and when we learned of it [µs].
    subject : str
        What it is about, for example ``hold:<start>``; with ``kind`` and ``job_id`` the identity of a fact.
    """

    id: int
    kind: EventKind
    happened_us: int
    recorded_us: int
    text: str
    subject: str
    site_id: int | None = None
    job_id: int | None = None
    data: dict[str, object] = field(default_factory=dict)
