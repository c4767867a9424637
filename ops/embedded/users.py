"""Who may connect to a broker, and what each may publish and read: one table for every broker."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import bcrypt

from model import access

SERVICE_TOPICS = ("hf/1/#",)

BCRYPT_ROUNDS = 4
"""The least there is: passwords are random tokens, and a thousand gateways may reconnect at once."""


@dataclass(frozen=True, slots=True)
class BrokerUser:
    """One login of a broker.

    Parameters
    ----------
    name : str
        User name; for a gateway, its name.
    password_hash : str
        bcrypt hash.
    service : bool
        A process of ours, which may do everything under ``hf/1/``; otherwise a gateway.
    """

    name: str
    password_hash: str
    service: bool = False

    @classmethod
    def make(cls, name: str, password: str, *, service: bool = False) -> BrokerUser:
        """A user from a password in clear."""
        return cls(name, hash_password(password), service)

    @property
    def may_publish(self) -> Sequence[str]:
        """Topic filters of what this user may publish."""
        return SERVICE_TOPICS if self.service else access.may_publish(self.name)

    @property
    def may_read(self) -> Sequence[str]:
        """Topic filters of what this user may subscribe to."""
        return SERVICE_TOPICS if self.service else access.may_read(self.name)


def hash_password(password: str) -> str:
    """The bcrypt hash that a broker of ours keeps."""
    return bcrypt.hashpw(password.encode(), bcrypt.gensalt(BCRYPT_ROUNDS)).decode("ascii")
