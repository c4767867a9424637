"""One message over a service that `apprise` knows: chat, push, gateways to telephones, other mail servers.

What `apprise` says of a failure goes into no log of ours: it may hold addresses, and they hold secrets. Of
its words we take the status of an answer, nothing else.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from http import HTTPStatus

from desk.worker.outcome import Outcome
from model.address import Ear, instance
from model.channel import Letter

STEP_S = 15.0
"""Longest wait for a connection, and for an answer."""
ROOMY = 500
"""Characters; where a service takes fewer it gets the brief message."""
STATUS = re.compile(r"error=(\d{3})\b")


def send(url: str, letter: Letter) -> Outcome:
    """Hand one message over. Blocks; connecting and waiting have time limits."""
    service = instance(url)
    if service is None:
        return Outcome(hopeless=True, error="its address is not understood any more: enter it anew")
    from apprise import NotifyFormat, NotifyType
    from apprise.common import OverflowMode
    from apprise.plugins.email.base import NotifyEmail

    service.socket_connect_timeout = service.socket_read_timeout = STEP_S
    service.overflow_mode = OverflowMode.SPLIT
    by_mail = isinstance(service, NotifyEmail)
    body, form = (letter.html, NotifyFormat.HTML) if by_mail else (letter.text, NotifyFormat.TEXT)
    title = letter.subject
    if service.body_maxlen < ROOMY:
        title, body = "", letter.brief
    with Ear() as heard:
        try:
            taken = service.notify(body=body, title=title, notify_type=NotifyType.INFO, body_format=form)
        except Exception as error:  # whatever a plugin makes of an answer is a failed attempt
            return Outcome(error=f"the service was not reached ({type(error).__name__})")
    return Outcome(delivered=True) if taken else Outcome(error=_in_words(heard.said))


def _in_words(said: Sequence[str]) -> str:
    """Why it was not taken."""
    for line in said:
        if found := STATUS.search(line):
            try:
                return f"the service answered {found[1]} {HTTPStatus(int(found[1])).phrase}"
            except ValueError:
                return f"the service answered {found[1]}"
    if any("onnection" in line for line in said):
        return "the service was not reached"
    return "the service did not take it"
