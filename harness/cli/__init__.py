"""The command line: one file a command. Each reads its options, wires, and prints; it decides nothing.

Only typer and the standard library are imported before a command runs: ``--help`` stays quick. Linear algebra runs in one thread
unless the environment says otherwise: the matrices are small, and threads that wait for each other cost three times the time.
"""

from __future__ import annotations

import os
import sys
from typing import Annotated

import typer

from harness import __version__
from harness.cli import batch, bench, calibrate, demo, design, listing, log, prove, reading, recheck, sheet, show
from harness.cli.output import report_error
from harness.errors import Stopped, TapproofError, UsageError

app = typer.Typer(
    name="tapproof",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
app.command("demo", short_help="Prove a small batch on the simulated bench.")(demo.demo)
app.command("design", short_help="From wanted coupling, band and power to turns and all the rest.")(design.design)
app.command("calibrate", short_help="Run the standards once; prove uses the result.")(calibrate.calibrate)
app.command("prove", short_help="Prove a finished unit: the main job.")(prove.prove)
app.command("recheck", short_help="Prove a unit again and tell whether it has drifted.")(recheck.recheck)
app.command("list")(listing.list_units)
app.command("show")(show.show)
app.command("batch", short_help="A batch's units, statistics, and what to change next time.")(batch.batch)
app.command("sheet", short_help="Make a sheet again from the log: unit, label, batch, drift.")(sheet.sheet)
app.command("reading", short_help="What a reading at the sample port means on the line; safe power.")(reading.reading)
app.add_typer(log.app, name="log")
app.add_typer(bench.app, name="bench")


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"tapproof {__version__}")
        raise typer.Exit


@app.callback()
def program(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    """A bench for builders of in-line RF samplers: proves a unit on a network analyser, and keeps the record."""


def main(arguments: list[str] | None = None) -> None:
    """Run the program and leave with the exit status of words-and-commands: every error becomes one clear message."""
    words = sys.argv[1:] if arguments is None else arguments
    for library in ("OPENBLAS", "OMP", "MKL"):  # read when numpy is loaded, which is later
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")
    command = typer.main.get_command(app)
    try:
        status = command.main(args=words, prog_name="tapproof", standalone_mode=False)
        if status == Stopped.exit_status:  # the option parser's answer to Ctrl-C; a command that is stopped raises
            raise KeyboardInterrupt
    except TapproofError as error:
        report_error(error, as_json="--json" in words)
        status = error.exit_status
    except (KeyboardInterrupt, typer.Abort):
        stopped = Stopped("stopped; the finished sweeps are kept", hint="Run the same command again to go on.")
        report_error(stopped, as_json="--json" in words)
        status = stopped.exit_status
    except typer.TyperException as error:  # the option parser's own: unknown option, missing value
        if "Usage:" in error.format_message():  # a group of commands alone: what it can do is the answer
            typer.echo(error.format_message(), err=True)
            sys.exit(2)
        at = getattr(error, "ctx", None)
        where = at.command_path if at is not None else "tapproof"
        report_error(UsageError(error.format_message(), hint=f"See '{where} --help'."), as_json="--json" in words)
        status = 2
    except Exception as error:
        if os.environ.get("TAPPROOF_TRACEBACK"):
            raise
        report_error(_fault(error), as_json="--json" in words)
        status = 3
    sys.exit(status if isinstance(status, int) else 0)


def _fault(error: Exception) -> TapproofError:
    """Return the message for an error that the program did not foresee."""
    return TapproofError(
        f"a fault in the program: {type(error).__name__}: {error}",
        hint="Nothing half-written is kept. Set TAPPROOF_TRACEBACK=1 and run again to see where it happened.",
    )
