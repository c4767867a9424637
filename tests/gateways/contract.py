"""Messages against the AsyncAPI document."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import yaml
from jsonschema import Draft7Validator

DOCUMENT = Path(__file__).parents[2] / "docs" / "reference" / "asyncapi.yaml"


@cache
def document() -> dict[str, Any]:
    """The document as it stands."""
    loaded = yaml.safe_load(DOCUMENT.read_text())
    assert isinstance(loaded, dict)
    return loaded


def schema(name: str) -> dict[str, Any]:
    """A schema of the document with everything that it refers to."""
    return {"$ref": f"#/components/schemas/{name}", "components": document()["components"]}


@cache
def validator(name: str) -> Draft7Validator:
    """What checks a payload; AsyncAPI's schemas are of JSON Schema draft 7."""
    return Draft7Validator(schema(name))


@cache
def patterns() -> tuple[tuple[re.Pattern[str], str, dict[str, Any]], ...]:
    """Each channel's topics, its schema, and the channel."""
    found = []
    for channel in document()["channels"].values():
        topic = re.sub(r"\\\{\w+\\\}", "[a-z0-9-]{2,40}", re.escape(channel["address"]))
        (reference,) = channel["messages"].values()
        message = document()["components"]["messages"][reference["$ref"].rsplit("/", 1)[1]]
        found.append((re.compile(topic), message["payload"]["$ref"].rsplit("/", 1)[1], channel))
    return tuple(found)


def strangers(messages: Iterable[paho.MQTTMessage]) -> list[str]:
    """What is wrong with each message that the document does not describe."""
    return [fault for message in list(messages) for fault in faults(message.topic, bytes(message.payload))]


def faults(topic: str, payload: bytes) -> list[str]:
    """What is wrong with a message, by the document."""
    for pattern, name, _ in patterns():
        if pattern.fullmatch(topic):
            errors = validator(name).iter_errors(json.loads(payload))
            return [f"{topic}: {error.json_path}: {error.message}" for error in errors]
    return [f"{topic}: no such topic"]
