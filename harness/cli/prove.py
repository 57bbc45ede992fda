"""``tapproof prove``: the main job, at the bench or on sweeps that exist."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from harness.cli.ohms import ohms as read_ohms
from harness.cli.options import (
    AmbientOption,
    BatchOption,
    CountOption,
    DiagnosisOption,
    FirstOption,
    FromOption,
    JsonOption,
    LogOption,
    NextOption,
    NoteOption,
    OhmsOption,
    PageOption,
    ProveBench,
    RecalibrateOption,
    SequenceOption,
    StepsOption,
    TypeOption,
    UnitArgument,
    WhoOption,
    YesOption,
)
from harness.cli.output import print_plan
from harness.cli.page_option import check_page
from harness.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from harness.operators.page import PageOperator
    from harness.proving import Filed, Records, Wish


def prove(
    type_: TypeOption,
    unit: UnitArgument = None,
    bench: ProveBench = None,
    batch: BatchOption = None,
    from_: FromOption = None,
    next_: NextOption = False,
    first: FirstOption = None,
    count: CountOption = None,
    sequence: SequenceOption = "line-sampler",
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
    """Prove a finished unit: prompts, sweeps, Touchstone files, figures, decision, log entry."""
    from harness import wiring
    from harness.proving import Wish

    _check(unit, bench, batch, from_, next_=next_)
    _check_options(first, count, from_, next_=next_, yes=yes, steps=steps)
    check_page(from_, page=page, steps=steps)
    if next_ and ohms:
        raise UsageError("--ohms are the readings of one unit, and --next walks a batch", hint="Name the unit instead of --next.")
    wish = Wish(unit or "", type_, bench, batch, sequence, recalibrate, who, ambient, note, not no_diagnosis, read_ohms(ohms))
    if steps:
        return print_plan(wiring.plan_for(wish, log), json_=json_)
    with wiring.open_store(log) as store:
        if from_ is not None:
            return _report(wiring.prove_folder(wish, from_, store, quiet=json_), json_=json_)
        batch_of = (first, count) if next_ else None
        if not page:
            return _at_bench(wish, store, None, batch_of, yes=yes, json_=json_)
        with wiring.open_page(wish, quiet=json_) as operator:
            return _at_bench(wish, store, operator, batch_of, yes=yes, json_=json_)


def _at_bench(
    wish: Wish,
    store: Records,
    page: PageOperator | None,
    batch_of: tuple[str | None, int | None] | None,
    *,
    yes: bool,
    json_: bool,
) -> int:
    """Prove one unit, or the units of a batch (``batch_of``: first serial, count); report, on the page too where there is one."""
    from harness import wiring
    from harness.cli.page_result import told_on_page, unit_on_page

    with wiring.open_session(wish, store, yes=yes, quiet=json_, operator=page) as (session, product):
        if batch_of is None:
            filed = wiring.prove_bench(wish, product, session, store)
            told_on_page(page, filed)
            return _report(filed, json_=json_)
        first, count = batch_of
        units = wiring.prove_batch(wish, product, session, store, first=first, count=count, each=unit_on_page(page))
        return _report_batch(units, page, json_=json_)


def _check(unit: str | None, bench: str | None, batch: str | None, from_: Path | None, *, next_: bool) -> None:
    if next_ and unit:
        raise UsageError(f"--next takes the batch's next serial, and {unit!r} was given too", hint="Give one of the two.")
    if next_ and not batch:
        raise UsageError("--next needs a batch", hint="Add --batch NAME.")
    if next_ and from_ is not None:
        raise UsageError("--next walks a batch at the bench; --from reads one unit's folder", hint="Give one of the two.")
    if not next_ and not unit:
        raise UsageError("which unit?", hint="Give its serial, or --next with --batch NAME.")
    if from_ is None and bench is None:
        raise UsageError("prove needs a bench, or a folder of sweeps", hint="Add --bench B or --from FOLDER.")


def _check_options(first: str | None, count: int | None, from_: Path | None, *, next_: bool, yes: bool, steps: bool) -> None:
    if next_ and yes and count is None:
        raise UsageError("--next with --yes would never stop", hint="Add --count N.")
    if not next_ and (first is not None or count is not None):
        given = "--first" if first is not None else "--count"
        raise UsageError(f"{given} goes with --next, and one unit was named", hint="Add --next and --batch NAME.")
    if steps and from_ is not None:
        raise UsageError("--steps tells what a run at the bench asks; --from asks nothing", hint="Give one of the two.")


def _report(filed: Filed, *, json_: bool) -> int:
    from harness.assess import exit_status
    from harness.cli.output import print_json
    from harness.cli.print_proof import proof_lines

    if json_:
        print_json(filed.proof.summary())
    else:
        typer.echo("\n".join(["", *proof_lines(filed.proof), "", f"  files  {filed.folder}"]))
    return exit_status(filed.proof)


def _report_batch(units: Iterable[Filed], page: PageOperator | None, *, json_: bool) -> int:
    """Report unit after unit until the operator stops; the worst exit status of them, as a shell would want it."""
    from harness.assess import worst_status
    from harness.cli.output import print_json
    from harness.cli.page_result import noted_on_page

    proofs = []
    for filed in units:
        proofs.append(filed.proof)
        noted_on_page(page, filed)
        if not json_:
            _report(filed, json_=False)
    if json_:
        print_json([proof.summary() for proof in proofs])
    return worst_status(proofs)
