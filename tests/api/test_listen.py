"""The socket that pages and API are served on."""

from __future__ import annotations

import socket

from api.service import listen


def test_an_answer_s_pieces_do_not_wait_for_acknowledgements() -> None:
    with listen("127.0.0.1", 0) as listener, socket.create_connection(listener.getsockname()):
        accepted, _ = listener.accept()
        with accepted:
            # tcp(7): with TCP_NODELAY segments are sent as soon as possible
            assert accepted.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
