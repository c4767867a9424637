"""Addresses that may hold secrets: encrypted with the key of the settings.

A copy of the database tells none of them."""

from __future__ import annotations

import base64
import hashlib
from typing import TYPE_CHECKING

from model.errors import BadInput, Conflict

if TYPE_CHECKING:
    from cryptography.fernet import Fernet

SHORTEST_KEY = 32


class Seal:
    """Encrypts and authenticates (Fernet: AES-128-CBC, HMAC-SHA256).

    Parameters
    ----------
    key : str
        Long and random, of any form; empty: there is none, and nothing can be sealed.
    """

    def __init__(self, key: str) -> None:
        self._key = key

    def __repr__(self) -> str:
        return "Seal(…)"

    @property
    def is_there(self) -> bool:
        """Whether there is a key."""
        return bool(self._key)

    def close(self, text: str) -> bytes:
        """Encrypt; raises `Conflict` without a key."""
        if not self._key:
            raise Conflict(
                "This installation has no key to keep such an address under: set HOLDFAST_SEAL_KEY. "
                "A mailbox needs none.",
                field="address",
            )
        return self._fernet().encrypt(text.encode())

    def open(self, sealed: bytes) -> str:
        """Decrypt; raises `BadInput` where the key is another one."""
        from cryptography.fernet import InvalidToken

        try:
            return self._fernet().decrypt(sealed).decode()
        except (InvalidToken, ValueError):
            raise BadInput("its address cannot be read: the key is another one. Enter it anew") from None

    def _fernet(self) -> Fernet:
        # Loaded where it is used: it costs some 20 ms, and most processes never need it.
        from cryptography.fernet import Fernet

        if not self._key:
            raise ValueError
        return Fernet(base64.urlsafe_b64encode(hashlib.sha256(self._key.encode()).digest()))


def slow_digest(text: str, salt: bytes) -> bytes:
    """To see whether a secret was changed without keeping it; slow, so that it does not help guessing."""
    return hashlib.scrypt(text.encode(), salt=salt, n=2**14, r=8, p=1, dklen=32)
