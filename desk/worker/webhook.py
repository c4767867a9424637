"""One delivery to a webhook, and what its answer means.

After "HTTP 1.1 Web Hooks for Event Delivery", version 1.0.2, section 2.2 (CloudEvents): 2xx is accepted;
redirects are not followed; 410 ends all deliveries; Retry-After is observed. Everything else is tried again,
because an alert matters more than a receiver's patience.
"""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from http import HTTPStatus
from typing import Any

import httpx

from desk.worker.outcome import Outcome

CONTENT_TYPE = "application/cloudevents+json; charset=utf-8"
LONGEST_RETRY_AFTER_S = 86_400.0
"""A receiver may not ask for more; our own choice."""


async def deliver(client: httpx.AsyncClient, url: str, body: dict[str, Any], timeout_s: float) -> Outcome:
    """POST a CloudEvent in structured mode.

    The time limit is of the whole attempt: a receiver that drips its answer cannot stretch it. The answer's
    body is not read. Errors name no address, for it may hold a secret.
    """
    try:
        async with (
            asyncio.timeout(timeout_s),
            client.stream("POST", url, json=body, headers={"Content-Type": CONTENT_TYPE}) as answer,
        ):
            return judge(answer.status_code, answer.headers.get("Retry-After"), datetime.now(UTC))
    except TimeoutError:
        return Outcome(error=f"no answer within {timeout_s:g} s")
    except Exception as error:  # whatever a foreign server makes of it is a failed attempt
        return Outcome(error=f"not reached ({type(error).__name__})")


def judge(status: int, retry_after: str | None, now: datetime) -> Outcome:
    """What a status and a Retry-After header mean."""
    if 200 <= status < 300:
        return Outcome(delivered=True)
    error = f"answered {status}{_phrase(status)}"
    if status == HTTPStatus.GONE:
        return Outcome(gone=True, error=error)
    return Outcome(error=error, retry_after_s=parse_retry_after(retry_after, now))


def parse_retry_after(value: str | None, now: datetime) -> float | None:
    """Seconds to wait; None if there is no such header or it makes no sense (RFC 9110, section 10.2.3)."""
    if value is None:
        return None
    value = value.strip()
    if value.isascii() and value.isdigit():
        return min(float(value), LONGEST_RETRY_AFTER_S)
    try:
        moment = parsedate_to_datetime(value)
    except ValueError:
        return None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return min(max((moment - now).total_seconds(), 0.0), LONGEST_RETRY_AFTER_S)


def _phrase(status: int) -> str:
    try:
        return f" {HTTPStatus(status).phrase}"
    except ValueError:
        return ""
