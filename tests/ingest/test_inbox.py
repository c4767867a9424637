"""The inbox between the broker's thread and the writer's."""

from __future__ import annotations

import threading

from ingest.inbox import OVERHEAD_BYTES, Inbox, Message


def of(mid: int, connection: int = 1, payload: bytes = b"x" * 100) -> Message:
    return Message("hf/1/gw1/g1/data", payload, 0, connection, mid)


def mids(inbox: Inbox) -> list[int]:
    return [message.mid for message in inbox.take(1000, 10**9)]


def test_redelivery_of_what_is_held_is_passed_over() -> None:
    inbox = Inbox(10**6)
    for _ in range(8):
        for mid in range(1, 6):
            assert inbox.put(of(mid))
    batch = inbox.take(1000, 10**9)
    assert [message.mid for message in batch] == [1, 2, 3, 4, 5]
    # also while it is with the writer
    assert inbox.put(of(3))
    assert mids(inbox) == []
    inbox.release(batch)
    inbox.put(of(3))
    assert mids(inbox) == [3]


def test_messages_without_id_are_all_taken() -> None:
    inbox = Inbox(10**6)
    for _ in range(3):
        inbox.put(of(0))
    assert mids(inbox) == [0, 0, 0]


def test_full_inbox_refuses_and_has_room_again_when_half_empty() -> None:
    inbox = Inbox(4 * (100 + OVERHEAD_BYTES))
    assert [inbox.put(of(mid)) for mid in range(1, 6)] == [True, True, True, True, False]
    assert not inbox.has_room
    inbox.take(2, 10**9)
    assert not inbox.has_room
    inbox.take(1, 10**9)
    assert inbox.has_room
    # the one that found no room is not held, so the broker's repetition of it comes in
    assert inbox.put(of(5))


def test_closed_inbox_takes_nothing() -> None:
    inbox = Inbox(10**6)
    inbox.closed = True
    assert not inbox.put(of(1))
    assert not inbox.has_room


def test_batch_is_bounded_in_messages_and_in_bytes() -> None:
    inbox = Inbox(10**6)
    for mid in range(1, 11):
        inbox.put(of(mid))
    assert len(inbox.take(4, 10**9)) == 4
    assert len(inbox.take(100, 2 * (100 + OVERHEAD_BYTES))) == 2
    assert len(inbox.take(100, 1)) == 1  # one at least, or it would stand still


def test_new_connection_with_the_session_kept_drops_what_will_come_again() -> None:
    inbox = Inbox(10**6)
    inbox.put(of(1))
    inbox.put(of(0))
    inbox.reconnected(session_kept=True)
    inbox.put(of(1, connection=2))
    assert [(m.connection, m.mid) for m in inbox.take(10, 10**9)] == [(1, 0), (2, 1)]
    assert inbox.held_bytes == 0


def test_new_connection_without_the_session_keeps_what_nobody_else_has() -> None:
    inbox = Inbox(10**6)
    inbox.put(of(1))
    inbox.reconnected(session_kept=False)
    inbox.put(of(1, connection=2))
    assert [(m.connection, m.mid) for m in inbox.take(10, 10**9)] == [(1, 1), (2, 1)]


def test_it_stays_bounded_over_any_number_of_reconnections() -> None:
    inbox = Inbox(1000 * (100 + OVERHEAD_BYTES))
    for connection in range(50):
        inbox.reconnected(session_kept=connection % 3 > 0)
        for mid in range(1, 600):
            inbox.put(of(mid, connection))
    assert len(inbox) <= 1000


def test_wait_ends_when_a_message_comes() -> None:
    inbox = Inbox(10**6)
    assert not inbox.wait(age_s=0.0, most=10, patience_s=0.01)
    timer = threading.Timer(0.05, inbox.put, (of(1),))
    timer.start()
    assert inbox.wait(age_s=0.0, most=10, patience_s=10)
    timer.join()
