"""Brings orders to the broker: at least once, from their claim to their outcome or expiry.

An order is claimed for a while, published, and noted as sent when the broker has acknowledged it. Who dies in
between leaves it to the next courier; gateways know an order by its id and never act on it twice. Nothing of
an order is kept here between two rounds.
"""

from __future__ import annotations

import contextlib
import logging
import secrets
import threading
import time
from typing import Any

import msgspec
import paho.mqtt.client as mqtt
import psycopg
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from ingest.config import BrokerConfig, IngestConfig
from ingest.topics import order_topic
from model.clock import US, Clock
from model.order import Order, Require
from store import orders
from store.database import Connection, connect

log = logging.getLogger(__name__)

KEEPALIVE_S = 20
CONNECT_TIMEOUT_S = 5.0
ACKNOWLEDGE_S = 3.0
"""How long the broker may take to acknowledge; the order is due again later anyway."""
AT_ONCE = 50
GLANCE_S = 0.2
"""Longest wait between two looks at the stop flag."""
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.2, 10.0
STATEMENT_TIMEOUT_S = 10.0


class Line:
    """One connection that publishes, and is given up when it is lost.

    A client that comes back by itself sends again what it still holds, however old. Orders must not lie
    about there: what is sent again is decided by the database.

    Raises
    ------
    OSError
        If nobody listens.
    """

    def __init__(self, config: BrokerConfig, client_id: str) -> None:
        self.ready = threading.Event()
        self.lost = False
        self.trouble = ""
        client = self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"{client_id}-orders-{secrets.token_hex(4)}",
            clean_session=None if config.mqtt5 else True,
            protocol=mqtt.MQTTv5 if config.mqtt5 else mqtt.MQTTv311,
            reconnect_on_failure=False,
        )
        if config.username is not None:
            client.username_pw_set(config.username, config.password)
        tls = config.tls_context()
        if tls is not None:
            client.tls_set_context(tls)
        client.enable_logger(logging.getLogger("paho"))
        client.connect_timeout = CONNECT_TIMEOUT_S
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.connect(config.host, config.port, KEEPALIVE_S)
        client.loop_start()

    def publish(self, topic: str, payload: bytes) -> mqtt.MQTTMessageInfo:
        """Publish with QoS 1; the answer knows when the broker has it."""
        return self._client.publish(topic, payload, qos=1)

    def close(self) -> None:
        """Leave."""
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, _: mqtt.Client, __: object, ___: object, reason: ReasonCode, ____: object) -> None:
        if reason.is_failure:
            self.trouble = f"the broker refuses the connection: {reason}"
            self.lost = True
        else:
            self.ready.set()

    def _on_disconnect(self, *_: object) -> None:
        self.lost = True


class Courier(threading.Thread):
    """A thread that sends orders; several processes may have one."""

    def __init__(self, config: IngestConfig, clock: Clock) -> None:
        super().__init__(name="courier", daemon=True)
        self.failure: BaseException | None = None
        self.trouble = ""
        self._config = config
        self._clock = clock
        self._line: Line | None = None
        self._stop_asked = threading.Event()

    def stop(self) -> None:
        """End soon; not waited for."""
        self._stop_asked.set()

    def run(self) -> None:
        pause_s = FIRST_PAUSE_S
        try:
            while not self._stop_asked.is_set():
                try:
                    with connect(
                        self._config.dsn,
                        application="courier-orders",
                        autocommit=True,
                        statement_timeout_s=STATEMENT_TIMEOUT_S,
                    ) as conn:
                        # Listening before the first look: what is asked for from here on wakes us.
                        conn.execute(f"LISTEN {orders.CHANNEL}".encode())
                        while not self._stop_asked.is_set():
                            if not self.round(conn):
                                self._wait(conn)
                            pause_s = FIRST_PAUSE_S
                except (psycopg.OperationalError, OSError) as error:
                    self._say((str(error).strip().splitlines() or [type(error).__name__])[0])
                    self._stop_asked.wait(pause_s)
                    pause_s = min(2 * pause_s, LONGEST_PAUSE_S)
        except BaseException as error:
            log.exception("%s ends", self.name)
            self.failure = error
        finally:
            self._drop_line()

    def round(self, conn: Connection) -> int:
        """Send what is due; how many orders that were.

        Raises
        ------
        OSError
            If the broker does not answer; nothing was claimed then.
        """
        line = self._connected()
        config = self._config
        now_us = self._clock.now_us()
        claimed = orders.claim(conn, now_us, AT_ONCE, config.order_again_s, config.order_longest_s)
        given = [
            (order, line.publish(order_topic(order.gateway, order.valve), payload(order, now_us)))
            for order in claimed
        ]
        deadline = time.monotonic() + ACKNOWLEDGE_S
        acknowledged = [order.id for order, info in given if self._acknowledged(line, info, deadline)]
        if acknowledged:
            orders.sent(conn, acknowledged, self._clock.now_us())
        if len(acknowledged) < len(claimed):
            # The answer is overdue: whatever is wrong with the connection, a new one has not got it.
            self._drop_line()
        return len(claimed)

    def _acknowledged(self, line: Line, info: mqtt.MQTTMessageInfo, deadline: float) -> bool:
        while not line.lost and not self._stop_asked.is_set():
            left_s = deadline - time.monotonic()
            # What paho could not even begin to send raises; it is due again later.
            with contextlib.suppress(ValueError, RuntimeError):
                info.wait_for_publish(max(min(left_s, GLANCE_S), 0.0))
                if info.is_published():
                    return True
            if left_s <= 0:
                break
        return False

    def _connected(self) -> Line:
        if self._line is not None and self._line.lost:
            self._drop_line()
        if self._line is None:
            line = self._line = Line(self._config.broker, self._config.client_id)
            deadline = time.monotonic() + CONNECT_TIMEOUT_S
            while not line.ready.wait(GLANCE_S):
                if line.lost or self._stop_asked.is_set() or time.monotonic() > deadline:
                    said = line.trouble or "the broker does not answer"
                    self._drop_line()
                    raise OSError(said)
            self.trouble = ""
        return self._line

    def _drop_line(self) -> None:
        if self._line is not None:
            self._line.close()
            self._line = None

    def _wait(self, conn: Connection) -> None:
        """Until an order is told of, or it is time to look anyway."""
        until = time.monotonic() + self._config.order_look_s
        while not self._stop_asked.is_set() and (left_s := until - time.monotonic()) > 0:
            for _ in conn.notifies(timeout=min(left_s, GLANCE_S), stop_after=1):
                return

    def _say(self, trouble: str) -> None:
        if trouble != self.trouble and not self._stop_asked.is_set():
            log.warning("orders are not sent: %s", trouble)
            self.trouble = trouble


def payload(order: Order, now_us: int) -> bytes:
    """An order as gateways read it.

    Its time to live is what is left of it: one that is sent again, and comes for the first time then, lives
    no longer than is known here.
    """
    left_s = (order.expires_us - now_us) / US
    body: dict[str, Any] = {
        "id": order.token,
        "action": order.action.value,
        "session": order.session,
        "ttl_s": round(max(min(left_s, order.ttl_s), 0.0), 3),
    }
    if order.boot is not None:
        body["boot"] = order.boot
    if order.require != Require():
        body["require"] = _required(order.require)
    return msgspec.json.encode(body)


def _required(require: Require) -> dict[str, Any]:
    told: dict[str, Any] = {
        "pump_running_s": require.pump_running_s,
        "max_circuit_pa": require.max_circuit_pa,
        "position": None if require.position is None else require.position.name.lower(),
    }
    return {name: value for name, value in told.items() if value is not None}
