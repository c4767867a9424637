"""Random tokens, kept as digests only."""

from __future__ import annotations

import hashlib
import secrets

TOKEN_BYTES = 32


def random_token() -> str:
    """A token that nobody guesses, safe in an address."""
    return secrets.token_urlsafe(TOKEN_BYTES)


def digest(token: str) -> bytes:
    """SHA-256. The token is random and long, so that a plain hash is enough: there is nothing to guess."""
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).digest()
