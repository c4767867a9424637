"""The text of a log file: packing, encoding and lines, whatever wrote them, in bounded memory."""

from __future__ import annotations

import codecs
import csv
import gzip
import io
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import Any

from model.errors import BadInput

HEAD_BYTES = 65_536
"""What is looked at to tell encoding and kind of a file."""

LONGEST_LINE = 65_536
"""Characters; no logger writes longer lines."""

CHUNK_LINES = 50_000
"""Lines that are worked off together."""

COMMENTS = ("#", "%", "//")
WHITESPACE = ""
"""Divider of columns that stand apart by blanks."""

_GZIP = b"\x1f\x8b"
_ARCHIVES = {
    b"PK\x03\x04": "a ZIP archive or a spreadsheet",
    b"PK\x05\x06": "a ZIP archive",
    b"\xd0\xcf\x11\xe0": "a spreadsheet of an office program",
    b"%PDF": "a PDF document",
    b"BZh": "packed with bzip2",
    b"\xfd7zXZ": "packed with xz",
    b"\x28\xb5\x2f\xfd": "packed with zstd",
    b"7z\xbc\xaf": "a 7z archive",
}
_BOMS = (
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_CONTROLS = bytes(set(range(32)) - set(b"\0\t\n\r\f\v\x1a"))

Progress = Callable[[float], None]
"""Told the share of a file that has been worked off."""


@contextmanager
def chunks(path: Path, progress: Progress) -> Iterator[Iterator[list[str]]]:
    """Lines of a file in lists of `CHUNK_LINES`, without their ends and without NUL.

    Raises
    ------
    BadInput
        If the file cannot be read, is no text, or has a line that no log has.
    """
    try:
        with io.BufferedReader(io.FileIO(path), HEAD_BYTES) as raw:
            size = path.stat().st_size
            stream: Any = raw
            if raw.peek(2)[:2] == _GZIP:
                unpacked: Any = gzip.GzipFile(fileobj=raw)
                stream = io.BufferedReader(unpacked, HEAD_BYTES)
            encoding = _encoding(stream.peek(HEAD_BYTES), path.name)
            text = io.TextIOWrapper(stream, encoding=encoding, errors="replace", newline=None)
            # A pipe has neither a size nor a place.
            yield _lists(text, path.name, lambda: progress(raw.tell() / size) if size else None)
    except (OSError, EOFError, zlib.error) as error:
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise BadInput(f"{path} cannot be read: {why}.") from None


def _lists(text: io.TextIOWrapper, name: str, told: Callable[[], None]) -> Iterator[list[str]]:
    lines = iter(lambda: text.readline(LONGEST_LINE), "")
    at = 0
    while chunk := list(islice(lines, CHUNK_LINES)):
        for offset, line in enumerate(chunk, start=1):
            if len(line) >= LONGEST_LINE:
                raise BadInput(
                    f"{name} is no log: line {at + offset} is longer than {LONGEST_LINE} characters."
                )
        at += len(chunk)
        told()
        yield [line.rstrip("\n").replace("\0", "") for line in chunk]


def _encoding(head: bytes, name: str) -> str:
    for magic, what in _ARCHIVES.items():
        if head.startswith(magic):
            raise BadInput(f"{name} is {what}, not text; save the log as CSV.")
    for mark, encoding in _BOMS:
        if head.startswith(mark):
            return encoding
    if wide := _wide(head):
        return wide
    controls = len(head) - len(head.translate(None, _CONTROLS))
    # Loggers that lost power leave blocks of NUL in their files; controls mean another kind of file.
    if controls > len(head) / 200 or head.count(0) > len(head) / 2:
        raise BadInput(f"{name} is no text file.")
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8"


def _wide(head: bytes) -> str | None:
    """UTF-16 without its mark: every other byte of plain text is zero then."""
    pairs = len(head) // 2
    if pairs < 4:
        return None
    low, high = head[0 : 2 * pairs : 2].count(0), head[1 : 2 * pairs : 2].count(0)
    if high > 0.9 * pairs and low < 0.1 * pairs:
        return "utf-16-le"
    return "utf-16-be" if low > 0.9 * pairs and high < 0.1 * pairs else None


def cells_of(line: str, divider: str) -> list[str]:
    """The cells of one line; a quote that never ends does not swallow the lines after it."""
    if '"' in line:
        quoted = next(csv.reader([line], delimiter=divider or " ", skipinitialspace=True), [])
        return [cell.strip() for cell in quoted if divider or cell]
    if divider == WHITESPACE:
        return line.split()
    return [cell.strip() for cell in line.split(divider)]
