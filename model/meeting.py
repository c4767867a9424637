"""Where gateways meet the broker, and what their clients must be told of it."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlsplit

from model.errors import BadInput

USUAL_PORT = {"mqtt": 1883, "mqtts": 8883}


@dataclass(frozen=True, slots=True)
class Meeting:
    """The broker's address as gateways see it.

    Parameters
    ----------
    trust : str
        File of the authority that signed its certificate; empty: one that every system knows.
    """

    host: str
    port: int
    secure: bool = False
    trust: str = ""

    @classmethod
    def parse(cls, url: str, trust: str = "") -> Meeting:
        """From ``mqtt://host:port`` or ``mqtts://host:port``; raises `BadInput`."""
        try:
            parts = urlsplit(url)
            port = parts.port
        except ValueError as error:
            raise BadInput(f"{url!r} is no address of a broker: {error}.") from error
        if parts.scheme not in USUAL_PORT or not parts.hostname:
            raise BadInput(f"{url!r} is no address of a broker; write mqtts://host:8883.")
        secure = parts.scheme == "mqtts"
        return cls(parts.hostname, port or USUAL_PORT[parts.scheme], secure, trust if secure else "")

    @property
    def options(self) -> str:
        """Options of Mosquitto's clients."""
        known = f" --cafile {self.trust}" if self.trust else " --tls-use-os-certs"
        return f"-h {self.host} -p {self.port}{known if self.secure else ''}"
