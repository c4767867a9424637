"""Addresses at which somebody can be told, as people type them: a mailbox, a webhook, a service's address.

`apprise` knows some hundred services, each by an address of its own form. Some of its parts read files of
this machine, or show things on its screen; those are refused here, for whoever types an address sits
elsewhere.
"""

from __future__ import annotations

import logging
import re
import threading
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qsl, urlsplit

from model.channel import Kind
from model.errors import BadInput

LONGEST = 2000
MAILBOX = re.compile(r"[^\s@<>,;:\"()\[\]\\]{1,64}@[A-Za-z0-9](?:[A-Za-z0-9.-]{0,251}[A-Za-z0-9])?")
"""What people have: without the quoting and comments that RFC 5321 allows besides."""
OF_THIS_MACHINE = frozenset(
    (
        *("dbus", "qt", "kde", "glib", "gio", "gnome", "macosx", "windows", "syslog", "blink1"),
        *("fcm", "vapid", "memory", "file", "custom"),
    )
)
"""They show something on this machine's screen, or need a file of it."""
OF_FILES = frozenset(
    (
        *("template", "templates", "keyfile", "key_file", "subfile", "cert", "config"),
        *("pgp", "pgp_key", "pgpkey", "pgppriv", "attach", "attachment"),
    )
)
"""Parameters that name files."""
NOT_UNDERSTOOD = (
    "This is no address that is understood: a mailbox (somebody@example.org), a webhook (https://…), or a "
    "service's address as the documentation of apprise has it (ntfys://…)."
)

log = logging.getLogger("apprise")


@dataclass(frozen=True, slots=True)
class Address:
    """What somebody typed.

    Parameters
    ----------
    full : str
        It may hold a secret unless it is a mailbox.
    shown : str
        Without anything that may be one.
    """

    kind: Kind
    full: str
    shown: str

    def __repr__(self) -> str:
        return f"Address({self.kind}, {self.shown!r})"


def read(text: str, field: str = "address") -> Address:
    """What a typed address leads to.

    Raises
    ------
    BadInput
        In a sentence that does not repeat the address, which may hold a secret.
    """
    text = text.strip().removeprefix("mailto:") if "//" not in text else text.strip()
    if not text:
        raise BadInput("This is needed.", field=field)
    if len(text) > LONGEST or not text.isprintable():
        raise BadInput(NOT_UNDERSTOOD, field=field)
    if "://" not in text:
        if MAILBOX.fullmatch(text) is None or ".." in text:
            raise BadInput(NOT_UNDERSTOOD, field=field)
        return Address(Kind.MAIL, text, text)
    try:
        parts = urlsplit(text)
        scheme, host = parts.scheme.lower(), parts.hostname
        parameters = {name.lower() for name, _ in parse_qsl(parts.query, keep_blank_values=True)}
    except ValueError as error:
        raise BadInput(NOT_UNDERSTOOD, field=field) from error
    if scheme in ("http", "https"):
        if not host:
            raise BadInput(NOT_UNDERSTOOD, field=field)
        return Address(Kind.WEBHOOK, text, f"{scheme}://{host}/…")
    if scheme in OF_THIS_MACHINE or parameters & OF_FILES:
        raise BadInput(
            "This address would use a screen or a file of the server: it cannot be used.", field=field
        )
    service = instance(text)
    if service is None:
        raise BadInput(NOT_UNDERSTOOD, field=field)
    return Address(Kind.SERVICE, text, f"{scheme}://… ({service.service_name})")


def instance(url: str) -> Any:
    """What `apprise` makes of an address; None if nothing."""
    # Loaded where it is used: 0.15 s (measured).
    from apprise import Apprise, AppriseAsset

    # Nothing of this machine's own (templates, plugins, stores), and no pictures from elsewhere.
    asset = AppriseAsset(
        app_id="Holdfast",
        app_desc="Holdfast",
        app_url="",
        image_url_mask="",
        image_url_logo="",
        image_path_mask=False,
        allow_templates=False,
        http_redirects=False,
        secure_logging=True,
        async_mode=False,
        pgp_autogen=False,
        pem_autogen=False,
    )
    with Ear():
        return Apprise.instantiate(url, asset=asset)


class Ear(logging.Handler):
    """Hears what `apprise` warns of in this thread, and lets nobody else hear it: addresses hold secrets."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self._thread = threading.get_ident()
        self.said: list[str] = []

    def __enter__(self) -> Ear:
        log.propagate = False
        log.addHandler(self)
        return self

    def __exit__(self, *_: object) -> None:
        log.removeHandler(self)

    def emit(self, record: logging.LogRecord) -> None:
        if record.thread == self._thread:
            self.said.append(record.getMessage())
