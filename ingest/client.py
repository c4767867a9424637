"""A session at the broker: receives into an inbox, acknowledges after the commit, publishes receipts.

One thread does everything that touches the connection, so that an acknowledgement can never go out on another
connection than the one on which its message came; there, its id would mean another message.
"""

from __future__ import annotations

import contextlib
import logging
import random
import secrets
import selectors
import socket
import ssl
import threading
import time
from collections import deque
from collections.abc import Sequence
from itertools import islice
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from ingest.config import BrokerConfig
from ingest.inbox import Inbox, Message
from ingest.interpret import cut
from ingest.lease import Lease
from ingest.receipts import Receipt
from ingest.stream import Client, Publish, Stream
from model.clock import Clock
from model.errors import Unavailable
from store.slots import Kind

log = logging.getLogger(__name__)

KEEPALIVE_S = 20
CONNECT_TIMEOUT_S = 5.0
SESSION_EXPIRY_S = 7 * 86_400
"""How long the broker keeps what came while we are away (MQTT 5; MQTT 3.1.1 sessions have no end)."""
RECEIVE_MAXIMUM = 65_535
"""Unacknowledged messages that the broker may send (MQTT 5)."""
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.2, 10.0
TICK_S = 0.5
FAREWELL_S = 1.0
NO_FILTER = "hf/1/-/-/-"
"""A topic filter that nobody subscribes to."""
RETAINED_AGAIN_S = 2.0
"""How long after a new session's subscription the broker is asked for its retained messages once more.

nats-server 2.15 sends neither as retained nor as new what is published within the milliseconds in which it
takes up a subscription: seen in one of sixty starts under load. A subscription made again brings what is
retained, and changes nothing else (MQTT 3.1.1, section 3.8.4).
"""
NO_TOPIC = "(not UTF-8)"
UNSUPPORTED_VERSION = 132
"""Reason code of a broker that does not speak MQTT 5 (MQTT 5.0, section 3.2.2.2)."""
END = "hf/1/-/{}/end"
"""A session's message to itself, on a topic that no gateway can have: behind everything that waits for it."""
RECEIPT_PAUSE_S, RECEIPTS_AT_ONCE, RECEIPTS_AT_MOST = 0.2, 100, 1000
"""Under load receipts go in portions: of one instrument and boot the newest says what all before it
said, and each costs the client library as much as reading five packs (60 µs, measured). A portion is a fifth
of what waits, so that everything goes within a second or so, and no more than may be unacknowledged: with
larger ones as much was sent in a second, in worse order (measured)."""
NO_MQTT_5 = (
    "several ingest processes need a broker with MQTT 5 and shared subscriptions, such as Mosquitto, but "
    "this one speaks MQTT 3.1.1 only: set HOLDFAST_INGEST_PROCESSES to 1"
)
RECEIPTS_WAITING = 10_000
"""Receipts that may wait; a gateway that misses one sends its pack again, and gets one."""


class Session(threading.Thread):
    """A persistent session with its own connection and thread.

    Parameters
    ----------
    client_id : str
        Name of the session at the broker.
    filters : sequence of str
        What it subscribes to, with QoS 1.
    lease : Lease, optional
        While it is not held, nothing is acknowledged, and nobody connects.
    """

    def __init__(
        self,
        config: BrokerConfig,
        client_id: str,
        filters: Sequence[str],
        inbox: Inbox,
        clock: Clock,
        lease: Lease | None = None,
    ) -> None:
        super().__init__(name=client_id, daemon=True)
        self.failure: BaseException | None = None
        self.trouble = "not connected yet"
        self.connected = False
        self.subscribed = False
        """Messages come: connected, and the broker has granted the subscriptions."""
        self.left = False
        """After `leave`: the broker has forgotten the session, in which nothing was left."""
        self._config = config
        self._lease = lease
        self._filters = tuple(filters)
        self._inbox = inbox
        self._clock = clock
        self._connection = 0
        self._starved = False
        self._farewell_read = False
        self._subscription: int | None = None
        """Packet id under which this connection asked for all that it subscribes to."""
        self._leave_asked = threading.Event()
        self._end_topic = END.format(client_id).encode()
        self._end_word = b""
        """Of this connection: the word of an earlier one may still wait before what came since."""
        self._end_came = False
        self._unsubscription: int | None = None
        """Packet id under which this connection asked for an end of all that it subscribes to."""
        self._again_at: float | None = None
        self._stop_asked = threading.Event()
        self._acks: deque[Message] = deque()
        self._receipts: dict[tuple[str, str, str], Receipt] = {}
        self._receipts_lock = threading.Lock()
        self._receipts_due = 0.0
        self._wake_read, self._wake_write = socket.socketpair()
        self._wake_read.setblocking(False)
        self._wake_write.setblocking(False)
        self._tls = config.tls_context()
        self._client = self._make(client_id)

    # Called by other threads ------------------------------------------------------------------------

    def acknowledge(self, messages: Sequence[Message]) -> None:
        """Acknowledge messages, in this order; those of an earlier connection are passed over."""
        self._acks.extend(messages)
        self._wake()

    def publish(self, receipts: Sequence[Receipt]) -> None:
        """Send receipts, if there is a connection; at once, or with others of the same instruments."""
        if receipts:
            with self._receipts_lock:
                for receipt in receipts:
                    waiting = self._receipts.get(receipt.key)
                    if waiting is not None or len(self._receipts) < RECEIPTS_WAITING:
                        self._receipts[receipt.key] = receipt if waiting is None else receipt.after(waiting)
            self._wake()

    @property
    def connections(self) -> int:
        """How often the broker has accepted it."""
        return self._connection

    def leave(self) -> None:
        """Take no more, take in what waits at the broker, let it forget the session, and end; see `left`.

        Only with MQTT 5; before or after `start`. Not waited for.
        """
        self._leave_asked.set()
        self._wake()

    def stop(self) -> None:
        """Send what is to be acknowledged, disconnect and end; not waited for."""
        self._stop_asked.set()
        self._wake()

    def _wake(self) -> None:
        with contextlib.suppress(OSError):  # full: it is awake anyway
            self._wake_write.send(b"\0")

    # The thread ----------------------------------------------------------------------------------------

    def run(self) -> None:
        try:
            self._run()
        except BaseException as error:
            log.exception("%s ends", self.name)
            self.failure = error
        finally:
            self.connected = self.subscribed = False
            self._wake_read.close()
            self._wake_write.close()

    def _run(self) -> None:
        pause_s = FIRST_PAUSE_S
        while not self._over:
            try:
                self._connect()
            except (OSError, ssl.SSLError) as error:
                self._say(f"the broker does not answer: {error}")
            else:
                if self._serve():
                    pause_s = FIRST_PAUSE_S
            # Not all at the same moment after a broker's restart.
            self._stop_asked.wait(pause_s * random.uniform(0.5, 1.0))
            pause_s = min(pause_s * 2, LONGEST_PAUSE_S)

    @property
    def _over(self) -> bool:
        return self._stop_asked.is_set() or self.left or not self._held

    @property
    def _held(self) -> bool:
        return self._lease is None or self._lease.held

    def _connect(self) -> None:
        arguments: dict[str, Any] = {}
        if self._tls is not None:
            self._config.trust_anew(self._tls)
        if self._config.mqtt5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = SESSION_EXPIRY_S
            properties.ReceiveMaximum = RECEIVE_MAXIMUM
            arguments = {"clean_start": False, "properties": properties}
        self._client.connect(self._config.host, self._config.port, KEEPALIVE_S, **arguments)

    def _serve(self) -> bool:
        """Serve one connection until it is lost or we shall stop; says whether the broker accepted it."""
        client = self._client
        stream = client.socket()
        if not isinstance(stream, Stream):
            return False
        accepted_before = self._connection
        selector = selectors.DefaultSelector()
        selector.register(self._wake_read, selectors.EVENT_READ)
        selector.register(stream, selectors.EVENT_READ)
        last_misc = 0.0
        watched = selectors.EVENT_READ
        with selector:
            while client.socket() is not None:
                if not self._held:
                    client.disconnect()
                    client.loop_write()
                    break
                self._send(stream)
                if self._leave_asked.is_set() and self._may_end():
                    self._end()
                    break
                wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if stream.wants_write else 0)
                if wanted != watched:
                    selector.modify(stream, wanted)
                    watched = wanted
                readable = stream.decrypted
                for key, mask in selector.select(0 if readable else self._patience_s()):
                    if key.fileobj is self._wake_read:
                        with contextlib.suppress(BlockingIOError):
                            self._wake_read.recv(4096)
                    elif mask & selectors.EVENT_READ:
                        readable = True
                if readable:
                    self._read(stream)
                if time.monotonic() - last_misc > 1.0:
                    last_misc = time.monotonic()
                    client.loop_misc()
                    self._ask_for_retained_again()
                if self._stop_asked.is_set() or (self._starved and self._inbox.has_room):
                    # Starved: the broker sends again what found no room, once we come anew.
                    self._starved = False
                    self._leave(stream)
                    break
        self.connected = self.subscribed = False
        if self._connection == accepted_before and not self.trouble.startswith("the broker refuses"):
            self._say("the broker accepts no connection: does it speak this version of MQTT?")
        return self._connection > accepted_before

    def _leave(self, stream: Stream) -> None:
        """Disconnect after the broker has read everything that we sent.

        Closing a socket with something unread in it resets the connection, and acknowledgements on
        their way are lost: harmless, but then their messages come again. The broker's answer to a
        request that changes nothing says that it has read what was sent before.
        """
        client = self._client
        self._receipts_due = 0.0
        self._send(stream, receipts=RECEIPTS_WAITING)
        if self.connected:
            self._farewell_read = False
            client.unsubscribe(NO_FILTER)
            deadline = time.monotonic() + FAREWELL_S
            while not self._farewell_read and client.socket() is not None and time.monotonic() < deadline:
                self._send(stream)
                with selectors.DefaultSelector() as selector:
                    selector.register(stream, selectors.EVENT_READ)
                    selector.select(0.05)
                self._read(stream)
        client.disconnect()
        client.loop_write()

    # Leaving for good ---------------------------------------------------------------------------------

    def _may_end(self) -> bool:
        """Whether nothing comes any more and all that came is acknowledged; begins with it if need be."""
        if self.connected and self._unsubscription is None:
            self.subscribed = False
            self._end_word = secrets.token_hex(8).encode()
            _, self._unsubscription = self._client.unsubscribe(list(self._filters))
            self._client.loop_write()
        # Starved: something came that found no room, and comes again after another connection.
        settled = self._inbox.settled and not self._acks and not self._starved
        return self.connected and self._end_came and settled

    def _end(self) -> None:
        """Let the broker forget the session (MQTT 5.0, section 3.14.2.2.2)."""
        properties = Properties(PacketTypes.DISCONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = 0
        self._client.disconnect(properties=properties)
        self._client.loop_write()
        self.left = True

    def _own_word(self, topic: bytes, payload: bytes, mid: int) -> bool:
        """Whether it is a word of this session to itself, and no gateway's message."""
        if topic != self._end_topic:
            return False
        self._end_came = self._end_came or payload == self._end_word
        self._acks.append(Message(END, b"", 0, self._connection, mid))
        return True

    def _read(self, stream: Stream) -> None:
        came: list[Publish] = []
        for publish in stream.arrivals():
            if publish is not None:
                came.append(publish)
                continue
            # Both take their turns, for acknowledgements must go in the order of arrival.
            self._take(came)
            came.clear()
            if self._client.loop_read() != mqtt.MQTT_ERR_SUCCESS:
                return
        self._take(came)

    def _take(self, came: Sequence[Publish]) -> None:
        now_us, connection = self._clock.now_us(), self._connection
        for topic, payload, mid, again in came:
            if self._own_word(topic, payload, mid):
                continue
            self._put(Message(_text(topic), cut(payload), now_us, connection, mid, None, again))

    def _put(self, message: Message) -> None:
        if not self._inbox.put(message):
            self._starved = True

    def _send(self, stream: Stream, receipts: int | None = None) -> None:
        if self._acks:
            done = [self._acks.popleft() for _ in range(len(self._acks))]
            if self.connected:
                mine = [each for each in done if each.mid and each.connection == self._connection]
                stream.acknowledge([each.mid for each in mine])
                self._inbox.release(mine)
        if self._receipts and time.monotonic() >= self._receipts_due:
            self._receipts_due = time.monotonic() + RECEIPT_PAUSE_S
            with self._receipts_lock:
                size = portion(len(self._receipts)) if receipts is None else receipts
                due = [self._receipts.pop(key) for key in list(islice(self._receipts, size))]
            if self.connected:
                for receipt in due:
                    self._client.publish(receipt.topic, receipt.payload, qos=1)
        if self._client.want_write():
            self._client.loop_write()
        stream.flush()

    def _patience_s(self) -> float:
        """How long to wait for something to come."""
        if not self._receipts:
            return TICK_S
        return min(max(self._receipts_due - time.monotonic(), 0.0), TICK_S)

    def _ask_for_retained_again(self) -> None:
        if self.subscribed and self._again_at is not None and time.monotonic() > self._again_at:
            self._again_at = None
            retained = [(topic, 1) for topic in self._filters if topic.endswith("/presence")]
            if retained:
                self._client.subscribe(retained)

    def _say(self, trouble: str) -> None:
        if trouble != self.trouble:
            log.warning("%s: %s", self.name, trouble)
            self.trouble = trouble

    # The client and its callbacks -------------------------------------------------------------------------

    def _make(self, client_id: str) -> mqtt.Client:
        config = self._config
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            clean_session=None if config.mqtt5 else False,
            protocol=mqtt.MQTTv5 if config.mqtt5 else mqtt.MQTTv311,
            manual_ack=True,
            reconnect_on_failure=False,
        )
        if config.username is not None:
            client.username_pw_set(config.username, config.password)
        if self._tls is not None:
            client.tls_set_context(self._tls)
        client.enable_logger(logging.getLogger("paho"))
        client.connect_timeout = CONNECT_TIMEOUT_S
        # Before connecting, else it does not hold; receipts need no limit of their own, see RECEIPTS_WAITING.
        client.max_inflight_messages_set(RECEIPTS_AT_MOST)
        client.max_queued_messages_set(RECEIPTS_WAITING)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_unsubscribe = self._on_unsubscribe
        client.on_message = self._on_message
        # Without this callback a packet is written at once, by whichever thread; our loop writes them.
        client.on_socket_register_write = lambda *_: None
        return client

    def _on_connect(
        self, client: mqtt.Client, _: object, flags: mqtt.ConnectFlags, reason: ReasonCode, __: object
    ) -> None:
        if reason.is_failure:
            shares = self._lease is not None and self._lease.kind is not Kind.ALONE
            if shares and reason.value == UNSUPPORTED_VERSION:
                raise Unavailable(NO_MQTT_5)
            self._say(f"the broker refuses the connection: {reason}")
            return
        self._connection += 1
        self._inbox.reconnected(session_kept=flags.session_present)
        self.connected = True
        self.trouble = ""
        self._again_at = None if flags.session_present else time.monotonic() + RETAINED_AGAIN_S
        self._unsubscription, self._end_came = None, False
        if self._leave_asked.is_set():
            return  # the loop goes on with that
        _, self._subscription = client.subscribe([(topic, 1) for topic in self._filters])

    def _on_disconnect(
        self, _: mqtt.Client, __: object, ___: object, reason: ReasonCode, ____: object
    ) -> None:
        self.connected = self.subscribed = False
        if not self._over and not self._end_came and not self.trouble:
            self._say(f"the connection to the broker is lost: {reason}")

    def _on_subscribe(
        self, _: mqtt.Client, __: object, mid: int, reasons: list[ReasonCode], ____: object
    ) -> None:
        if self._unsubscription is not None:
            self._client.publish(self._end_topic.decode(), self._end_word, qos=1)
            return
        if mid != self._subscription:  # asked again, for what is granted already
            return
        refused = [topic for topic, reason in zip(self._filters, reasons, strict=True) if reason.is_failure]
        if refused:
            raise Unavailable(
                f"The broker refuses the subscription to {', '.join(refused)}: are the permissions right, "
                "and is max_ack_pending times the number of subscriptions below 65,536?"
            )
        self.subscribed = True

    def _on_unsubscribe(self, client: mqtt.Client, _: object, mid: int, *__: object) -> None:
        if mid == self._unsubscription:
            # Asked for only now, so that it is behind what was subscribed to.
            client.subscribe(self._end_topic.decode(), qos=1)
        else:
            self._farewell_read = True

    def _on_message(self, _: mqtt.Client, __: object, message: mqtt.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = NO_TOPIC
        if self._own_word(topic.encode(), bytes(message.payload), message.mid):
            return
        properties = message.properties
        self._put(
            Message(
                topic=topic,
                payload=cut(bytes(message.payload)),
                arrived_us=self._clock.now_us(),
                connection=self._connection,
                mid=message.mid if message.qos else 0,
                content_type=None if properties is None else getattr(properties, "ContentType", None),
                again=message.dup or message.retain,
            )
        )


def portion(waiting: int) -> int:
    """How many of so many waiting receipts are sent at once."""
    return min(max(RECEIPTS_AT_ONCE, waiting // 5), RECEIPTS_AT_MOST)


def _text(topic: bytes) -> str:
    try:
        return topic.decode()
    except UnicodeDecodeError:
        return NO_TOPIC
