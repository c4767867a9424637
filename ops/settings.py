"""Settings: from the environment (``HOLDFAST_…``), or from a file of the same lines.

The file is the one that ``HOLDFAST_SETTINGS`` names, else ``holdfast.env`` in the current folder if
there is one; the environment wins.
"""

from __future__ import annotations

import os
from pathlib import Path

from pydantic import Field, ValidationError
from pydantic_settings import BaseSettings, SettingsConfigDict

from model.errors import BadInput

FILE = "HOLDFAST_SETTINGS"
DEFAULT_FILE = "holdfast.env"


class Settings(BaseSettings):
    """What can be set; each field is an environment variable with the prefix ``HOLDFAST_``."""

    model_config = SettingsConfigDict(
        env_prefix="HOLDFAST_", env_ignore_empty=True, extra="ignore", frozen=True
    )

    data_dir: Path = Field(default=Path("data"), description="where everything that is kept lives")
    database_url: str | None = Field(default=None, description="unset: the embedded PostgreSQL")
    mqtt_url: str | None = Field(default=None, description="unset: the embedded broker")
    http_address: str = Field(default="127.0.0.1", description="where pages and API listen")
    http_port: int | None = Field(default=None, ge=1, le=65_535, description="unset: 8080 or a free one")
    mqtt_address: str = Field(default="127.0.0.1", description="where the embedded broker listens")
    mqtt_port: int | None = Field(default=None, ge=1, le=65_535, description="unset: 1883 or a free one")
    webhook_url: str | None = Field(default=None, description="where alerts are posted")
    replay: str | None = Field(default=None, description="three numbers of a replay clock, for trials")
    seed: int = Field(default=1, description="of the demo's invented fleet")


def load() -> Settings:
    """Read the settings; raises `BadInput` with one sentence."""
    named = os.environ.get(FILE)
    if named and not Path(named).is_file():
        raise BadInput(f"There is no settings file {named} ({FILE}).")
    try:
        settings = Settings(_env_file=named or DEFAULT_FILE)  # type: ignore[call-arg]
    except ValidationError as error:
        first = error.errors()[0]
        name = "HOLDFAST_" + "_".join(map(str, first["loc"])).upper()
        raise BadInput(f"{name} cannot be used: {first['msg']}.") from error
    if settings.webhook_url and not settings.webhook_url.startswith(("http://", "https://")):
        raise BadInput("HOLDFAST_WEBHOOK_URL cannot be used: it must begin with http:// or https://.")
    return settings
