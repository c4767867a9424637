"""Whether and with which certificate we are reached: the company's, or one of our own making."""

from __future__ import annotations

import ipaddress
import os
import socket
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from model.clock import Clock, to_datetime
from model.errors import BadInput
from ops.embedded.broker import ANY_ADDRESS
from ops.settings import Settings

if TYPE_CHECKING:
    from ops.certificates import Pair

LOOK_US = 5_000_000
"""How often a certificate of the company's is looked at [µs]."""
REMIND = timedelta(days=14)
PLAIN_WARNING = (
    "{what} are reachable from other machines WITHOUT encryption: passwords can be read on the way. "
    "Do so only behind something that encrypts; else take HOLDFAST_TLS=off away."
)
ALWAYS = ("localhost", "127.0.0.1", "::1")


def wanted(settings: Settings, address: str) -> bool:
    """Whether a listener on this address speaks TLS.

    ``auto`` means: if others than this machine can reach it, or if a certificate was given.
    """
    if settings.tls == "auto":
        return settings.tls_cert is not None or not is_loopback(address)
    return settings.tls == "on"


def is_loopback(address: str) -> bool:
    """Whether only this machine can reach a listener there."""
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return address == "localhost"


class Keeper:
    """Keeps the certificate of an installation good; call `look` as often as you like.

    Parameters
    ----------
    settings : Settings
    folder : Path
        Where a made one lives.
    clock : Clock
        Tells when it ends: the machine's clock, which those who connect have too.
    say : callable
        Gets a sentence when a certificate is renewed, changed, or about to end.
    """

    def __init__(
        self, settings: Settings, folder: Path, clock: Clock, say: Callable[[str], None]
    ) -> None:  # fmt: skip
        from ops.certificates import Authority, Pair

        self._settings = settings
        self._clock = clock
        self._say = say
        self._authority: Authority | None = None
        if settings.tls_cert and settings.tls_key:
            self.pair: Pair = Pair(settings.tls_cert.absolute(), settings.tls_key.absolute())
        else:
            self._authority = Authority(folder)
            self.pair = self._authority.pair
        self._looked_us = 0
        self._reminded_us = 0
        self._stamp: tuple[object, ...] = ()

    @property
    def trust(self) -> Path | None:
        """What others must trust, if the certificate is of our making."""
        return self._authority.trust if self._authority else None

    def begin(self) -> None:
        """Have a certificate that is good now; raises `BadInput`."""
        from ops.certificates import check_pair

        if self._authority is not None:
            self._authority.keep(names(self._settings), self._now())
        check_pair(self.pair, self._now())
        self._stamp = stamp(self.pair.certificate, self.pair.key)
        self._looked_us = self._clock.now_us()

    def look(self) -> bool:
        """Renew what ends soon; says whether there is another certificate than before."""
        from ops.certificates import check_pair

        if self._clock.now_us() - self._looked_us < LOOK_US:
            return False
        self._looked_us = self._clock.now_us()
        try:
            if self._authority is not None:
                self._authority.keep(names(self._settings), self._now())
            self._remind()
            found = stamp(self.pair.certificate, self.pair.key)
            if found == self._stamp:
                return False
            self._stamp = found
            certificate = check_pair(self.pair, self._now())
        except (BadInput, OSError) as error:
            self._say(f"the one before goes on: {error}")
            return False
        self._say(f"the certificate was renewed and is good until {certificate.not_valid_after_utc:%Y-%m-%d}")
        return True

    def _remind(self) -> None:
        """Say once a day that a certificate of the company's ends soon."""
        from ops.certificates import load

        now_us = self._clock.now_us()
        if self._authority is not None or now_us - self._reminded_us < 86_400_000_000:
            return
        self._reminded_us = now_us
        ends = load(self.pair.certificate).not_valid_after_utc
        if ends - self._now() < REMIND:
            self._say(f"the certificate {self.pair.certificate} ends on {ends:%Y-%m-%d}: renew it")

    def _now(self) -> datetime:
        return to_datetime(self._clock.now_us())


def names(settings: Settings) -> list[str]:
    """What a made certificate is good for: this machine's names, what was given, and where we listen."""
    from ops.certificates import checked_name

    given = [part for part in (settings.tls_names or "").split(",") if part.strip()]
    found = [checked_name(part) for part in given]
    found += [host for host in (own_name(), own_address()) if host and not given]
    for address in (settings.http_address, settings.mqtt_address):
        if address not in ANY_ADDRESS:
            found.append(checked_name(address))
    return list(dict.fromkeys([*found, *ALWAYS]))


def best_name(settings: Settings, address: str) -> str:
    """Under which of those names others reach a listener."""
    if address not in ANY_ADDRESS:
        return address
    return names(settings)[0]


def pages_address(settings: Settings, port: int) -> str:
    """Where others find the pages of this machine."""
    if settings.public_url:
        return settings.public_url
    scheme = "https" if wanted(settings, settings.http_address) else "http"
    return f"{scheme}://{best_name(settings, settings.http_address)}:{port}"


def own_name() -> str:
    """This machine's host name, empty if it is none that a certificate could hold."""
    from ops.certificates import checked_name

    with suppress(BadInput):
        return checked_name(socket.gethostname())
    return ""


def own_address() -> str:
    """The address with which this machine goes to others, empty if it has none.

    Connecting a UDP socket sends nothing; 192.0.2.1 is reserved for documentation (RFC 5737).
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe, suppress(OSError):
        probe.connect(("192.0.2.1", 9))
        return str(probe.getsockname()[0])
    return ""


def stamp(*files: Path) -> tuple[object, ...]:
    """What changes when one of the files does."""
    found: list[object] = []
    for file in files:
        with suppress(OSError):
            status = os.stat(file)
            found += [status.st_ino, status.st_mtime_ns]
    return tuple(found)
