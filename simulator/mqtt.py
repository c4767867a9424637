"""The thin edge between gateways and a broker.

One paho client per connection, never used again after it: each has a session of its own, which its last
will carries too. MQTT 3.1.1, so that it speaks to any broker.
"""

from __future__ import annotations

import queue
import secrets
import socket
import ssl
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from simulator.gateway import Gateway, Publication

KEEPALIVE_S = 20
IN_FLIGHT = 100
RETRY_S = 2.0
GOODBYE_S = 1.0


@dataclass(frozen=True, slots=True)
class Credentials:
    """Where the broker is, and who we are."""

    host: str
    port: int
    username: str
    password: str
    tls: ssl.SSLContext | None = None


class Connection:
    """One connection of one gateway.

    Parameters
    ----------
    credentials : Credentials
        Where and who.
    session : str
        Nonce of this connection.
    will : Publication
        Its last will.
    topics : list of str
        What it subscribes to.

    Raises
    ------
    OSError
        If nobody listens.
    """

    def __init__(self, credentials: Credentials, session: str, will: Publication, topics: list[str]) -> None:
        self.session = session
        self.inbox: queue.SimpleQueue[tuple[str, bytes]] = queue.SimpleQueue()
        self.ready = False
        self.lost = False
        self.refusal = ""
        self._sent = self._acknowledged = 0
        self._topics = topics
        self._parted = threading.Event()
        client = self._client = paho.Client(
            CallbackAPIVersion.VERSION2,
            # The same for every connection, so that the broker ends the old one, will and all, first.
            client_id=credentials.username,
            clean_session=True,
            protocol=paho.MQTTv311,
            reconnect_on_failure=False,
        )
        client.username_pw_set(credentials.username, credentials.password)
        if credentials.tls is not None:
            client.tls_set_context(credentials.tls)
        client.max_inflight_messages_set(IN_FLIGHT)  # refused by paho once it is connected
        client.will_set(will.topic, will.payload, qos=1, retain=will.retain)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        client.on_disconnect = self._on_disconnect
        client.connect(credentials.host, credentials.port, keepalive=KEEPALIVE_S)
        client.loop_start()

    @property
    def pending(self) -> int:
        """Messages that the broker has not acknowledged."""
        return self._sent - self._acknowledged

    def publish(self, message: Publication) -> None:
        """Publish with QoS 1."""
        self._sent += 1
        self._client.publish(message.topic, message.payload, qos=1, retain=message.retain)

    def close(self, farewell: Publication | None = None) -> None:
        """Leave in an orderly way: the broker keeps the last will to itself."""
        if farewell is not None and self.ready and not self.lost:
            with suppress(ValueError, RuntimeError):
                self._client.publish(farewell.topic, farewell.payload, qos=1, retain=True).wait_for_publish(
                    GOODBYE_S
                )
        self._client.disconnect()
        self._parted.wait(GOODBYE_S)
        self.cut()

    def cut(self) -> None:
        """Lose the radio: the broker sees the connection break, and publishes the last will."""
        self.lost = True
        link = self._client.socket()
        if isinstance(link, socket.socket):
            with suppress(OSError):
                link.shutdown(socket.SHUT_RDWR)
        self._client.loop_stop()

    def _on_connect(
        self, client: paho.Client, _data: Any, _flags: Any, reason: Any, _properties: Any
    ) -> None:
        if reason.is_failure:
            self.refusal = str(reason)
            self.lost = True
            return
        client.subscribe([(topic, 1) for topic in self._topics])

    def _on_subscribe(
        self, _client: paho.Client, _data: Any, _mid: int, reasons: list[Any], _properties: Any
    ) -> None:
        failed = [str(reason) for reason in reasons if reason.is_failure]
        self.refusal = ", ".join(failed)
        self.ready = True

    def _on_message(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        self.inbox.put((message.topic, bytes(message.payload)))

    def _on_publish(
        self, _client: paho.Client, _data: Any, _mid: int, _reason: Any, _properties: Any
    ) -> None:
        self._acknowledged += 1

    def _on_disconnect(
        self, _client: paho.Client, _data: Any, _flags: Any, _reason: Any, _properties: Any
    ) -> None:
        self.lost = True
        self._parted.set()


class Link:
    """Keeps one gateway on the broker while its radio is on.

    Parameters
    ----------
    gateway : Gateway
        Whose messages it carries.
    credentials : Credentials
        Where and who.
    on_order : callable
        Called with the instrument's name and the payload of each order.
    wall_s : callable
        Steady clock of real seconds.
    """

    def __init__(
        self,
        gateway: Gateway,
        credentials: Credentials,
        on_order: Callable[[str, bytes], None] = lambda _instrument, _payload: None,
        wall_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.gateway = gateway
        self.radio = True
        self.trouble = ""
        self._credentials = credentials
        self._on_order = on_order
        self._wall_s = wall_s
        self._connection: Connection | None = None
        self._retry_at_s = -RETRY_S

    def tend(self, now_us: int, sent_us: int) -> int:
        """Connect or part as the radio is, take in what came, send what is due.

        Returns
        -------
        int
            Messages sent.
        """
        connection = self._connection
        if connection is not None and (connection.lost or not self.radio):
            self.trouble = connection.refusal
            connection.cut()
            self.gateway.disconnected()
            self._connection = connection = None
        if connection is None:
            if self.radio and self._wall_s() >= self._retry_at_s:
                self._connect()
            return 0
        if not connection.ready:
            return 0
        if not self.gateway.online:
            self.trouble = connection.refusal
            self.gateway.connected(connection.session, sent_us)
        while not connection.inbox.empty():
            self._take(*connection.inbox.get())
        room = max(2 * IN_FLIGHT - connection.pending, 0)
        messages = self.gateway.due(now_us, self._wall_s(), room, sent_us)
        for message in messages:
            connection.publish(message)
        return len(messages)

    def close(self) -> None:
        """Leave in an orderly way."""
        if self._connection is not None:
            self._connection.close(self.gateway.farewell() if self.gateway.online else None)
            self.gateway.disconnected()
            self._connection = None

    def _connect(self) -> None:
        self._retry_at_s = self._wall_s() + RETRY_S
        session = secrets.token_hex(6)
        topics = [self.gateway.topic("receipt"), self.gateway.topic("+", "order")]
        try:
            self._connection = Connection(self._credentials, session, self.gateway.will(session), topics)
        except OSError as error:
            self.trouble = f"cannot reach the broker: {error}"

    def _take(self, topic: str, payload: bytes) -> None:
        parts = topic.split("/")
        if parts[-1] == "receipt":
            self.gateway.receipt(payload)
        elif parts[-1] == "order" and len(parts) == 5:
            self._on_order(parts[3], payload)
