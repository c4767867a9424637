"""What stands on a gauge's label: its name, or the address of its page, as text or as a code."""

from __future__ import annotations

from urllib.parse import unquote, urlsplit

from model.equipment import NAME
from model.errors import BadInput

PLACE = "/i/"
"""Where the pages of labels are: ``https://any.host/i/gateway/name``."""


def instrument_in(text: str) -> str:
    """The instrument of a scanned or typed label: ``gateway/name``, or ``name`` alone.

    Raises
    ------
    BadInput
        It is no name and no address of ours.
    """
    given = text.strip()
    parts = urlsplit(given) if given.lower().startswith(("http://", "https://")) else None
    if parts is not None:
        if not parts.path.startswith(PLACE):
            raise BadInput("This label leads to another address than ours.", field="instrument")
        given = unquote(parts.path[len(PLACE) :])
    names = given.strip("/").lower().split("/")
    if len(names) > 2 or not all(NAME.fullmatch(name) for name in names):
        raise BadInput(
            "This is no gauge's name. It reads like “van-7/gauge-1”, or “gauge-1” alone.", field="instrument"
        )
    return "/".join(names)
