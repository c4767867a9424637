"""What the desk is told by whoever starts it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class DeskConfig:
    """Settings of a desk process.

    Parameters
    ----------
    dsn : str
        Connection string of the database.
    webhook_url : str
        Where notifications are posted; empty: nowhere. It may hold a secret and enters no log.
    webhook_timeout_s : float
        Longest time of one delivery, from connecting to the answer's headers [s].
    webhook_parallel : int
        Deliveries in flight at once, so that a slow one does not hold up the next alert.
    backoff_s, backoff_limit_s : float
        Wait after the first failed delivery [s], doubled after each further one up to the limit.
    attempts : int
        Deliveries are given up after so many. The default tries for about three days.
    source : str
        Source of the CloudEvents: a URI reference that names this installation.
    instance : str
        Name of this process among several desks; empty: host and process id.
    """

    dsn: str
    webhook_url: str = ""
    webhook_timeout_s: float = 10.0
    webhook_parallel: int = 4
    backoff_s: float = 1.0
    backoff_limit_s: float = 300.0
    attempts: int = 880
    source: str = "urn:holdfast:desk"
    instance: str = ""
