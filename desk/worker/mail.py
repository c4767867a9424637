"""One mail to one mailbox, through the server of the settings.

The standard library's client and not `apprise`: a mail here has a text of its own beside its HTML, threads by
alert, and the same Message-ID at every attempt, by which mail systems drop what they had (RFC 5322, section
3.6.4). RFC 3834 asks programs to say that they are programs.
"""

from __future__ import annotations

import smtplib
import ssl
from dataclasses import dataclass
from email.message import EmailMessage
from email.utils import format_datetime, parseaddr
from typing import TYPE_CHECKING

from desk.config import MailServer
from desk.worker.outcome import Outcome
from model.channel import Letter

if TYPE_CHECKING:
    from datetime import datetime

STEP_S = 20.0
"""Longest wait for one answer of the server."""
PERMANENT = 500
"""Replies from here on are final (RFC 5321, section 4.2.1)."""


@dataclass(frozen=True, slots=True)
class Envelope:
    """To whom, and as which message.

    Parameters
    ----------
    number : str
        Unique, and the same at every attempt.
    thread : str
        Of messages that belong together; empty: of none.
    """

    to: str
    number: str
    thread: str
    at: datetime


def compose(server: MailServer, envelope: Envelope, letter: Letter) -> EmailMessage:
    """The message as it goes out."""
    domain = parseaddr(server.sender)[1].rpartition("@")[2]
    message = EmailMessage()
    message["From"] = server.sender
    message["To"] = envelope.to
    message["Subject"] = letter.subject
    message["Date"] = format_datetime(envelope.at)
    message["Message-ID"] = f"<{envelope.number}@{domain}>"
    if envelope.thread:
        message["References"] = f"<{envelope.thread}@{domain}>"
    message["Auto-Submitted"] = "auto-generated"
    message.set_content(letter.text, cte="quoted-printable")
    message.add_alternative(letter.html, subtype="html", cte="quoted-printable")
    return message


def send(server: MailServer, envelope: Envelope, letter: Letter) -> Outcome:
    """Hand one mail over to the server. Blocks; each step of it has a time limit."""
    message = compose(server, envelope, letter)
    sender = parseaddr(server.sender)[1]
    try:
        with _connected(server) as client:
            client.send_message(message, sender, [envelope.to])
    except smtplib.SMTPRecipientsRefused as error:
        code = max((code for code, _ in error.recipients.values()), default=0)
        return Outcome(
            hopeless=code >= PERMANENT, error=f"the mail server refuses this mailbox (answer {code})"
        )
    except smtplib.SMTPAuthenticationError as error:
        return Outcome(error=f"the mail server refuses our login (answer {error.smtp_code})")
    except smtplib.SMTPNotSupportedError:
        return Outcome(error="the mail server does not offer what the settings ask for (STARTTLS or a login)")
    except smtplib.SMTPResponseException as error:
        return Outcome(error=f"the mail server answered {error.smtp_code}")
    except ssl.SSLError as error:
        why = getattr(error, "verify_message", "") or error.reason or "TLS failed"
        return Outcome(error=f"no encrypted connection to the mail server: {why}")
    except (OSError, smtplib.SMTPException) as error:
        return Outcome(error=f"the mail server was not reached ({type(error).__name__})")
    return Outcome(delivered=True)


def _connected(server: MailServer) -> smtplib.SMTP:
    context = None
    if server.tls != "off":
        context = ssl.create_default_context(cafile=None if server.ca is None else str(server.ca))
    if server.tls == "tls":
        client: smtplib.SMTP = smtplib.SMTP_SSL(server.host, server.port, timeout=STEP_S, context=context)
    else:
        client = smtplib.SMTP(server.host, server.port, timeout=STEP_S)
    try:
        if server.tls == "starttls":
            client.starttls(context=context)
        if server.user:
            client.login(server.user, server.password)
    except BaseException:
        client.close()
        raise
    return client
