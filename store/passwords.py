"""Passwords: what is taken for one, and how it is kept (argon2id)."""

from __future__ import annotations

import threading

from model.errors import BadInput

SHORTEST_PASSWORD = 10
LONGEST_PASSWORD = 1000
HASHING = threading.Semaphore(2)
"""To be held by whoever serves many at once: one hash takes 64 MiB, and many must not take all memory.
Take it before a connection, which others need meanwhile."""


def check_new(password: str, *not_these: str, field: str = "password") -> None:
    """Refuse a password that is too short, too long, or one of ``not_these``, in upper or lower case.

    Length decides (NIST SP 800-63B asks for no mixture of kinds of characters); names that everybody here
    knows are the first that somebody tries.
    """
    if len(password) < SHORTEST_PASSWORD:
        raise BadInput(f"A password has at least {SHORTEST_PASSWORD} characters.", field=field)
    if len(password) > LONGEST_PASSWORD:
        raise BadInput(f"A password has at most {LONGEST_PASSWORD} characters.", field=field)
    if any(_same(password, name) for name in not_these):
        raise BadInput("A login or the company's name is no password; anybody would try it.", field=field)
    if not is_text(password):
        raise BadInput("This password holds something that is no text.", field=field)


def hashed(password: str) -> str:
    """The hash to be kept."""
    from argon2 import PasswordHasher

    return PasswordHasher().hash(password)


def matches(password_hash: str | None, password: str) -> bool:
    """Whether it is the password of that hash; takes as long without one."""
    from argon2 import PasswordHasher
    from argon2.exceptions import Argon2Error, InvalidHashError

    if not is_text(password):
        return False
    hasher = PasswordHasher()
    if password_hash is None:
        hasher.hash(password)
        return False
    try:
        return hasher.verify(password_hash, password)
    except (Argon2Error, InvalidHashError):
        return False


def is_text(password: str) -> bool:
    """Whether it can be encoded; JSON may hold half a character."""
    try:
        password.encode()
    except UnicodeEncodeError:
        return False
    return True


def _same(password: str, name: str) -> bool:
    return bool(name) and password.strip().casefold() == name.strip().casefold()
