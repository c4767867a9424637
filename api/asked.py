"""What requests bring: a name that nobody knows is refused, not lost."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Asked(BaseModel):
    """The JSON of a request."""

    model_config = ConfigDict(extra="forbid")
