"""Topics of the contract."""

from __future__ import annotations

import pytest

from ingest.topics import Kind, Topic, parse
from model.errors import Refused


@pytest.mark.parametrize(
    ("text", "topic"),
    [
        ("hf/1/gw1/g1/data", Topic(Kind.DATA, "gw1", "g1")),
        ("hf/1/gw1/g1/late", Topic(Kind.LATE, "gw1", "g1")),
        ("hf/1/gw1/g1/outcome", Topic(Kind.OUTCOME, "gw1", "g1")),
        ("hf/1/gw1/presence", Topic(Kind.PRESENCE, "gw1")),
    ],
)
def test_topics_of_gateways(text: str, topic: Topic) -> None:
    assert parse(text) == topic


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("hf/2/gw1/g1/data", "topic"), ("hf/1/gw1/g1/order", "topic"), ("hf/1/gw1/receipt", "topic"),
        ("hf/1/gw1/g1/data/x", "topic"), ("", "topic"), ("hf/1/gw1/data", "topic"),
        ("hf/1/GW/g1/data", "name"), ("hf/1/gw1/g_1/data", "name"), ("hf/1/gw1//data", "name"),
        ("hf/1/-gw/presence", "name"), ("hf/1//presence", "name"), (f"hf/1/{'g' * 41}/presence", "name"),
        ("hf/1/gw1/g1\x00/data", "name"), ("hf/1/gw1/g\u00e4/data", "name"),
    ],
)  # fmt: skip
def test_other_topics_and_names_are_refused(text: str, code: str) -> None:
    with pytest.raises(Refused) as caught:
        parse(text)
    assert caught.value.code == code
