"""A technician with a telephone: asks for valves to be closed, over HTTP, as a person would.

He knows the address of the pages, his login and the names on the equipment, and he sees the valve. He asks
until it is closed: after a lost connection, a server that starts anew, an order that came to nothing. He has
a thread of his own, so that the fleet never waits for him.
"""

from __future__ import annotations

import logging
import queue
import ssl
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import httpx

RETRY_S, LONGEST_RETRY_S = 1.0, 15.0
LOOK_S = 0.5
"""How often he looks what has become of an order."""
TIMEOUT_S = 10.0
FAREWELL_S = 1.0
PAGE = 500
OPEN_STATES = ("asked", "sent")
REASON = "Target reached and held"

log = logging.getLogger("simulator")


@dataclass(frozen=True, slots=True)
class Pages:
    """Where the pages are, a login, and whom to trust if they show a certificate."""

    address: str
    login: str
    password: str = field(repr=False)
    tls: ssl.SSLContext | None = None


@dataclass(frozen=True, slots=True)
class _Wish:
    gateway: str
    valve: str
    wanted: Callable[[], bool]


class NotNow(Exception):
    """What was asked for was not granted; the text says why."""


class Technician:
    """Takes wishes and sees to them, one after the other, until `stop`."""

    def __init__(self, pages: Pages, retry_s: float = RETRY_S) -> None:
        self._pages = pages
        self._retry_s = retry_s
        self._wishes: queue.SimpleQueue[_Wish | None] = queue.SimpleQueue()
        self._stop_asked = threading.Event()
        self._thread = threading.Thread(target=self._run, name="technician", daemon=True)
        self._thread.start()

    def wish(self, gateway: str, valve: str, wanted: Callable[[], bool]) -> None:
        """Ask for a valve to be closed as long as that is ``wanted``; returns at once."""
        self._wishes.put(_Wish(gateway, valve, wanted))

    def stop(self) -> None:
        """Put the telephone away; a wish in hand is dropped, and its order goes its own way."""
        self._stop_asked.set()
        self._wishes.put(None)
        self._thread.join(FAREWELL_S)

    def _run(self) -> None:
        while not self._stop_asked.is_set():
            wish = self._wishes.get()
            if wish is not None:
                self._see_to(wish)

    def _see_to(self, wish: _Wish) -> None:
        """Ask until the valve is closed."""
        import httpx

        # At INFO this logger writes a line a request.
        logging.getLogger("httpx").setLevel(logging.WARNING)
        pause_s = self._retry_s
        while wish.wanted() and not self._stop_asked.is_set():
            try:
                with httpx.Client(
                    base_url=self._pages.address, timeout=TIMEOUT_S, verify=self._pages.tls or True
                ) as client:
                    self._log_in(client)
                    self._have_closed(client, wish)
            except (httpx.HTTPError, NotNow, KeyError, ValueError) as error:
                log.warning("%s is not closed yet: %s", wish.valve, str(error) or type(error).__name__)
            self._stop_asked.wait(pause_s)
            pause_s = min(2 * pause_s, LONGEST_RETRY_S)

    def _log_in(self, client: httpx.Client) -> None:
        form = {"login": self._pages.login, "password": self._pages.password}
        answer = client.post("/login", data=form)
        if answer.status_code != 303:
            raise NotNow(f"the login was answered with {answer.status_code}")

    def _have_closed(self, client: httpx.Client, wish: _Wish) -> None:
        number = self._instrument(client, wish.gateway, wish.valve)
        body = {"instrument_id": number, "action": "close", "reason": REASON}
        answer = client.post("/api/v1/orders", json=body)
        if answer.status_code != 201:
            raise NotNow(str(_read(answer).get("detail", answer.status_code)))
        order = _read(answer)
        while order["state"] in OPEN_STATES:
            if self._stop_asked.wait(LOOK_S):
                return
            order = _read(client.get(f"/api/v1/orders/{order['id']}"))
        log.info("%s", order["text"])

    def _instrument(self, client: httpx.Client, gateway: str, valve: str) -> int:
        """Number of an instrument, by the names on the equipment."""
        query: dict[str, Any] = {"limit": PAGE}
        while True:
            page = _read(client.get("/api/v1/instruments", params=query))
            for item in page["items"]:
                if (item["gateway"], item["name"]) == (gateway, valve):
                    return int(item["id"])
            if page["next"] is None:
                raise NotNow("there is no such instrument")
            query["cursor"] = page["next"]


def _read(answer: httpx.Response) -> dict[str, Any]:
    body = answer.json()
    if not isinstance(body, dict):
        raise NotNow("the answer cannot be read")
    return body
