"""Who may publish and read what at a broker: one table, and the configuration of two brokers made from it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

from model.meeting import Meeting


def may_publish(gateway: str) -> tuple[str, ...]:
    """Topic filters of what a gateway may publish."""
    return (*(f"hf/1/{gateway}/+/{kind}" for kind in ("data", "late", "outcome")), f"hf/1/{gateway}/presence")


def may_read(gateway: str) -> tuple[str, ...]:
    """Topic filters of what a gateway may subscribe to."""
    return (f"hf/1/{gateway}/receipt", f"hf/1/{gateway}/+/order")


def subjects(filters: Sequence[str]) -> list[str]:
    """MQTT topic filters as NATS subjects; ``#`` includes the level above it, ``>`` does not."""
    result = []
    for topic in filters:
        subject = topic.replace("/", ".").replace("+", "*")
        if subject.endswith(".#"):
            result.append(subject[:-2])
            subject = subject[:-1] + ">"
        result.append(subject)
    return result


def nats_user(
    name: str, password_hash: str, publish: Sequence[str], read: Sequence[str]
) -> dict[str, object]:
    """A user of nats-server's ``authorization``; ``password_hash`` is bcrypt."""
    return {
        "user": name,
        "password": password_hash,
        "allowed_connection_types": ["MQTT"],
        "permissions": {
            "publish": {"allow": subjects(publish)},
            "subscribe": {"allow": subjects(read)},
        },
    }


def mosquitto_access(name: str, publish: Sequence[str], read: Sequence[str]) -> str:
    """A user's lines in Mosquitto's access file."""
    lines = [
        f"user {name}",
        *(f"topic write {one}" for one in publish),
        *(f"topic read {one}" for one in read),
    ]
    return "\n".join(lines)


@dataclass(frozen=True, slots=True)
class Credentials:
    """A gateway's new login, in clear this once.

    Parameters
    ----------
    gateway, secret : str
        User name and password at the broker.
    secret_bcrypt, secret_mosquitto : str
        What nats-server and Mosquitto keep of it.
    """

    gateway: str
    secret: str
    secret_bcrypt: str
    secret_mosquitto: str

    @property
    def nats_user(self) -> str:
        """The user for the ``authorization`` block of nats-server; JSON is a subset of its language."""
        name = self.gateway
        return json.dumps(
            nats_user(name, self.secret_bcrypt, may_publish(name), may_read(name)),
            indent=1,
            ensure_ascii=False,
        )

    @property
    def mosquitto_password_line(self) -> str:
        """The line for Mosquitto's ``password_file``."""
        return f"{self.gateway}:{self.secret_mosquitto}"

    @property
    def mosquitto_access_lines(self) -> str:
        """The lines for Mosquitto's ``acl_file``."""
        return mosquitto_access(self.gateway, may_publish(self.gateway), may_read(self.gateway))

    def example(self, broker: Meeting, instrument: str = "g1") -> str:
        """A first reading with a client that everybody has."""
        return (
            f"mosquitto_pub {broker.options} -u {self.gateway} -P '{self.secret}' -q 1 "
            f'-t hf/1/{self.gateway}/{instrument}/data -m \'[{{"n":"pressure","u":"Pa","v":420.5}}]\''
        )
