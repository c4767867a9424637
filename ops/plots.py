"""Pictures of logs as files: SVG as it is drawn, PNG by Pillow."""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path as FilePath
from typing import TYPE_CHECKING

from analytics.core.plot import HEIGHT, PAPER, WIDTH, Area, Drawing, Path, Point, Words, to_svg
from model.errors import BadInput

if TYPE_CHECKING:
    from PIL import Image, ImageDraw

_FINER = 2
"""Pixels of a PNG for each unit of the drawing."""
_DASH, _SPACE = 7.0, 5.0
_ANCHORS = {"start": "ls", "middle": "ms", "end": "rs"}


def names_for(plot: FilePath, logs: list[FilePath]) -> list[FilePath]:
    """Names of the pictures: as it was said for one log; for several each with its log's name in it.

    Raises
    ------
    BadInput
        If it ends in neither .svg nor .png, or would overwrite a log.
    """
    if plot.suffix.casefold() not in (".svg", ".png"):
        raise BadInput(f"{plot} must end in .svg or .png.", field="--plot")
    names = [plot]
    if len(logs) > 1:
        stems: list[str] = []
        for log in logs:
            again = stems.count(log.stem)
            stems.append(log.stem)
            tail = log.stem if not again else f"{log.stem}-{again + 1}"
            names.append(plot.with_name(f"{plot.stem}-{tail}{plot.suffix}"))
        del names[0]
    taken = {log.absolute() for log in logs}
    for name in names:
        if name.absolute() in taken:
            raise BadInput(f"{name} is a log; name another file for its picture.", field="--plot")
    return names


def save(drawing: Drawing, path: FilePath) -> None:
    """Write a drawing as what its name says.

    Raises
    ------
    BadInput
        If the file cannot be written.
    """
    try:
        if path.suffix.casefold() == ".svg":
            path.write_text(to_svg(drawing), encoding="utf-8", errors="replace")
        else:
            _png(drawing).save(path, "PNG")
    except OSError as error:
        raise BadInput(f"{path} cannot be written: {error.strerror or error}.", field="--plot") from None


def _png(drawing: Drawing) -> Image.Image:
    from PIL import Image, ImageDraw

    image = Image.new("RGB", (WIDTH * _FINER, HEIGHT * _FINER), PAPER)
    canvas = ImageDraw.Draw(image)
    for shape in drawing.shapes:
        match shape:
            case Area():
                left, top = shape.x * _FINER, shape.y * _FINER
                right, bottom = left + shape.width * _FINER - 1, top + shape.height * _FINER - 1
                canvas.rectangle((left, top, right, bottom), fill=shape.colour)
            case Path():
                for piece in _dashes(shape.points) if shape.dashed else [shape.points]:
                    scaled = [(x * _FINER, y * _FINER) for x, y in piece]
                    canvas.line(scaled, fill=shape.colour, width=round(shape.width * _FINER), joint="curve")
            case Words():
                _write(canvas, shape)
    return image


def _write(canvas: ImageDraw.ImageDraw, words: Words) -> None:
    from PIL import ImageFont

    font = ImageFont.load_default(words.size * _FINER)
    at = (words.x * _FINER, words.y * _FINER)
    canvas.text(at, words.text, fill=words.colour, font=font, anchor=_ANCHORS[words.anchor])


def _dashes(points: tuple[Point, ...]) -> list[tuple[Point, Point]]:
    """Cut straight pieces into dashes; each piece begins with one."""
    dashes = []
    for (x0, y0), (x1, y1) in pairwise(points):
        length = math.hypot(x1 - x0, y1 - y0)
        at = 0.0
        while at < length:
            a, b = at / length, min(at + _DASH, length) / length
            dashes.append(
                ((x0 + a * (x1 - x0), y0 + a * (y1 - y0)), (x0 + b * (x1 - x0), y0 + b * (y1 - y0)))
            )
            at += _DASH + _SPACE
    return dashes
