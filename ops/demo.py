"""``holdfast demo``: an invented company, whose last night runs past and then goes on live."""

from __future__ import annotations

import sys
import time

from model.clock import US, ReplayClock, SystemClock, to_datetime
from ops.installation import Installation
from ops.settings import Settings
from ops.stack import Kind, Stack


def demo(settings: Settings) -> None:
    """Run the demo until Ctrl-C or SIGTERM."""
    print(f"Data in {settings.data_dir.absolute()}", flush=True)
    progress = Progress()
    kind = Kind(
        name="demo",
        rooms=("serve", "ingest", "analyse", "desk", "fleet"),
        prepare=prepare,
        greet=greet,
        accompany=progress.show,
    )
    Stack(settings, kind, progress.interrupt).run()
    progress.interrupt("Stopped.")


def greet(address: str, installation: Installation) -> None:
    """Say where it is and how to get in."""
    assert installation.login is not None
    print(f"Pages    {address}")
    print(f"Login    {installation.login.login}")
    print(f"Password {installation.login.password}")
    if installation.gateways_url:
        print(f"Gateways {installation.gateways_url}")
    if installation.trust:
        print(f"Trust    {installation.trust}")
    print("All of it is invented. Ctrl-C stops it; the data stay.", flush=True)


def prepare(settings: Settings, dsn: str, installation: Installation) -> Installation:
    """Register the company; what that needs is loaded while the processes load theirs."""
    from ops import company

    return company.prepare(settings, dsn, installation)


class Progress:
    """One line that tells what time the demo's clock shows, until it meets the present."""

    def __init__(self) -> None:
        self._shown = -float("inf")
        self._over = False

    def show(self, installation: Installation) -> None:
        """Called often; speaks seldom."""
        if self._over or time.monotonic() - self._shown < (0.5 if sys.stdout.isatty() else 10.0):
            return
        assert installation.replay is not None
        clock = ReplayClock.parse(installation.replay)
        self._shown = time.monotonic()
        self._over = clock.caught_up()
        if self._over:
            self._line("The night is over: the clock goes with the present now.", last=True)
            return
        local = to_datetime(clock.now_us()).astimezone()
        left_s = (clock.meets_us - SystemClock().now_us()) / US
        self._line(f"Last night runs past: {local:%a %H:%M}, {left_s:.0f} s to go")

    def interrupt(self, line: str) -> None:
        """Say something else."""
        self._line(line, last=True)

    def _line(self, line: str, *, last: bool = False) -> None:
        if not sys.stdout.isatty():
            print(line, flush=True)
            return
        print(f"\r\x1b[K{line}", end="\n" if last else "", flush=True)
