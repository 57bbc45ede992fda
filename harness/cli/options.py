"""Options that several commands share, worded once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

LogOption = Annotated[
    str | None, typer.Option("--log", metavar="FOLDER", help="Log folder; else TAPPROOF_LOG, else the platform's data folder.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document on standard output, and nothing else there.")]
TypeOption = Annotated[str, typer.Option("--type", metavar="T", help="Type file, or the name of a shipped one (hf30).")]
BenchOption = Annotated[
    str, typer.Option("--bench", metavar="B", help="Bench file, or the name of a shipped one (simulated-serial).")
]
YesOption = Annotated[
    bool,
    typer.Option("--yes", help="Answer the prompts, make a doubtful hook-up again, then override; simulated benches only."),
]
PageOption = Annotated[
    bool, typer.Option("--page", help="Serve a page on this computer to read and answer from across the bench (extra 'page').")
]
StepsOption = Annotated[bool, typer.Option("--steps", help="Print what the run will ask and how long it takes, and stop.")]

UnitArgument = Annotated[str | None, typer.Argument(metavar="UNIT", help="The unit's serial.", show_default=False)]
ProveBench = Annotated[str | None, typer.Option("--bench", metavar="B", help="Bench file, or the name of a shipped one.")]
BatchOption = Annotated[str | None, typer.Option("--batch", metavar="NAME", help="The batch the unit belongs to.")]
FromOption = Annotated[
    Path | None, typer.Option("--from", metavar="FOLDER", help="Analyse sweeps that exist: line.s2p, coupled.s2p, …")
]
NextOption = Annotated[bool, typer.Option("--next", help="The batch's next serial, again and again until stopped.")]
FirstOption = Annotated[
    str | None, typer.Option("--first", metavar="SERIAL", help="With --next: the first serial of a new batch.")
]
CountOption = Annotated[int | None, typer.Option("--count", min=1, help="With --next: stop after this many units.")]
SequenceOption = Annotated[str, typer.Option("--sequence", metavar="NAME", help="line-sampler or line-sampler-quick.")]
RecalibrateOption = Annotated[bool, typer.Option("--recalibrate", help="Calibrate anew even if a calibration fits.")]
WhoOption = Annotated[str, typer.Option("--who", metavar="NAME", help="Who measures.")]
AmbientOption = Annotated[float | None, typer.Option("--ambient", metavar="CELSIUS", help="Ambient temperature in °C.")]
DiagnosisOption = Annotated[
    bool, typer.Option("--no-diagnosis", help="Do not look for what fits the sweeps: saves some seconds on a slow computer.")
]
OhmsOption = Annotated[
    list[str] | None,
    typer.Option(
        "--ohms", metavar="WHAT=OHM", help="An ohmmeter reading from before the lid was closed, as winding=0.06; may be repeated."
    ),
]
NoteOption = Annotated[str, typer.Option("--note", metavar="TEXT", help="A remark for the record.")]
