"""A change of an alert as a CloudEvent, for programs elsewhere.

CloudEvents 1.0.2 in the JSON event format (section 3, "Envelope"): https://github.com/cloudevents/spec.
"""

from __future__ import annotations

from desk.core.life import Change
from model.clock import to_datetime

TYPES = {
    "raised": "holdfast.alert.raised.v1",
    "raised-again": "holdfast.alert.raised.v1",
    "changed": "holdfast.alert.changed.v1",
    "cleared": "holdfast.alert.cleared.v1",
}
"""Type of the event by what became of the alert; part of the outside contract."""


def cloud_event(
    change: Change, alert_id: int, *, event_id: str, source: str, site: str | None, job: str | None
) -> dict[str, object]:
    """The envelope with the alert as it is after the change.

    Parameters
    ----------
    change : Change
        One that is worth telling.
    alert_id : int
        A new alert does not know its own yet.
    event_id : str
        Unique with ``source``; the same at every attempt, so that a receiver can drop what it has had.
    source : str
        URI reference of this installation.
    site, job : str or None
        Names for people.
    """
    alert = change.alert
    return {
        "specversion": "1.0",
        "id": event_id,
        "source": source,
        "type": TYPES[change.what],
        "subject": f"alert/{alert_id}",
        "time": rfc3339(alert.updated_us),
        "datacontenttype": "application/json",
        "data": {
            "alert": alert_id,
            "key": alert.key,
            "kind": alert.kind,
            "priority": alert.priority.value,
            "state": alert.state.value,
            "text": alert.text,
            "action": alert.action,
            "because": change.note,
            "site": None if alert.site_id is None else {"id": alert.site_id, "name": site},
            "job": None if alert.job_id is None else {"id": alert.job_id, "title": job},
            "happened": rfc3339(alert.happened_us),
            "raised": rfc3339(alert.raised_us),
            "count": alert.count,
        },
    }


def rfc3339(us: int) -> str:
    """A moment [µs] as RFC 3339 text with offset."""
    return to_datetime(us).isoformat(timespec="milliseconds")
