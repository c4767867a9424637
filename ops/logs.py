"""How every process writes its log: lines for people, or with ``HOLDFAST_LOG=json`` one object a line.

All of it goes through Python's `logging`, also what uvicorn, alembic and paho say, warnings, and the
exception that ends a process. Passwords in addresses are blotted out wherever a message holds one.
"""

from __future__ import annotations

import json
import logging
import re
import sys
import threading
from datetime import UTC, datetime
from types import TracebackType

TEXT = "%(asctime)s %(levelname)s %(name)s %(message)s"
BLOT = "…"

# user:password@ in an address, and password=… in a connection string of libpq.
_SECRETS = (
    re.compile(r"(?<=://)([^\s:/@]*):[^\s/@]+(?=@)"),
    re.compile(
        r"\b(password|passwd|pwd|token|secret)(\s*[=:]\s*)('[^']*'|\"[^\"]*\"|[^\s,;&]+)", re.IGNORECASE
    ),
)
_STANDARD = frozenset(vars(logging.makeLogRecord({}))) | {"message", "asctime", "taskName", "color_message"}

log = logging.getLogger("holdfast")


def blotted(text: str) -> str:
    """A text without the passwords in it."""
    return _SECRETS[1].sub(rf"\1\2{BLOT}", _SECRETS[0].sub(rf"\1:{BLOT}", text))


class Lines(logging.Formatter):
    """For people."""

    def format(self, record: logging.LogRecord) -> str:
        """The line."""
        return blotted(super().format(record))


class Objects(logging.Formatter):
    """For programs: one JSON object (RFC 8259) a line, times as RFC 3339 in UTC.

    Parameters
    ----------
    process : str
        Which one this is, as the command that runs it.
    """

    def __init__(self, process: str) -> None:
        super().__init__()
        self._process = process

    def format(self, record: logging.LogRecord) -> str:
        """The line; what was given as ``extra`` becomes fields of its own."""
        at = datetime.fromtimestamp(record.created, UTC)
        said: dict[str, object] = {
            "time": at.isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "process": self._process,
            "logger": record.name,
            "thread": record.threadName,
            "message": record.getMessage(),
        }
        if record.exc_info:
            said["error"] = self.formatException(record.exc_info)
        more = {name: value for name, value in vars(record).items() if name not in _STANDARD}
        clean = {
            name: blotted(value if isinstance(value, str) else repr(value))
            if not isinstance(value, int | float | None)
            else value
            for name, value in {**more, **said}.items()
        }
        return json.dumps(clean, ensure_ascii=False)


def begin(*, quiet: bool = False) -> bool:
    """Let this process write its log to standard error, as the settings say.

    Parameters
    ----------
    quiet : bool
        People read along: as lines, warnings only.

    Returns
    -------
    bool
        Whether it is JSON.
    """
    from ops.settings import load

    as_json = load().log == "json"
    handler = logging.StreamHandler(sys.stderr)
    # The command that runs it: ``holdfast ingest``, ``python -m ops.child ingest``.
    handler.setFormatter(Objects(next(iter(sys.argv[1:]), "holdfast")) if as_json else Lines(TEXT))
    level = logging.WARNING if quiet and not as_json else logging.INFO
    logging.basicConfig(level=level, handlers=[handler], force=True)
    logging.captureWarnings(capture=True)
    if as_json:
        sys.excepthook = _last_words
        threading.excepthook = _last_words_of_thread
    return as_json


def say(sentence: str) -> None:
    """Why a command ends: a line of the log where that is JSON, else the sentence."""
    if any(isinstance(handler.formatter, Objects) for handler in logging.getLogger().handlers):
        log.critical("%s", sentence)
    else:
        print(sentence, file=sys.stderr)


def _last_words(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
    log.critical("ends: %s: %s", kind.__name__, error, exc_info=(kind, error, trace))


def _last_words_of_thread(ended: threading.ExceptHookArgs) -> None:
    error = ended.exc_value or ended.exc_type()
    name = ended.thread.name if ended.thread else "a thread"
    log.critical("%s ends: %s", name, error, exc_info=(ended.exc_type, error, ended.exc_traceback))
