"""``tapproof recheck``: prove a unit again and tell whether it has drifted since its reference proof."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from harness.cli.ohms import ohms as read_ohms
from harness.cli.options import (
    AmbientOption,
    BatchOption,
    DiagnosisOption,
    FromOption,
    JsonOption,
    LogOption,
    NoteOption,
    OhmsOption,
    PageOption,
    ProveBench,
    RecalibrateOption,
    StepsOption,
    WhoOption,
    YesOption,
)
from harness.cli.output import print_plan
from harness.cli.page_option import check_page
from harness.errors import UsageError

if TYPE_CHECKING:
    from harness.proving import Filed

OtherType = Annotated[str | None, typer.Option("--type", metavar="T", help="Another type than the reference proof's.")]
OtherSequence = Annotated[str, typer.Option("--sequence", metavar="NAME", help="Another sequence than the reference proof's.")]
Reworked = Annotated[str | None, typer.Option("--reworked", metavar="TEXT", help="What was done: this proof is a new reference.")]


def recheck(
    unit: Annotated[str, typer.Argument(metavar="UNIT", help="The unit's serial.")],
    bench: ProveBench = None,
    from_: FromOption = None,
    reworked: Reworked = None,
    type_: OtherType = None,
    batch: BatchOption = None,
    sequence: OtherSequence = "",
    recalibrate: RecalibrateOption = False,
    who: WhoOption = "",
    ambient: AmbientOption = None,
    ohms: OhmsOption = None,
    note: NoteOption = "",
    no_diagnosis: DiagnosisOption = False,
    yes: YesOption = False,
    page: PageOption = False,
    steps: StepsOption = False,
    log: LogOption = None,
    json_: JsonOption = False,
) -> int:
    """Prove a unit again with its own type and sequence, and compare it with its reference proof."""
    from harness import rechecking, wiring
    from harness.cli.page_result import told_on_page
    from harness.proving import Wish

    _check(bench, from_, steps=steps)
    check_page(from_, page=page, steps=steps)
    asked = Wish(unit, type_, bench, batch, sequence, recalibrate, who, ambient, note, not no_diagnosis, read_ohms(ohms))
    with wiring.open_store(log) as store:
        begin = rechecking.start(unit, store, reworked)
        wish = begin.wish(asked)
        if steps:
            return print_plan(wiring.plan_for(wish, log, begin.model.type), json_=json_)
        if not page:
            return _report(wiring.recheck(wish, begin, store, from_, yes=yes, quiet=json_), json_=json_)
        with wiring.open_page(wish, quiet=json_, own=begin.model.type) as operator:
            filed = wiring.recheck(wish, begin, store, None, yes=yes, quiet=json_, operator=operator)
            told_on_page(operator, filed)
            return _report(filed, json_=json_)


def _check(bench: str | None, from_: Path | None, *, steps: bool) -> None:
    if from_ is None and bench is None:
        raise UsageError("recheck needs a bench, or a folder of sweeps", hint="Add --bench B or --from FOLDER.")
    if steps and from_ is not None:
        raise UsageError("--steps tells what a run at the bench asks; --from asks nothing", hint="Give one of the two.")


def _report(filed: Filed, *, json_: bool) -> int:
    from harness.cli.output import print_json
    from harness.cli.print_drift import drift_lines
    from harness.cli.print_proof import proof_lines
    from harness.rechecking import recheck_status

    if json_:
        print_json(filed.proof.summary())
    else:
        typer.echo("\n".join(["", *proof_lines(filed.proof), *drift_lines(filed.proof), "", f"  files  {filed.folder}"]))
    return recheck_status(filed.proof)
