"""Which events raise, change or clear which alert: one table, `RULES`.

Only what asks somebody to act is an alert. Each has a key by what it is about (``job:12/hold:…``,
``gateway:gw-7/refused``), so that a fact told again changes an alert instead of making another.

What the rules read of an event's data, all optional: ``verdict`` and ``because`` (revisions; a verdict that
is missing or not final withdraws the earlier one), ``probabilities``, ``urgency`` and ``advice`` (estimates),
``phase`` and ``by_valve`` (silence), ``target_reached`` and ``last_verdict`` (an evacuation that ended),
``why`` (a job that was closed), ``valve`` (an order), ``instrument`` (silence), ``gateway`` (refused
messages), ``ahead_s`` (a clock), ``priority`` (a silent gateway), ``gateway_id`` and ``instrument_id`` (what
alerts have to be looked at again).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from desk.core import actions
from desk.core.life import Told
from model import skew
from model.alert import Priority
from model.event import Event, EventKind
from model.judgement import LEAK_SUSPECTED, PhaseKind, Urgency, Verdict, leak_probability
from model.order import OrderAction

LATE_US = 600 * 1_000_000
"""A verdict learned of later than this is marked late. Our own choice: longer than any live path takes."""


@dataclass(frozen=True, slots=True)
class Clear:
    """Clear live alerts: the one of ``key``, or all whose key begins with it."""

    key: str
    is_prefix: bool
    before_us: int | None
    """Only alerts about facts before this event time [µs]: readings of last night end no alert of today."""
    reason: str
    event_id: int


@dataclass(frozen=True, slots=True)
class Advise:
    """Let a live alert say something else to do; nobody is notified."""

    key: str
    action: str
    event_id: int


@dataclass(frozen=True, slots=True)
class LookAgain:
    """Send live alerts on their way again: something around them has changed that may hold them back."""

    site_id: int | None = None
    gateway_id: int | None = None
    instrument_id: int | None = None


Step = Told | Clear | Advise | LookAgain


@dataclass(frozen=True, slots=True)
class Raising:
    """How to raise; the text is the event's own sentence."""

    about: str
    kind: str
    priority: Priority | Callable[[Event], Priority]
    action: str | Callable[[Event], str]
    anew: bool = False
    """Also to who has acknowledged it."""


@dataclass(frozen=True, slots=True)
class Clearing:
    """How to clear: ``every`` alert about such things of the job, or only that of the same one."""

    about: str
    reason: str | Callable[[Event], str]
    every: bool = False
    ordered: bool = True
    """Only alerts about earlier facts, by event time."""


@dataclass(frozen=True, slots=True)
class Advising:
    """How to let an alert that is raised ask for something else."""

    about: str
    action: Callable[[Event], str]


@dataclass(frozen=True, slots=True)
class Around:
    """Look again at the alerts of the event's site, or of the gateway or instrument that it names."""

    of_site: bool = False


@dataclass(frozen=True, slots=True)
class Rule:
    """A row of the table."""

    on: frozenset[EventKind]
    do: Raising | Clearing | Advising | Around
    when: Callable[[Event], bool] = lambda event: True


def leak_suspected(event: Event) -> bool:
    """Whether a pass should be told as "passed by the rule, leak suspected"."""
    given = event.data.get("probabilities")
    return isinstance(given, Mapping) and leak_probability(given) >= LEAK_SUSPECTED


def _no_leak_suspected(event: Event) -> bool:
    return not leak_suspected(event)


def _still_open(event: Event) -> bool:
    # Readings that came late may tell of a forecast and of the verdict at once.
    return event.data.get("verdict") not in FINAL


def _during_hold(event: Event) -> bool:
    return event.data.get("phase", PhaseKind.HOLD) == PhaseKind.HOLD


def _silence_priority(event: Event) -> Priority:
    # With the valve reported closed, stored readings can still prove the hold; without, the gap spoils it.
    return Priority.MEDIUM if event.data.get("by_valve") else Priority.HIGH


def _unproven_priority(event: Event) -> Priority:
    # Pumped to the target and not tested is a smaller doubt than never dry, or known to have failed.
    doubtful = event.data.get("target_reached") is False or event.data.get("last_verdict") == Verdict.FAILED
    return Priority.MEDIUM if doubtful else Priority.LOW


def _about_hold(event: Event) -> str:
    given = event.data.get("advice")
    return actions.about_hold([str(line) for line in given] if isinstance(given, list) else [])


def _about_will_fail(event: Event) -> str:
    return _about_hold(event) if event.data.get("advice") else actions.WILL_FAIL


def _will_fail_priority(event: Event) -> Priority:
    return Priority.URGENT if event.data.get("urgency") == Urgency.NOW else Priority.HIGH


def _fail_priority(event: Event) -> Priority:
    # Where nobody knows how soon, it is urgent.
    return Priority.HIGH if event.data.get("urgency") == Urgency.CAN_WAIT else Priority.URGENT


def _gateway_priority(event: Event) -> Priority:
    # As urgent as the most urgent of the gauges that it takes with it.
    return Priority(str(event.data.get("priority", Priority.HIGH)))


def _nothing_proved_priority(event: Event) -> Priority:
    return Priority.URGENT if event.data.get("urgency") == Urgency.NOW else Priority.MEDIUM


def _stopped_priority(event: Event) -> Priority:
    # A curve may be mistaken, a report hardly.
    return Priority.HIGH if event.data.get("by_curve") else Priority.URGENT


def _not_over(event: Event) -> bool:
    return not event.data.get("over")


def _about_refused(event: Event) -> str:
    if not event.data.get("gateway"):
        return actions.STRANGERS
    return actions.OVER_LIMIT if event.kind is EventKind.GATEWAY_OVER_LIMIT else actions.REFUSED


def _order_not_done(event: Event) -> str:
    expired = event.kind is EventKind.ORDER_EXPIRED
    if event.data.get("action") == OrderAction.OPEN:
        return actions.OPEN_EXPIRED if expired else actions.OPEN_NOT_DONE
    return actions.ORDER_EXPIRED if expired else actions.ORDER_NOT_DONE


def _why_closed(event: Event) -> str:
    return str(event.data.get("why") or "the job was closed.")


def _clock_priority(event: Event) -> Priority:
    ahead_s = event.data.get("ahead_s")
    refused = isinstance(ahead_s, float) and skew.how(ahead_s) is skew.Off.REFUSED
    return Priority.HIGH if refused else Priority.MEDIUM


def _on(*kinds: EventKind) -> frozenset[EventKind]:
    return frozenset(kinds)


ANYTHING = ""
OF_GATEWAYS = ("refused", "clock", "silent")
"""What is about a gateway and no job; the events' subjects are ``gateway:NAME``, and ``gateway:-`` for all
names of no registered one."""
FINAL = frozenset(verdict.value for verdict in Verdict if verdict.final)
VERDICTS = _on(EventKind.HOLD_PASSED, EventKind.HOLD_FAILED, EventKind.HOLD_INCONCLUSIVE)
JUDGED = VERDICTS | _on(
    EventKind.PULL_DOWN_STARTED,
    EventKind.TARGET_REACHED,
    EventKind.VACUUM_BROKEN,
    EventKind.HOLD_STARTED,
    EventKind.HOLD_WILL_FAIL,
    EventKind.HOLD_AWAITING,
    EventKind.HOLD_REVISED,
    EventKind.EVACUATION_FINISHED,
    EventKind.EVACUATION_UNPROVEN,
)
"""What only a judgement that works can tell."""

RULES: tuple[Rule, ...] = (
    Rule(
        _on(EventKind.HOLD_FAILED),
        Raising("hold", "hold-failed", _fail_priority, _about_hold),
    ),
    Rule(
        _on(EventKind.HOLD_WILL_FAIL),
        Raising("forecast", "hold-will-fail", _will_fail_priority, _about_will_fail),
        when=_still_open,
    ),
    # By order of knowledge: a verdict ends what was expected, however early it was decided.
    Rule(VERDICTS, Clearing("forecast", "the hold is decided.", ordered=False)),
    Rule(
        _on(EventKind.HOLD_INCONCLUSIVE),
        Raising("hold", "hold-inconclusive", _nothing_proved_priority, _about_hold),
        when=lambda event: event.data.get("reason") != "broken-as-asked",
    ),
    Rule(
        _on(EventKind.HOLD_PASSED),
        Raising("hold", "leak-suspected", Priority.MEDIUM, _about_hold),
        when=leak_suspected,
    ),
    Rule(
        _on(EventKind.HOLD_PASSED),
        Clearing("hold", "the hold passed.", ordered=False),
        when=_no_leak_suspected,
    ),
    Rule(
        _on(EventKind.HOLD_PASSED),
        Clearing("hold", "a later hold passed.", every=True),
        when=_no_leak_suspected,
    ),
    # Readings that came late may tell of a stop that was over long ago: an event, not an alert.
    Rule(
        _on(EventKind.PUMP_STOPPED),
        Raising("pump", "pump-stopped-open", _stopped_priority, actions.PUMP_STOPPED),
        when=_not_over,
    ),
    Rule(
        _on(EventKind.PUMP_STOP_OVER),
        Clearing("pump", "the circuit no longer lies open to a pump that stands.", ordered=False),
    ),
    Rule(
        _on(EventKind.HOLD_STARTED, EventKind.VACUUM_BROKEN),
        Clearing("pump", "the evacuation went on.", every=True),
    ),
    Rule(_on(EventKind.HOLD_ADVISED), Advising("hold", _about_hold)),
    Rule(
        _on(EventKind.SERIES_SILENT),
        Raising("silence", "series-silent", _silence_priority, actions.SILENT),
        when=_during_hold,
    ),
    Rule(_on(EventKind.SERIES_BACK), Clearing("silence", "readings come again.", ordered=False)),
    Rule(VERDICTS, Clearing("silence", "the hold is decided.", every=True)),
    Rule(
        _on(EventKind.VACUUM_BROKEN, EventKind.EVACUATION_FINISHED, EventKind.EVACUATION_UNPROVEN),
        Clearing("silence", "the hold is over.", every=True),
    ),
    Rule(
        _on(EventKind.SERIES_PARKED),
        Raising("judgement", "series-parked", Priority.HIGH, actions.PARKED),
    ),
    # By order of knowledge: what the judgement tells when it works again may be of last night.
    Rule(JUDGED, Clearing("judgement", "the job is judged again.", every=True, ordered=False)),
    Rule(
        _on(EventKind.EVACUATION_UNPROVEN),
        Raising("evacuation", "evacuation-unproven", _unproven_priority, actions.UNPROVEN),
    ),
    Rule(
        _on(EventKind.PULL_DOWN_STARTED),
        Clearing("evacuation", "it is being pumped down again.", every=True),
    ),
    Rule(
        _on(EventKind.EVACUATION_FINISHED),
        Clearing("evacuation", "the evacuation is finished.", every=True, ordered=False),
    ),
    Rule(
        _on(EventKind.ORDER_REFUSED, EventKind.ORDER_FAILED, EventKind.ORDER_EXPIRED),
        Raising("order", "order-not-done", Priority.HIGH, _order_not_done),
    ),
    # By order of knowledge: an outcome may come after the order had expired, with an earlier time of its act.
    Rule(_on(EventKind.ORDER_DONE), Clearing("order", "an order was carried out.", ordered=False)),
    Rule(
        _on(EventKind.HOLD_STARTED, EventKind.VACUUM_BROKEN),
        Clearing("order", "the evacuation went on without it.", every=True),
    ),
    Rule(
        _on(EventKind.OPENING_UNSAFE),
        Raising("opening", "opening-unsafe", Priority.URGENT, actions.OPENING_UNSAFE),
    ),
    Rule(_on(EventKind.OPENING_FALLS), Clearing("opening", "a later opening did what it should.")),
    Rule(
        _on(EventKind.VALVE_NOT_HOLDING),
        Raising("valve", "valve-not-holding", Priority.HIGH, actions.NOT_HOLDING),
    ),
    Rule(_on(EventKind.VALVE_HOLDS), Clearing("valve", "the pressure agrees with a later close.")),
    Rule(_on(EventKind.VACUUM_BROKEN), Clearing("opening", "the vacuum was broken.", every=True)),
    Rule(_on(EventKind.VACUUM_BROKEN), Clearing("valve", "the vacuum was broken.", every=True)),
    Rule(_on(EventKind.PLAN_DRIES), Advising("hold", lambda event: f"{event.text} {actions.PLAN_DRIES}")),
    Rule(
        _on(EventKind.PLAN_DRIES_NO_MORE),
        Raising("hold", "hold-failed", _fail_priority, _about_hold, anew=True),
    ),
    Rule(_on(EventKind.PLAN_BLOCKED), Raising("plan", "plan-blocked", Priority.HIGH, actions.PLAN_BLOCKED)),
    Rule(_on(EventKind.PLAN_WENT_ON), Clearing("plan", "the plan went on.", ordered=False)),
    Rule(_on(EventKind.PLAN_CALLED_OFF), Clearing("plan", "the plan was called off.", ordered=False)),
    Rule(
        _on(EventKind.HOLD_STARTED, EventKind.VACUUM_BROKEN),
        Clearing("plan", "the evacuation went on.", every=True),
    ),
    Rule(
        _on(EventKind.PLAN_REPORTED),
        Raising("report", "plan-report", Priority.LOW, actions.PLAN_REPORT),
        # Who has a channel of their own is told over that, and Dispatch has nothing to do.
        when=lambda event: not event.data.get("told"),
    ),
    Rule(
        _on(EventKind.GATEWAY_REFUSED),
        Raising("refused", "gateway-refused", Priority.MEDIUM, _about_refused),
    ),
    # Beyond the limits what is refused is not all kept, and good packs may lie unread among the others.
    Rule(
        _on(EventKind.GATEWAY_OVER_LIMIT),
        Raising("refused", "gateway-over-limit", Priority.HIGH, _about_refused),
    ),
    Rule(
        _on(EventKind.GATEWAY_REFUSED_NO_MORE),
        Clearing("refused", "nothing was refused for half an hour.", ordered=False),
    ),
    Rule(_on(EventKind.CLOCK_WRONG), Raising("clock", "clock-wrong", _clock_priority, actions.CLOCK_WRONG)),
    Rule(
        _on(EventKind.CLOCK_RIGHT),
        Clearing("clock", lambda event: event.text, ordered=False),
    ),
    Rule(
        _on(EventKind.GATEWAY_SILENT),
        Raising("silent", "gateway-silent", _gateway_priority, actions.GATEWAY_SILENT),
    ),
    Rule(_on(EventKind.GATEWAY_BACK), Clearing("silent", lambda event: event.text, ordered=False)),
    Rule(_on(EventKind.LOCAL_HANDS, EventKind.LOCAL_HANDS_OVER), Around(of_site=True)),
    Rule(
        _on(
            EventKind.GATEWAY_SILENT,
            EventKind.GATEWAY_BACK,
            EventKind.OUT_OF_SERVICE,
            EventKind.BACK_IN_SERVICE,
        ),
        Around(),
    ),
    Rule(
        _on(EventKind.JOB_CLOSED),
        Clearing(ANYTHING, _why_closed, every=True, ordered=False),
    ),
)


def steps(event: Event) -> list[Step]:
    """What an event does to the alerts, in the order of the table."""
    if event.kind is EventKind.HOLD_REVISED:
        return _revised(event)
    return [_step(rule.do, event) for rule in RULES if event.kind in rule.on and rule.when(event)]


def not_understood(event: Event) -> Told:
    """The alert about an event that the rules could not take: it is told, never dropped."""
    return Told(
        key=f"job:{event.job_id or 0}/event:{event.id}",
        kind="event-not-understood",
        priority=Priority.HIGH,
        text=f"The desk could not make sense of this, and there may be something to do: {event.text}",
        action=actions.NOT_UNDERSTOOD,
        site_id=event.site_id,
        job_id=event.job_id,
        happened_us=event.happened_us,
        event_id=event.id,
    )


def _revised(event: Event) -> list[Step]:
    """A verdict changed or withdrawn later acts as the new verdict does, with the reason."""
    because = str(event.data.get("because") or "no reason given")
    kind = KIND_OF_VERDICT.get(str(event.data.get("verdict")))
    if kind is None:
        withdrawn = Clearing("hold", f"the verdict is withdrawn ({because}). {event.text}", ordered=False)
        forgotten = Clearing("forecast", "the hold is judged anew.", ordered=False)
        judged_again = [rule.do for rule in RULES if event.kind in rule.on]
        return [_step(do, event) for do in (withdrawn, forgotten, *judged_again)]
    revised = steps(replace(event, kind=kind, text=f"{event.text} Revised: {because}."))
    return [_with_reason(step, because, _key(event, "hold")) for step in revised]


KIND_OF_VERDICT: Mapping[str, EventKind] = {
    Verdict.PASSED: EventKind.HOLD_PASSED,
    Verdict.FAILED: EventKind.HOLD_FAILED,
    Verdict.INCONCLUSIVE: EventKind.HOLD_INCONCLUSIVE,
}


def _with_reason(step: Step, because: str, key: str) -> Step:
    if isinstance(step, Clear) and step.key == key and not step.is_prefix:
        return replace(step, reason=f"{step.reason} Revised: {because}.")
    return step


def _step(do: Raising | Clearing | Advising | Around, event: Event) -> Step:
    if isinstance(do, Around):
        if do.of_site:
            return LookAgain(site_id=event.site_id)
        return LookAgain(
            gateway_id=_number(event, "gateway_id"), instrument_id=_number(event, "instrument_id")
        )
    if isinstance(do, Advising):
        return Advise(_key(event, do.about), do.action(event), event.id)
    if isinstance(do, Clearing):
        return Clear(
            key=_prefix(event, do.about) if do.every else _key(event, do.about),
            is_prefix=do.every,
            before_us=event.happened_us if do.ordered else None,
            reason=do.reason(event) if callable(do.reason) else do.reason,
            event_id=event.id,
        )
    return Told(
        key=_key(event, do.about),
        kind=do.kind,
        priority=do.priority(event) if callable(do.priority) else do.priority,
        text=event.text + late_remark(event),
        action=do.action(event) if callable(do.action) else do.action,
        site_id=event.site_id,
        job_id=event.job_id,
        happened_us=event.happened_us,
        event_id=event.id,
        anew=do.anew,
        instrument=_instrument(event, do.about),
    )


def _instrument(event: Event, about: str) -> str | None:
    """The one instrument that an alert is about; a hold, a pump or a plan are about the circuit."""
    name = {"silence": "instrument", "order": "valve", "valve": "valve"}.get(about)
    given = None if name is None else event.data.get(name)
    return given if isinstance(given, str) else None


def _number(event: Event, name: str) -> int | None:
    given = event.data.get(name)
    return given if isinstance(given, int) else None


def late_remark(event: Event) -> str:
    """A sentence about a verdict that was learned of late, else nothing."""
    late_us = event.recorded_us - event.happened_us
    # A cause that became clearer is news of now, however old its verdict.
    if event.kind not in VERDICTS or late_us <= LATE_US or event.data.get("because") == "more readings":
        return ""
    minutes = late_us // 60_000_000
    spell = f"{minutes} min" if minutes < 120 else f"{minutes // 60} h"
    return f" Late: known {spell} after it happened."


def _prefix(event: Event, about: str) -> str:
    return f"job:{event.job_id or 0}/{about}"


def _key(event: Event, about: str) -> str:
    if about in OF_GATEWAYS:
        return f"{event.subject}/{about}"
    # A job has many holds and gauges, but one judgement, and one evacuation at a time.
    if about in ("order", "opening", "valve"):
        return f"{_prefix(event, about)}:{event.data.get('valve')}"
    subject = f":{event.subject}" if about in ("hold", "silence", "forecast", "plan", "report") else ""
    return _prefix(event, about) + subject
