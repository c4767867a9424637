"""``diagnose``: logs of vacuum gauges, judged without a database."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from json import dumps
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from model.errors import BadInput, HoldfastError
from ops.commands.common import FAILED, Json

if TYPE_CHECKING:
    from analytics.core.diagnose import Judged
    from analytics.core.log_options import DiagnoseOptions
    from analytics.core.logfile.text import Progress


def diagnose(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", show_default=False)],
    unit: Annotated[str | None, typer.Option(help="Of the pressures in the files.")] = None,
    volume: Annotated[str | None, typer.Option(help="Of the isolated circuit: '12 L'.")] = None,
    target: Annotated[str | None, typer.Option(help="To be held before: '500 micron'.")] = None,
    limit: Annotated[str | None, typer.Option(help="Permitted pressure: '2500 micron'.")] = None,
    rise: Annotated[str | None, typer.Option(help="Permitted rise above the start.")] = None,
    hold: Annotated[str | None, typer.Option(help="Length of the hold: '30 min'.")] = None,
    isolated_at: Annotated[str | None, typer.Option(help="When the valve closed.")] = None,
    whole_file_is_hold: Annotated[
        bool, typer.Option("--whole-file-is-hold", help="It was closed all through.")
    ] = False,
    pump: Annotated[str | None, typer.Option(help="Rating of the pump: '6 cfm'.")] = None,
    hose: Annotated[str | None, typer.Option(help="Its bore and length: '6.35 mm x 1.5 m'.")] = None,
    ultimate: Annotated[str | None, typer.Option(help="Ultimate pressure of the pump: '15 micron'.")] = None,
    show_unit: Annotated[str | None, typer.Option(help="Say pressures in it, such as hPa.")] = None,
    plot: Annotated[
        Path | None, typer.Option(metavar="FILE.svg|png", help="Draw the curve; a file for each log.")
    ] = None,
    json: Json = False,
) -> None:
    """Judge logs of a vacuum gauge: CSV with the columns time and pressure.

    Pull-down and hold are found in the curve unless a valve column or an option says when the valve closed.
    """
    from analytics.core.log_options import options_from_text
    from ops.plots import names_for

    options = options_from_text(
        unit=unit,
        volume=volume,
        target=target,
        limit=limit,
        rise=rise,
        hold=hold,
        isolated_at=isolated_at,
        whole_file_is_hold=whole_file_is_hold,
        pump=pump,
        hose=hose,
        ultimate=ultimate,
    )
    pictures = [None] * len(files) if plot is None else names_for(plot, files)
    teller = _teller(show_unit)
    # A terminal that knows few characters gets marks of question, not a traceback.
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    status = 0
    for at, (file, picture) in enumerate(zip(files, pictures, strict=True)):
        try:
            judged = _judged(file, options, at, len(files))
            if picture is not None:
                teller.draw(judged, picture, file.name)
        except HoldfastError as error:
            status = FAILED
            sentence = str(error) if file.name in str(error) else f"{file}: {error}"
            print(sentence, file=sys.stderr, flush=True)
            if json:
                print(_line({"file": str(file), "error": str(error)}), flush=True)
        else:
            print(_line(judged.result) if json else teller.say(judged), flush=True)
            if not json and at < len(files) - 1:
                print()
    raise typer.Exit(status)


def _line(value: dict[str, Any]) -> str:
    # What a name holds that is no text of any kind is escaped: JSON is UTF-8.
    text = dumps(value, ensure_ascii=False, allow_nan=False)
    return text if text.isascii() or _encodes(text) else dumps(value, allow_nan=False)


def _encodes(text: str) -> bool:
    try:
        text.encode(getattr(sys.stdout, "encoding", None) or "utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _judged(file: Path, options: DiagnoseOptions, at: int, of: int) -> Judged:
    from analytics.core.diagnose import judge_file

    with _bar(file.name, at, of) as progress:
        return judge_file(file, options, progress)


@contextmanager
def _bar(name: str, at: int, of: int) -> Iterator[Progress]:
    """A bar for all files on a terminal's stderr, gone before anything is printed; else nothing."""
    if not sys.stderr.isatty():
        yield lambda share: None
        return
    from rich.console import Console
    from rich.markup import escape
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    shown = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TimeElapsedColumn(),
        console=Console(stderr=True),
        transient=True,
        redirect_stdout=False,
        redirect_stderr=False,
    )
    label = f"{at + 1} of {of}  {escape(name[:40])}" if of > 1 else escape(name[:40])
    with shown:
        task = shown.add_task(label, total=float(of), completed=at)
        yield lambda share: shown.update(task, completed=at + share)


@dataclass(frozen=True, slots=True)
class _Teller:
    """Says results in words and pictures, in a unit; None leaves sentences in micron and Pa."""

    unit: str | None
    words: Callable[[str], str]

    def say(self, judged: Judged) -> str:
        from analytics.core.describe import describe
        from analytics.core.picture import picture

        drawn = picture(judged.series, judged.result, self._unit(judged))
        return self.words(describe(judged.result, drawn))

    def draw(self, judged: Judged, picture: Path, name: str) -> None:
        from analytics.core.plot import draw
        from ops.plots import save

        save(draw(judged.series, judged.result, self._unit(judged), name, self.words), picture)

    def _unit(self, judged: Judged) -> str:
        from physics.units import pressure_unit

        return pressure_unit(self.unit or judged.series.unit)


def _teller(show_unit: str | None) -> _Teller:
    if show_unit is None:
        return _Teller(None, str)
    from api.figures import Figures
    from api.sentences import tell
    from physics.units import pressure_unit

    try:
        figures = Figures().asked_for(pressure_unit(show_unit), None)
    except ValueError as error:
        raise BadInput(f"--show-unit: {error}.", field="--show-unit") from error
    return _Teller(show_unit, lambda text: tell(text, figures))
