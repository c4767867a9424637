"""The calculator for volumes: rows of pipes and vessels; nothing is stored."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from fastapi import APIRouter, Request
from starlette.responses import Response

from api.context import Ctx
from api.pages import render
from api.pages.setup.forms import Typed
from api.permissions import MayLook
from api.reader import figures_of
from model import quantities
from model.errors import BadInput
from physics.pipes import LENGTH_SHARE, VESSEL_SHARE, Between, pipe_volume, total, vessel_volume

router = APIRouter()

PIPE_ROWS, VESSEL_ROWS = 5, 3
"""Empty rows to begin with; five more appear when all are used."""
MOST_ROWS = 200


@dataclass(frozen=True, slots=True)
class Line:
    """A row as typed, with its volume or what is wrong with it."""

    values: Mapping[str, str]
    volume: Between | None = None
    errors: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Calculation:
    """Rows and their sum; no sum while a row cannot be read."""

    pipes: tuple[Line, ...]
    vessels: tuple[Line, ...]
    total: Between | None
    length_share: float = LENGTH_SHARE
    vessel_share: float = VESSEL_SHARE

    @property
    def errors(self) -> bool:
        """Whether a row cannot be used."""
        return any(line.errors for line in (*self.pipes, *self.vessels))

    @property
    def used(self) -> bool:
        """Whether anything was typed."""
        return any(any(line.values.values()) for line in (*self.pipes, *self.vessels))

    @classmethod
    def empty(cls) -> Calculation:
        """Nothing typed yet."""
        return cls.kept({})

    @classmethod
    def kept(cls, typed: Mapping[str, str]) -> Calculation:
        """What was typed, not calculated."""
        return cls(
            tuple(Line(values) for values in _rows(typed, ("outer", "inner", "length"), PIPE_ROWS)),
            tuple(Line(values) for values in _rows(typed, ("vessel",), VESSEL_ROWS)),
            None,
        )

    @classmethod
    def of(cls, typed: Mapping[str, str], decimal: str) -> Calculation:
        """The volume of what was typed by who writes that decimal sign."""
        rows = cls.kept(typed)
        pipes = tuple(_calculated(line, _pipe, decimal) for line in rows.pipes)
        vessels = tuple(_calculated(line, _vessel, decimal) for line in rows.vessels)
        parts = [line.volume for line in (*pipes, *vessels) if line.volume is not None]
        bad = any(line.errors for line in (*pipes, *vessels))
        return cls(pipes, vessels, total(parts) if parts and not bad else None)


def _rows(typed: Mapping[str, str], names: tuple[str, ...], least: int) -> list[dict[str, str]]:
    used = 0
    for number in range(MOST_ROWS):
        if any(typed.get(f"{name}-{number}", "").strip() for name in names):
            used = number + 1
    count = least if used < least else min(used + 5, MOST_ROWS)
    return [{name: typed.get(f"{name}-{number}", "").strip() for name in names} for number in range(count)]


def _calculated(line: Line, volume: Callable[[Mapping[str, str]], Between], decimal: str) -> Line:
    if not any(line.values.values()):
        return line
    try:
        values = {name: quantities.pointed(text, decimal, name) for name, text in line.values.items()}
        return Line(line.values, volume(values))
    except BadInput as error:
        return Line(line.values, None, {error.field or "length": str(error)})
    except ValueError as error:
        text = str(error)
        where = "vessel" if "vessel" in line.values else "length" if "length" in text else "inner"
        return Line(line.values, None, {where: f"{text[:1].upper()}{text[1:]}."})


def _pipe(values: Mapping[str, str]) -> Between:
    if not values["length"]:
        raise BadInput("How long is it?", field="length")
    return pipe_volume(
        quantities.length(values["length"], "length"),
        inner_m=quantities.length(values["inner"], "inner") if values["inner"] else None,
        outer_m=quantities.length(values["outer"], "outer") if values["outer"] else None,
    )


def _vessel(values: Mapping[str, str]) -> Between:
    return vessel_volume(quantities.volume(values["vessel"], "vessel"))


@router.get("/setup/pipes")
def calculator(request: Request, ctx: Ctx, person: MayLook) -> Response:
    """The calculator by itself."""
    return render(request, "setup/pipes.html", calculation=Calculation.empty())


@router.post("/setup/pipes")
def calculate(request: Request, ctx: Ctx, person: MayLook, typed: Typed) -> Response:
    """The volume of what was typed."""
    calculation = Calculation.of(typed, figures_of(request).conventions.decimal)
    return render(request, "setup/pipes.html", 422 if calculation.errors else 200, calculation=calculation)
