"""The way from a change of an alert to a notification, in stages of a fixed order: `STAGES`.

Pure: the alert as it is, a `Scene` of what is known around it, and the clock. A look at an alert may happen
at any time and as often as one likes: what is told follows from how things stand and from the log of what was
told, so that a look too many tells nothing twice, and one that was cut short is made up for by the next.

How things may be held back follows ISA-18.2 (IEC 62682): out of service, suppressed by design, shelved. What
is held is over by itself or by somebody, and what is active then is told then. That something is over is
never held back by them: whoever was told of it must not go on for nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from desk.core import life
from desk.core.life import Change
from model.alert import NEVER_HELD, Alert, AlertState, Held, How, Priority
from model.clock import US

ON_SITE = frozenset(
    {
        "hold-failed",
        "hold-will-fail",
        "hold-inconclusive",
        "leak-suspected",
        "series-silent",
        "evacuation-unproven",
        "order-not-done",
        "valve-not-holding",
        "plan-blocked",
    }
)
"""Kinds whose action is for somebody at the site: suppressed while the site is switched to local hands,
because that somebody is there and these are what their work looks like from afar. Everything else goes on
being told: what harms the circuit within minutes (`NEVER_HELD`), what nobody at the site can see to (gateways
refused, clocks, the judgement itself), and what a person asked to be told."""

REACT_US = 1800 * US
"""An urgent alert waits so long for who is at the site to react, then it is told. ISA-18.2 suppresses by
design what is of no use in a state, and a fail that nobody acts on is of use: a switch says that somebody
came, not that they look. Our own choice; half an hour costs a circuit under vacuum little."""
LONGEST_HANDS_US = 12 * 3600 * US
"""A switch left on local hands suppresses no longer than this: somebody forgot it. Our own choice, longer
than a shift."""

CHATTER_TURNS = 2
CHATTER_US = 1800 * US
"""An alert raised so often in so long chatters. EEMUA 191 and ISA-18.2 name three times in a minute, of
signals that change in seconds; a turn of ours takes minutes, and each could wake somebody. Our own choice."""
STAYS_US = 600 * US
"""A chattering alert is told again once it has stayed as it is for so long. Our own choice."""

GATHER_US = 30 * US
"""A silent gauge waits so long for its gateway, whose silence is one alert for all its gauges."""
SETTLE_US = 300 * US
"""After a gateway is back its gauges have so long to be heard. Our own choice: several reporting
intervals."""


@dataclass(frozen=True, slots=True)
class Shelf:
    """Somebody put an alert aside."""

    until_us: int
    priority: Priority
    """As it was then: what has become more urgent is told."""
    because: str


@dataclass(frozen=True, slots=True)
class Known:
    """What people were told last of an alert, after the log of notifications."""

    edition: int
    active: bool
    priority: Priority


@dataclass(frozen=True, slots=True)
class Scene:
    """What is known around an alert; times [µs].

    Parameters
    ----------
    out_of_service : str or None
        What was taken out of service and why, as a sentence without its full stop.
    hands_since_us : int or None
        Since when the site is switched to local hands.
    gateway : str or None
        Name of its gauge's gateway whose own alert about its silence is active.
    gateway_back_us : int or None
        When such an alert of that gateway was over last.
    raised_us : tuple of int
        When it was raised lately, under the same key, the latest last.
    known : Known or None
        None: nobody was told anything.
    """

    out_of_service: str | None = None
    hands_since_us: int | None = None
    gateway: str | None = None
    gateway_back_us: int | None = None
    shelf: Shelf | None = None
    raised_us: tuple[int, ...] = ()
    known: Known | None = None


@dataclass(frozen=True, slots=True)
class Stop:
    """Where an alert's way ends for now.

    Parameters
    ----------
    held : Held or None
        Held back by one of the first three stages.
    again_us : int or None
        When to look again [µs]; None: when something changes.
    """

    held: Held | None = None
    again_us: int | None = None


@dataclass(frozen=True, slots=True)
class Way:
    """How far an alert came.

    Parameters
    ----------
    say : str or None
        What to tell: raised, raised-again, changed or cleared.
    note : str
        What is to be said besides.
    """

    held: Held | None = None
    again_us: int | None = None
    say: str | None = None
    note: str = ""


Stage = Callable[[Alert, Scene, int], Stop | None]


def inhibit(alert: Alert, scene: Scene, _now_us: int) -> Stop | None:
    """What it is about is out of service."""
    if scene.out_of_service is None or alert.kind in NEVER_HELD:
        return None
    return Stop(Held(How.OUT_OF_SERVICE, scene.out_of_service))


def suppress(alert: Alert, scene: Scene, now_us: int) -> Stop | None:
    """A state of the site or of the gateway makes it of no use."""
    if alert.kind == "series-silent" and scene.gateway is not None:
        because = f"The whole gateway {scene.gateway} is silent, which is an alert of its own"
        return Stop(Held(How.SUPPRESSED, because))
    if scene.hands_since_us is None or alert.kind not in ON_SITE:
        return None
    until_us = scene.hands_since_us + LONGEST_HANDS_US
    if alert.priority is Priority.URGENT:
        until_us = min(until_us, max(scene.hands_since_us, alert.raised_us) + REACT_US)
    if now_us >= until_us:
        return None
    because = "The site is switched to local hands: who is there sees to it"
    return Stop(Held(How.SUPPRESSED, because, until_us), until_us)


def shelve(alert: Alert, scene: Scene, now_us: int) -> Stop | None:
    """Somebody put it aside for a while."""
    shelf = scene.shelf
    if shelf is None or now_us >= shelf.until_us or alert.kind in NEVER_HELD:
        return None
    if alert.priority.rank < shelf.priority.rank:
        return None
    return Stop(Held(How.SHELVED, shelf.because, shelf.until_us), shelf.until_us)


def group(alert: Alert, scene: Scene, now_us: int) -> Stop | None:
    """Turns of a chattering alert are one: people go on being told that it holds until it stays as it is.

    Only what they know already waits: no first telling, none after they were told that it is over, and
    nothing that is more urgent than what they know.
    """
    known = scene.known
    if known is None or not known.active or turns(scene, now_us) < CHATTER_TURNS:
        return None
    if alert.state.active and alert.priority.rank < known.priority.rank:
        return None
    since_us = alert.raised_us if alert.cleared_us is None else alert.cleared_us
    until_us = min(since_us + STAYS_US, scene.raised_us[-CHATTER_TURNS] + CHATTER_US)
    return None if now_us >= until_us else Stop(again_us=until_us)


def wait(alert: Alert, scene: Scene, now_us: int) -> Stop | None:
    """A silent gauge gives its gateway time: to be told silent as a whole, or to bring readings again."""
    if alert.kind != "series-silent" or not alert.state.active:
        return None
    until_us = max(alert.raised_us + GATHER_US, (scene.gateway_back_us or 0) + SETTLE_US)
    return None if now_us >= until_us else Stop(again_us=until_us)


def deduplicate(alert: Alert, scene: Scene, _now_us: int) -> Stop | None:
    """People know it already."""
    known = scene.known
    if alert.state.active:
        told = known is not None and known.active and known.edition >= alert.edition
    else:
        told = known is None or not known.active
    return Stop() if told else None


HOLDING: tuple[Stage, ...] = (inhibit, suppress, shelve)
TELLING: tuple[Stage, ...] = (group, wait, deduplicate)
STAGES: tuple[Stage, ...] = (*HOLDING, *TELLING)
"""The order. After them it is sent, with retries, and recorded: the outbox is the log."""


def look(alert: Alert, scene: Scene, now_us: int) -> tuple[Change | None, Way]:
    """Hold an alert back or let it go, and send it on its way as it then is."""
    change = life.hold(alert, through(alert, scene, now_us).held, now_us)
    return change, through(alert if change is None else change.alert, scene, now_us)


def through(alert: Alert, scene: Scene, now_us: int) -> Way:
    """Send an alert on its way."""
    held, again_us = alert.held, None
    if alert.state is not AlertState.NORMAL:
        stop = _first(HOLDING, alert, scene, now_us) or Stop()
        held, again_us = stop.held, stop.again_us
        if held is not None and alert.state.active:
            return Way(held, again_us)
    end = _first(TELLING, alert, scene, now_us)
    if end is not None:
        return Way(held, _earlier(again_us, end.again_us))
    return Way(held, again_us, _word(alert, scene.known), _remark(alert, scene, now_us))


def turns(scene: Scene, now_us: int) -> int:
    """How often it was raised lately."""
    return sum(now_us - one < CHATTER_US for one in scene.raised_us)


def _first(stages: tuple[Stage, ...], alert: Alert, scene: Scene, now_us: int) -> Stop | None:
    return next((stop for stage in stages if (stop := stage(alert, scene, now_us)) is not None), None)


def _word(alert: Alert, known: Known | None) -> str:
    if not alert.state.active:
        return "cleared"
    if known is None:
        return "raised"
    return "changed" if known.active else "raised-again"


def _remark(alert: Alert, scene: Scene, now_us: int) -> str:
    many = turns(scene, now_us)
    if many < CHATTER_TURNS:
        return ""
    return f"It comes and goes: raised {many} times within {CHATTER_US // (60 * US)} min."


def _earlier(one: int | None, other: int | None) -> int | None:
    return min((at for at in (one, other) if at is not None), default=None)
