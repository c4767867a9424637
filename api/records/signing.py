"""Records as files that cannot be altered unseen.

A file holds three things: the record, the signature over it, and the readings whose hashes the record holds.

- The record is made canonical by RFC 8785 (JSON Canonicalization Scheme); its digest is the SHA-256 of that.
- The signature is Ed25519 (RFC 8032) over the canonical record itself.
- The hash of a channel is the SHA-256 of its readings in order of time and value, each as the time in µs
  since 1970 UTC (signed 64 bit, big-endian) and the value (IEEE 754 binary64, big-endian).

Whose key it is no file can tell: that is asked of the company, whose public page shows its keys.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from model.errors import BadInput

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

FORMAT = "holdfast-record"
VERSION = 1
ALGORITHM = "Ed25519"
KEY_BYTES = 32
LARGEST_FILE = 256 * 1024 * 1024
PAIR = np.dtype([("time_us", ">i8"), ("value", ">f8")])
"""As the hash takes them; stands here, too, so that a file is checked without a database."""


def canonical(record: Mapping[str, Any]) -> bytes:
    """The record as RFC 8785 writes it; raises `BadInput` for what JSON cannot carry exactly."""
    import rfc8785

    try:
        return rfc8785.dumps(dict(record))
    except (rfc8785.CanonicalizationError, RecursionError) as error:
        raise BadInput(f"This record cannot be made canonical: {error}.") from None


def digest_of(body: bytes) -> str:
    """SHA-256 in hexadecimal."""
    return hashlib.sha256(body).hexdigest()


def hash_of(pairs: np.ndarray) -> str:
    """Hash of a channel's readings, given as `PAIR` in order."""
    return digest_of(np.ascontiguousarray(pairs, PAIR).tobytes())


def key_id(public: bytes) -> str:
    """What a public key is called: the first 16 figures of its SHA-256, in fours."""
    figures = digest_of(public)[:16]
    return "-".join(figures[i : i + 4] for i in range(0, 16, 4))


class Signer:
    """Signs records.

    Parameters
    ----------
    seed : bytes
        32 random bytes, the private key of RFC 8032.
    """

    def __init__(self, seed: bytes) -> None:
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

        self._key: Ed25519PrivateKey = Ed25519PrivateKey.from_private_bytes(seed)
        self.public: bytes = self._key.public_key().public_bytes_raw()

    @classmethod
    def read(cls, text: str) -> Signer:
        """From a setting: 32 bytes in base64; raises `BadInput`."""
        try:
            seed = base64.b64decode(text.strip(), validate=True)
        except ValueError:
            seed = b""
        if len(seed) != KEY_BYTES:
            raise BadInput("A key for records is 32 random bytes in base64 (44 characters).")
        return cls(seed)

    def __repr__(self) -> str:
        return f"Signer({key_id(self.public)})"

    def sign(self, body: bytes) -> bytes:
        """The signature over a canonical record."""
        return self._key.sign(body)


@dataclass(frozen=True, slots=True)
class Channel:
    """The readings of one channel in a file, as `PAIR` in order."""

    name: str
    pairs: np.ndarray


def file_of(record: Mapping[str, Any], public: bytes, signature: bytes, channels: Sequence[Channel]) -> bytes:
    """The whole file: one JSON object."""
    told = {
        "record": record,
        "signature": {
            "algorithm": ALGORITHM,
            "key_id": key_id(public),
            "public_key": in_base64(public),
            "value": in_base64(signature),
        },
        "readings": [
            {
                "channel": one.name,
                "times_us": one.pairs["time_us"].tolist(),
                "values": one.pairs["value"].tolist(),
            }
            for one in channels
        ],
    }
    return json.dumps(told, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


# Checking ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at."""

    good: bool
    text: str


@dataclass(frozen=True, slots=True)
class Checked:
    """What a file came to.

    Parameters
    ----------
    key_known : bool or None
        Whether the key is one of those it was held against; None: it was held against none.
    """

    number: str
    digest: str
    key_id: str
    findings: tuple[Finding, ...]
    key_known: bool | None = None
    record: Mapping[str, Any] = field(default_factory=dict)

    @property
    def unaltered(self) -> bool:
        """Whether signature and every hash are right; whose key it is, is another question."""
        return all(one.good for one in self.findings)


def check(raw: bytes, known: Callable[[str], bytes | None] | None = None) -> Checked:
    """Check a file.

    Parameters
    ----------
    raw : bytes
        As it was handed over.
    known : callable, optional
        Gives the public key of a key's name where it is known as ours.

    Raises
    ------
    BadInput
        If it is no record at all.
    """
    told = _parsed(raw)
    record, signature = _part(told, "record"), _part(told, "signature")
    if record.get("format") != FORMAT or record.get("version") != VERSION:
        raise BadInput(f"This is no record that this program knows (format {FORMAT}, version {VERSION}).")
    body = canonical(record)
    public = _bytes(signature.get("public_key"))
    findings = [_signature(body, public, signature)]
    findings += _readings(record, told.get("readings"))
    name = key_id(public)
    ours = None if known is None else known(name)
    number = record.get("number")
    return Checked(
        number if isinstance(number, str) else "",
        digest_of(body),
        name,
        tuple(findings),
        None if known is None else ours == public,
        record,
    )


def _parsed(raw: bytes) -> dict[str, Any]:
    try:
        told = json.loads(raw, object_pairs_hook=_once, parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise BadInput(f"This is no record: {error}.") from None
    if not isinstance(told, dict):
        raise BadInput("This is no record: it is not a JSON object.")
    return told


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object; the same name twice could be read in two ways, and only one of them was signed."""
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a name stands twice in one object")
    return found


def _no_constant(name: str) -> None:
    raise ValueError(f"{name} is no number")


def _part(told: Mapping[str, Any], name: str) -> dict[str, Any]:
    found = told.get(name)
    if not isinstance(found, dict):
        raise BadInput(f"This is no record: it has no “{name}”.")
    return found


def _signature(body: bytes, public: bytes, signature: Mapping[str, Any]) -> Finding:
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    if signature.get("algorithm") != ALGORITHM:
        return Finding(False, f"The signature is not of the kind {ALGORITHM}.")
    try:
        Ed25519PublicKey.from_public_bytes(public).verify(_bytes(signature.get("value")), body)
    except (InvalidSignature, ValueError):
        return Finding(False, "The signature does not fit: the record was altered after it was signed.")
    return Finding(True, "The signature fits: the record is as it was signed.")


def _readings(record: Mapping[str, Any], given: Any) -> list[Finding]:
    hashed = record.get("readings")
    if not isinstance(hashed, list) or not isinstance(given, list):
        return [Finding(False, "The readings are missing.")]
    attached = {one.get("channel"): one for one in given if isinstance(one, dict)}
    if len(attached) != len(given) or not all(isinstance(one, dict) for one in hashed):
        return [Finding(False, "The readings are not written as a record has them.")]
    findings = [_channel(one, attached.pop(one.get("channel"), None)) for one in hashed]
    findings += [Finding(False, f"{name}: readings that the record knows nothing of.") for name in attached]
    return findings


def _channel(hashed: Mapping[str, Any], given: Mapping[str, Any] | None) -> Finding:
    name = hashed.get("channel")
    if given is None:
        return Finding(False, f"{name}: its readings are missing.")
    try:
        pairs = _pairs(given["times_us"], given["values"])
    except (KeyError, TypeError, ValueError, OverflowError):
        return Finding(False, f"{name}: its readings are not numbers.")
    if len(pairs) != hashed.get("count") or hash_of(pairs) != hashed.get("sha256"):
        return Finding(False, f"{name}: its readings are not those that were signed.")
    return Finding(True, f"{name}: all {len(pairs)} readings are as they were signed.")


def _pairs(times_us: Any, values: Any) -> np.ndarray:
    if not all(type(at) is int for at in times_us) or not all(type(one) in (int, float) for one in values):
        raise TypeError
    pairs = np.empty(len(times_us), PAIR)
    pairs["time_us"], pairs["value"] = times_us, values
    return pairs


def _bytes(text: Any) -> bytes:
    try:
        return base64.b64decode(text, validate=True)
    except (TypeError, ValueError):
        return b""


def in_base64(raw: bytes) -> str:
    """In base64."""
    return base64.b64encode(raw).decode()
