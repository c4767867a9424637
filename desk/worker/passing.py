"""Sends alerts on their way: `desk.core.pipeline` decides, here it is read, written down and enqueued.

A look is one transaction under the alert's lock. What waits is a timer; whoever takes it looks, so a desk
that dies before its commit has told nothing and left the timer, and one that dies after it has told once.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass

from desk.core import life, pipeline
from desk.core.message import cloud_event
from desk.core.pipeline import Known, Scene, Shelf, Way
from model.alert import Alert
from model.channel import Tells
from model.clock import Clock
from model.errors import NotFound
from store import alerts, channels, notifications, scenes, shelving, timers
from store.database import Connection

KINDS = (shelving.LOOK,)
AT_ONCE = 50


@dataclass(frozen=True, slots=True)
class Outlets:
    """Where notifications go besides the company's channels, and the source that they name.

    Parameters
    ----------
    channels : tuple of int
        The webhook of this desk's settings, if they name one. Where they name none it is told nothing.
    """

    channels: tuple[int, ...]
    source: str


def work_off(conn: Connection, clock: Clock, outlets: Outlets) -> int:
    """Take alerts that are to be looked at again, one transaction for each; how many there were."""
    now_us = clock.now_us()
    with conn.transaction():
        gone_off = timers.due(conn, KINDS, now_us, AT_ONCE)
    for timer in gone_off:
        with conn.transaction():
            _look(conn, timer.subject, now_us, outlets)
    return len(gone_off)


def _look(conn: Connection, subject: str, now_us: int, outlets: Outlets) -> None:
    # The alert first, then its timer, as who shelves it does: two that meet here wait, and never for each
    # other.
    try:
        alert = alerts.lock(conn, int(subject))
    except NotFound:
        timers.drop(conn, shelving.LOOK, [subject])
        return
    if timers.take(conn, shelving.LOOK, [subject], now_us):
        on_its_way(conn, alert, now_us, outlets)


def on_its_way(conn: Connection, alert: Alert, now_us: int, outlets: Outlets, note: str = "") -> None:
    """Let an alert go as far as it may now.

    Parameters
    ----------
    alert : Alert
        Locked by the caller's transaction.
    note : str
        Why it is as it is, if that is of now.
    """
    change, way = pipeline.look(alert, scene_of(conn, alert, now_us), now_us)
    if change is not None:
        alerts.save(conn, change.alert, change.what, note=change.note)
        alert, note = change.alert, note or change.note
    if way.again_us is not None:
        shelving.look(conn, alert.id, way.again_us)
    if way.say is not None:
        _tell(conn, alert, way, outlets, note)


def scene_of(conn: Connection, alert: Alert, now_us: int) -> Scene:
    """What stands around an alert."""
    around = scenes.around(conn, alert.id, now_us, pipeline.CHATTER_US)
    return Scene(
        out_of_service=around.out_of_service,
        hands_since_us=around.hands_since_us,
        gateway=around.gateway,
        gateway_back_us=around.gateway_back_us,
        shelf=None if around.shelf is None else Shelf(*around.shelf),
        raised_us=around.raised_us,
        known=None if around.known is None else Known(*around.known),
    )


def _tell(conn: Connection, alert: Alert, way: Way, outlets: Outlets, note: str) -> None:
    """Put it into the outbox of every channel that has not had it."""
    assert way.say is not None
    told = [
        one
        for one in channels.telling(conn, Tells.ALERTS)
        if not one.of_settings or one.id in outlets.channels
    ]
    if not told:
        return
    site, job = alerts.where(conn, alert.id)
    change = life.Change(alert, way.say, " ".join(filter(None, (note, way.note))))
    key = scenes.key(alert.id, alert.edition, active=alert.state.active)
    for channel in told:
        body = cloud_event(
            change, alert.id, event_id=str(uuid.uuid4()), source=outlets.source, site=site, job=job
        )
        notifications.enqueue(conn, channel.id, way.say, body, alert.updated_us, alert_id=alert.id, key=key)
