"""The CloudEvent that tells of an alert."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import jsonschema
import pytest

from desk.core import life
from desk.core.life import Change, Told
from desk.core.message import cloud_event
from model.alert import Priority

# Written from the text of CloudEvents 1.0.2, "Context Attributes" and JSON event format section 3:
# which attributes are required, non-empty strings, attribute names of lower-case letters and digits only.
CLOUD_EVENT = {
    "type": "object",
    "required": ["specversion", "id", "source", "type"],
    "properties": {
        "specversion": {"const": "1.0"},
        "id": {"type": "string", "minLength": 1},
        "source": {"type": "string", "minLength": 1, "format": "uri-reference"},
        "type": {"type": "string", "minLength": 1},
        "subject": {"type": "string", "minLength": 1},
        "time": {"type": "string", "format": "date-time"},
        "datacontenttype": {"const": "application/json"},
    },
    "propertyNames": {"pattern": "^[a-z0-9]+$"},
}

TOLD = Told(
    key="job:12/hold:a",
    kind="hold-failed",
    priority=Priority.URGENT,
    text="The hold failed.",
    action="Test the rig.",
    site_id=3,
    job_id=12,
    happened_us=1_750_000_000_250_000,
    event_id=7,
)


def event_of(change: Change | None) -> dict[str, Any]:
    assert change is not None
    return dict(cloud_event(change, 5, event_id="e-1", source="urn:test", site="Saltmarsh", job="Rack B"))


def test_raised_alert_is_a_valid_cloud_event() -> None:
    event = event_of(life.tell(None, TOLD, 1_750_000_060_000_000))
    jsonschema.validate(event, CLOUD_EVENT, format_checker=jsonschema.FormatChecker())
    assert event["type"] == "holdfast.alert.raised.v1"
    assert (event["id"], event["source"], event["subject"]) == ("e-1", "urn:test", "alert/5")
    assert datetime.fromisoformat(event["time"]) == datetime.fromisoformat("2025-06-15T15:07:40+00:00")


def test_data_says_what_where_and_what_to_do() -> None:
    data = event_of(life.tell(None, TOLD, 1_750_000_060_000_000))["data"]
    assert data["alert"] == 5
    assert (data["priority"], data["state"], data["kind"]) == (
        "urgent", "active-unacknowledged", "hold-failed",
    )  # fmt: skip
    assert (data["text"], data["action"]) == ("The hold failed.", "Test the rig.")
    assert (data["site"], data["job"]) == ({"id": 3, "name": "Saltmarsh"}, {"id": 12, "title": "Rack B"})
    assert data["happened"] == "2025-06-15T15:06:40.250+00:00"


@pytest.mark.parametrize(
    ("what", "type_name"),
    [
        ("cleared", "holdfast.alert.cleared.v1"),
        ("changed", "holdfast.alert.changed.v1"),
        ("raised-again", "holdfast.alert.raised.v1"),
    ],
)
def test_type_names_what_became_of_it(what: str, type_name: str) -> None:
    raised = life.tell(None, TOLD, 1)
    assert raised is not None
    assert event_of(Change(raised.alert, what, "Because."))["type"] == type_name
    assert event_of(Change(raised.alert, what, "Because."))["data"]["because"] == "Because."
