"""Hashes of a broker password: each broker reads one of its own."""

from __future__ import annotations

import base64
import hashlib
import secrets

BCRYPT_ROUNDS = 6
PBKDF2_ITERATIONS = 101
"""What ``mosquitto_passwd`` uses; a password is a random token, and a thousand may be checked at once."""


def make() -> str:
    """A new random password."""
    return secrets.token_urlsafe(24)


def hashes(secret: str) -> dict[str, str]:
    """Every hash of a password by its column of the table ``gateway``; write all of them, always."""
    return {"secret_bcrypt": bcrypt_hash(secret), "secret_mosquitto": mosquitto_hash(secret)}


def bcrypt_hash(secret: str) -> str:
    """What nats-server reads."""
    import bcrypt

    return bcrypt.hashpw(secret.encode(), bcrypt.gensalt(BCRYPT_ROUNDS)).decode("ascii")


def mosquitto_hash(secret: str) -> str:
    """What Mosquitto reads: PBKDF2 with SHA-512, written as ``mosquitto_passwd`` writes it."""
    salt = secrets.token_bytes(12)
    digest = hashlib.pbkdf2_hmac("sha512", secret.encode(), salt, PBKDF2_ITERATIONS)
    encoded = [base64.b64encode(part).decode("ascii") for part in (salt, digest)]
    return f"$7${PBKDF2_ITERATIONS}${encoded[0]}${encoded[1]}"
