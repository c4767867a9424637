"""A real mail server of this machine: keeps what it is given, and answers as it is told."""

from __future__ import annotations

import asyncio
import threading
from email import message_from_bytes, policy
from email.message import EmailMessage
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from desk.config import MailServer
from ops.embedded.process import free_port

FROM = "Holdfast <holdfast@example.org>"


class Mailbox:
    """Takes every mail; ``refused`` mailboxes and the answers of ``script`` (to DATA) excepted.

    While ``hanging`` is set it reads a mail and does not answer.
    """

    def __init__(self, **options: Any) -> None:
        self.mails: list[tuple[str, EmailMessage]] = []
        self.tries = 0
        self.script: list[str] = []
        self.refused: set[str] = set()
        self.slow: set[str] = set()
        self._let_go = threading.Event()
        self._controller = Controller(self, hostname="127.0.0.1", port=free_port(None), **options)

    def __enter__(self) -> Mailbox:
        self._controller.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._let_go.set()
        self._controller.stop()

    @property
    def port(self) -> int:
        return int(self._controller.port)

    def server(self, **changes: Any) -> MailServer:
        """How it is reached."""
        given: dict[str, Any] = {"host": "127.0.0.1", "port": self.port, "tls": "off", "sender": FROM}
        return MailServer(**{**given, **changes})

    def to(self, address: str) -> list[EmailMessage]:
        """What came for a mailbox."""
        return [mail for receiver, mail in self.mails if receiver == address]

    async def handle_RCPT(  # noqa: N802 - named by the library
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if address in self.refused:
            return "550 5.1.1 no such mailbox"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        self.tries += 1
        if self.slow & set(envelope.rcpt_tos):
            await asyncio.to_thread(self._let_go.wait)
            return "451 4.3.0 too late"
        if self.script:
            return self.script.pop(0)
        content = envelope.content
        assert isinstance(content, bytes)
        mail = message_from_bytes(content, policy=policy.default)
        assert isinstance(mail, EmailMessage)
        self.mails += [(receiver, mail) for receiver in envelope.rcpt_tos]
        return "250 OK"


def part(mail: EmailMessage, kind: str) -> str:
    """The text or HTML of a mail."""
    found = mail.get_body((kind,))
    assert found is not None
    return str(found.get_content())
