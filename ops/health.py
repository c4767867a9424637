"""``holdfast check``: is this part of the installation well? For health checks, and for people."""

from __future__ import annotations

import socket
from pathlib import Path

from model.errors import BadInput, Unavailable
from ops.settings import Settings

FRESH_S = 15.0
"""Age of a sign of life that counts [s]; they come every two."""
BY_BEAT = ("ingest", "analyse", "desk", "broker-files")
PARTS = (*BY_BEAT, "serve")


def check(part: str, settings: Settings) -> str:
    """Say that a part on this machine is well; raises `Unavailable` with a sentence that says why not."""
    if part not in PARTS:
        raise BadInput(f"There is no part {part!r}; there are {', '.join(PARTS)}.")
    return by_answer(settings) if part == "serve" else by_beat(part, settings)


def by_beat(part: str, settings: Settings) -> str:
    """Well is what gave a sign of life just now; processes on other machines do not count."""
    from ops.services import database_url
    from store import beats
    from store.database import connect_or_say

    host = socket.gethostname()
    with connect_or_say(database_url(settings), application="check") as conn:
        found = beats.on_host(conn, part, host)
    if found is None:
        raise Unavailable(f"{part} gave no sign of life on {host}.")
    age_s, detail = found
    if age_s > FRESH_S:
        raise Unavailable(f"{part} on {host} gave its last sign of life {age_s:.0f} s ago.")
    if detail.get("broker") is False:
        raise Unavailable(f"{part} on {host} lives, but has no connection to the broker{trouble(detail)}.")
    return f"{part} on {host} is well."


def trouble(detail: dict[str, object]) -> str:
    """What a beat says is wrong."""
    lanes = [lane.get("trouble") for lane in detail.values() if isinstance(lane, dict)]
    first = next((str(one) for one in lanes if one), "")
    return f": {first}" if first else ""


def by_answer(settings: Settings) -> str:
    """The pages on this machine are well if they answer, and show the certificate that they should."""
    import httpx

    from ingest.config import BrokerConfig
    from ops import tls
    from ops.embedded.broker import ANY_ADDRESS
    from ops.installation import read
    from ops.stack import USUAL_HTTP_PORT, in_url

    secure = tls.wanted(settings, settings.http_address)
    pin: Path | None = None
    if secure:
        pin = settings.tls_cert or settings.data_dir / "tls" / "server.pem"
        secure = pin.exists()
    installation = read(settings.data_dir) if settings.database_url is None else None
    port = settings.http_port or (installation.http_port if installation else None) or USUAL_HTTP_PORT[secure]
    host = "127.0.0.1" if settings.http_address in ANY_ADDRESS else settings.http_address
    url = f"{'https' if secure else 'http'}://{in_url(host)}:{port}/healthz"
    context = BrokerConfig(host, port, tls=secure, pin=str(pin)).tls_context()
    try:
        answer = httpx.get(url, verify=context or True, timeout=5.0, trust_env=False)
    except httpx.HTTPError as error:
        raise Unavailable(f"{url} does not answer: {error}.") from error
    if answer.status_code != 200:
        raise Unavailable(f"{url} answers with status {answer.status_code}.")
    return f"{url} answers."
