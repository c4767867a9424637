"""The ``holdfast`` command. Modules are imported where they are used: most commands need few."""

from __future__ import annotations

import os
import sys

import typer

from model.errors import HoldfastError
from ops import logs
from ops.commands import (
    equipment,
    jobs,
    people,
    places,
    procedures,
    quarantine,
    records,
    running,
    telling,
    upkeep,
)
from ops.commands.common import FAILED
from ops.commands.logs import diagnose

app = typer.Typer(
    help="Watches evacuations and hold tests on many sites, and tells people when one fails.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
running.register(app)
app.command()(diagnose)
app.command()(upkeep.tend)
app.command()(records.verify)
app.add_typer(places.site, name="site")
app.add_typer(places.circuit, name="circuit")
app.add_typer(places.crew, name="crew")
app.add_typer(equipment.gateway, name="gateway")
app.add_typer(equipment.instrument, name="instrument")
app.add_typer(jobs.job, name="job")
app.add_typer(people.user, name="user")
app.add_typer(people.token, name="token")
app.add_typer(procedures.procedure, name="procedure")
app.add_typer(quarantine.quarantine, name="quarantine")
app.add_typer(records.record, name="record")
app.add_typer(telling.channel, name="channel")
app.add_typer(telling.morning, name="morning")


def main() -> None:
    """Run one command; an error is one sentence and ends with status 2."""
    try:
        status = app(standalone_mode=False)
    except HoldfastError as error:
        logs.say(str(error))
        status = FAILED
    except typer.TyperException as error:
        if message := error.format_message():
            print(message, file=sys.stderr)
        status = FAILED
    except (typer.Abort, KeyboardInterrupt):
        status = FAILED
    except BrokenPipeError:
        # Whoever read our output has gone; keep Python from complaining about it at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = 0
    sys.exit(status)


if __name__ == "__main__":
    main()
