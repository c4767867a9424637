"""CBOR (RFC 8949) of strangers: decoded within limits."""

from __future__ import annotations

import io
from typing import Any

import cbor2


def _no_tag(*_: object) -> Any:
    raise ValueError("a tag that SenML does not use")


# SenML uses decimal fractions (tag 4) only; 55799 marks CBOR as such. For others the library would compile
# regular expressions, parse mail, build huge numbers and circular references: not for a stranger's bytes.
_LIBRARY_TAGS = (0, 1, 2, 3, 5, 25, 28, 29, 30, 35, 36, 37, 52, 54, 100, 256, 258, 260, 261, 1004, 43000)
_LIMITS: dict[str, Any] = {
    "tag_hook": _no_tag,
    "semantic_decoders": dict.fromkeys(_LIBRARY_TAGS, _no_tag),
    "max_depth": 6,
    "allow_indefinite": False,
    "allow_duplicate_keys": False,
    "str_errors": "surrogateescape",
}


def decode(payload: bytes) -> tuple[Any, int]:
    """The first item, and how many bytes it takes.

    Raises
    ------
    ValueError
        If it is no CBOR, or more than SenML needs of it.
    """
    source = io.BytesIO(payload)
    try:
        return cbor2.load(source, **_LIMITS), source.tell()
    except Exception as error:  # the library raises what its parts raise: OverflowError, decimal's …
        raise ValueError("no CBOR as SenML uses it") from error
