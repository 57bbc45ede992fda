"""The one composition root: names and options become a real or simulated bench, an operator, a log and a clock."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness import __version__, assess, characterising, files, folder_proofs, products, proving, rechecking
from harness.analysis import parse_bands
from harness.errors import Stopped, UsageError
from harness.log import Line, LogEntry, Query, enter_missing, enter_pending, open_log
from harness.operators import AlwaysDone, SimulatedHand, TerminalKeys, TerminalOperator, error_console
from harness.ports import Clock, Event, Operator
from harness.products import Product
from harness.proving import Filed, Records, Session, Wish
from harness.records import LINE_IN, LINE_OUT, SAMPLE, Bench, CalibrationRecord, HookUp, Proof, SamplerType
from harness.records.type_text import type_text
from harness.steps import Plan
from sequences.hookups import connector_of
from sequences.plans import proof_plan

if TYPE_CHECKING:
    from drivers.analyser import DialectAnalyser
    from drivers.transport import Transport
    from harness.log.batches import BatchReport
    from harness.operators.page import PageOperator
    from harness.sampler.design import Design, Parts
    from harness.sheets.hookup_drawing import UnitEnds

SIMULATED = "simulated://"


class SystemClock:
    """The computer's clock."""

    def now(self) -> datetime:
        """Return the date and time with the local offset."""
        return datetime.now().astimezone()


@contextmanager
def open_store(log: str | None, clock: Clock | None = None) -> Iterator[Records]:
    """Open the log that the option, the variable TAPPROOF_LOG or the platform names.

    A proof that was cut off between its folder and the log is entered first.
    """
    address = files.log_address(log, os.environ)
    with open_log(address) as opened:
        enter_pending(address.folder, opened)
        yield Records(address.folder, opened, clock or SystemClock())


def enter_what_is_missing(records: Records) -> tuple[str, ...]:
    """Enter proof folders that the log does not know yet; return what is wrong with folders that cannot be entered."""
    return enter_missing(records.root, records.log).problems


def read_product(wish: Wish, bench: Bench | None, own: SamplerType | None = None) -> Product:
    """Return what is proved: the type (``own`` where the wish names none) and what is around it. FileError, UsageError."""
    return products.read_product(wish.type_, bench, wish.bench, own, diagnosis=wish.diagnosis)


@contextmanager
def open_session(
    wish: Wish, records: Records, *, yes: bool, quiet: bool, operator: Operator | None = None, own: SamplerType | None = None
) -> Iterator[tuple[Session, Product | None]]:
    """Open the bench of a wish, real or simulated, with its operator; closed on leaving, whatever happens.

    ``yes`` is refused on a real bench (UsageError). ``operator`` replaces the person at the terminal; ``own`` is the
    type where the wish names none.
    """
    bench = files.read_bench(wish.bench or "")
    if yes and not bench.is_simulated:
        raise UsageError(
            f"--yes answers for simulated benches only; {bench.name} is real", hint="Run without --yes, and make each hook-up."
        )
    product = None
    if wish.type_ is not None or own is not None:
        product = read_product(wish, bench, own)
        assess.check_grid(bench, product.type_)
    asked = operator or _person(quiet=quiet)
    with ExitStack() as stack:
        yield _session(bench, product, wish, records, AlwaysDone(asked) if yes else asked, stack), product


def _person(*, quiet: bool) -> Operator:
    return TerminalOperator(error_console(), TerminalKeys(), quiet=quiet)


@contextmanager
def open_page(wish: Wish, *, quiet: bool, own: SamplerType | None = None) -> Iterator[PageOperator]:
    """Serve the bench page for one run and give the operator whose questions stand there and at the terminal.

    ``own``: the unit's type where the wish names none; without either the run is of no unit (a calibration). UsageError where
    the web packages are not installed. How the run ends is told on the page before it goes.
    """
    from importlib.util import find_spec

    from harness.operators import page

    page.check_installed(find_spec)
    from harness.operators.page_server import serve
    from harness.operators.page_state import State

    desk = page.Desk(State(unit=wish.unit))
    console = error_console()
    with serve(desk, _unit_ends(wish, own)) as address:
        console.print(f"The bench page: {address}", markup=False)
        shown = TerminalOperator(console, page.EitherKeys(desk, page.TypedKeys()), quiet=quiet)
        with page.ending(page.PageOperator(shown, desk)) as operator:
            yield operator


def _unit_ends(wish: Wish, own: SamplerType | None) -> UnitEnds:
    """Return what a person finds at the connectors of a unit of this type on this bench. FileError, UsageError."""
    from harness.sheets.hookup_drawing import UnitEnds

    bench, type_ = files.read_bench(wish.bench or ""), own if wish.type_ is None else files.read_type(wish.type_)
    if type_ is None:
        return UnitEnds()
    connectors = {port: connector_of(port, type_) for port in (LINE_IN, LINE_OUT, SAMPLE)}
    here = bench.analyser.connector
    return UnitEnds(connectors, {port: f"{here} to {there}" for port, there in connectors.items() if there != here})


def _session(
    bench: Bench, product: Product | None, wish: Wish, records: Records, operator: Operator, stack: ExitStack
) -> Session:
    sitting = str(records.log.count())  # the same commands in a fresh log folder give the same sweeps
    linked = link_bench(bench, wish, stack, product.type_ if product else None, sitting=sitting)
    linked.analyser.identify()
    if linked.connect is not None:
        operator = SimulatedHand(operator, linked.connect)
    return Session(bench, linked.analyser, operator, linked.place, linked.analyser.transcript.take)


@dataclass(frozen=True)
class Linked:
    """An analyser over its open link. ``place`` and ``connect``: the hand on a simulated bench; None: a person's work."""

    analyser: DialectAnalyser
    place: Callable[[str], None]
    connect: Callable[[HookUp], None] | None


def link_bench(bench: Bench, wish: Wish, stack: ExitStack, type_: SamplerType | None = None, *, sitting: str = "0") -> Linked:
    """Open the link of a bench, real or simulated, until ``stack`` is closed. Nothing is said to the analyser yet."""
    from drivers.analyser import DialectAnalyser, Options
    from drivers.dialect import parse_dialect
    from drivers.links import open_link

    folder = files.folder_beside(wish.bench)
    dialect = parse_dialect(*files.read_dialect_text(bench.analyser.dialect, wish.bench))
    dialect.require_complete()  # before anything connects
    address = bench.analyser.address
    place: Callable[[str], None] = _nothing
    connect: Callable[[HookUp], None] | None = None
    if bench.is_simulated:
        from drivers.simulated.server import start

        swept = {str(a.file): products.adapter_sweep(folder / a.file) for a in bench.adapters if a.file is not None}
        served = stack.enter_context(start(bench, type_, session=sitting, adapter_sweeps=swept))
        address, place, connect = served.address, served.bench.insert_unit, served.bench.connect
    options = Options(
        paths=bench.analyser.paths,
        point_time_s=bench.sweep.point_time,
        margin_s=bench.analyser.timeout_margin,
        double_reading=bench.analyser.double_reading,
        max_points=bench.analyser.max_points,
        corrects_itself=bench.correction.by == "analyser",
    )
    transport: Transport = open_link(address)
    lost = stack.enter_context(ExitStack())
    lost.callback(transport.close)
    analyser = DialectAnalyser(transport, dialect, options=options, reopen=lambda: open_link(address))
    lost.pop_all()
    stack.callback(analyser.close)  # the analyser's transport may be another one after a reconnection
    return Linked(analyser, place, connect)


def _nothing(text: str) -> None:
    """Do nothing: with a unit on a real bench, where the person puts it there, or about progress that nobody wants to see."""


def prove_bench(wish: Wish, product: Product | None, session: Session, records: Records) -> Filed:
    """Prove one unit at the open bench. UsageError where the session was opened without a type."""
    return proving.prove(wish, _needed(product), session, records)


def _needed(product: Product | None) -> Product:
    if product is None:
        raise UsageError("a proof needs the unit's type", hint="Add --type T.")
    return product


def prove_batch(
    wish: Wish,
    product: Product | None,
    session: Session,
    records: Records,
    *,
    first: str | None,
    count: int | None,
    each: Callable[[str], None] = _nothing,
) -> Iterator[Filed]:
    """Prove the batch's next units, one after the other, until the operator stops or ``count`` are done.

    ``each`` is called with a unit's serial before its run.
    Stopped where the operator stops before the first of them is done; later, stopping is how a batch ends.
    """
    with closing(proving.next_units(wish, records, first, count)) as wishes:  # closed: its serial is let go at once
        for done, one in enumerate(wishes):
            each(one.unit)
            try:
                filed = proving.prove(one, _needed(product), session, records)
            except Stopped as stopped:
                if not done:
                    raise
                session.operator.tell(Event("note", f"{one.unit}: {stopped.message}"))
                return
            yield filed


def prove_folder(wish: Wish, folder: Path, records: Records, *, quiet: bool = True) -> Filed:
    """Prove a unit from a folder of sweeps; progress goes to standard error unless it is to be ``quiet``."""
    bench = None if wish.bench is None else files.read_bench(wish.bench)
    product = read_product(wish, bench)
    return folder_proofs.prove_folder(wish, product, bench, folder, records, _told(quiet=quiet))


def _told(*, quiet: bool) -> Callable[[str], None]:
    """Return what shows progress where no operator is."""
    return _nothing if quiet else (lambda text: error_console().print(f"  {text}", markup=False))


def recheck(
    wish: Wish,
    start: rechecking.Start,
    records: Records,
    folder: Path | None,
    *,
    yes: bool = False,
    quiet: bool = False,
    operator: Operator | None = None,
) -> Filed:
    """Prove a unit again, at the bench or from a folder of sweeps, and compare it with its reference proof.

    ``operator`` replaces the person at the terminal.
    """
    own = start.model.type
    if folder is not None:
        bench = None if wish.bench is None else files.read_bench(wish.bench)
        product = rechecking.completing(start, read_product(wish, bench, own), records)
        return folder_proofs.prove_folder(wish, product, bench, folder, records, _told(quiet=quiet))
    with open_session(wish, records, yes=yes, quiet=quiet, operator=operator, own=own) as (session, read):
        return proving.prove(wish, rechecking.completing(start, _needed(read), records), session, records)


def calibrate(session: Session, records: Records) -> CalibrationRecord:
    """Calibrate the open bench."""
    return proving.calibrate(session, records)


def characterisation_plan_for(wish: Wish, log: str | None) -> Plan:
    """Return the plan of a characterisation without connecting: a stored calibration of the bench is taken to fit."""
    bench = files.read_bench(wish.bench or "")
    stored = files.list_calibrations(files.log_folder(log, os.environ), bench.name)
    return characterising.plan_of_characterisation(bench, calibrated=bool(stored))


def plan_for(wish: Wish, log: str | None, own: SamplerType | None = None) -> Plan:
    """Return the plan of a proof without connecting: a stored calibration of the bench is taken to fit."""
    bench = files.read_bench(wish.bench or "")
    type_ = own if own is not None and wish.type_ is None else files.read_type(wish.type_ or "")
    assess.check_grid(bench, type_)
    stored = files.list_calibrations(files.log_folder(log, os.environ), bench.name)
    return proof_plan(wish.sequence, type_, bench, calibrated=bool(stored) and not wish.recalibrate)


def calibration_plan_for(wish: Wish) -> Plan:
    """Return the plan of a calibration without connecting."""
    return proving.plan_of_calibration(files.read_bench(wish.bench or ""))


def latest_units(records: Records, limit: int | None, asked: Query) -> list[dict[str, Any]]:
    """Return the newest proof of each unit, newest first, as plain rows: from the log's tables, no record is parsed."""
    return [_row(line) for line in records.log.lines(asked, limit)]


def _row(line: Line) -> dict[str, Any]:
    figures = ("coupling_db", "flatness_db", "return_loss_db", "insertion_loss_db", "swr")
    return {
        "unit": line.unit,
        "proof": line.proof,
        "batch": line.batch,
        "type": line.type,
        "bench": line.bench,
        "when": line.when,
        "decision": line.decision,
        "probability": line.probability,
        **{name: line.figures[name].value if name in line.figures else None for name in figures},
        "faults": [fault for fault, _ in line.faults],
        "due": line.due,
    }


def utc_now(records: Records) -> str:
    """Return the time by the log's clock as the log writes times in UTC."""
    return f"{records.clock.now().astimezone(UTC):%Y-%m-%dT%H:%M:%S.%fZ}"


def program_name() -> str:
    """Return the program and its version as records say it."""
    return f"tapproof {__version__}"


def batch_report(records: Records, name: str) -> BatchReport:
    """Return units and statistics of a batch. UsageError where the log knows no such batch."""
    from harness.log.batches import batch_report as report

    return report(records.log, name)


def unit_entries(records: Records, unit: str) -> list[LogEntry]:
    """Return a unit's entries, newest first, withdrawn ones too. UsageError where the log does not know the unit."""
    entries = records.log.history(unit)
    if not entries:
        raise UsageError(f"the log in {records.root} knows no unit {unit!r}", hint="'tapproof list' shows the units it knows.")
    return entries


def unit_history(records: Records, unit: str) -> list[Proof]:
    """Return a unit's proofs, newest first. UsageError where the log does not know the unit."""
    return [entry.record() for entry in unit_entries(records, unit)]


def design_parts(paths: Sequence[Path]) -> Parts:
    """Return the parts that a design may use: the program's tables, then those of the files. FileError."""
    from harness.sampler.design import parse_parts, shipped_parts

    return shipped_parts().merged(*(parse_parts(files.read_text(path, "a parts file"), str(path)) for path in paths))


def check_free(path: Path, *, force: bool) -> None:
    """Raise UsageError where a file stands at ``path`` and ``force`` is not given, StoreError where it can be no file."""
    files.check_free(path, force=force)


def save_type(design: Design, path: Path, name: str, title: str, *, force: bool) -> None:
    """Write a design as a type file. UsageError: a name that no type may have, or the file is there; StoreError."""
    from harness.sampler.design import to_type

    files.write_asked(path, type_text(to_type(design, name, title)), force=force)


def write_build_sheet(design: Design, parts: Parts, path: Path, name: str, title: str, *, force: bool) -> None:
    """Write a design's build sheet. UsageError: the file is there; StoreError."""
    from harness.sheets import build_sheet, parse_cutouts

    bands = parse_bands(files.read_data_text("bands.toml"), "bands.toml")
    cutouts = parse_cutouts(files.read_data_text("cutouts.toml"))
    page = build_sheet(design, parts, name=name, title=title, bands=bands, cutouts=cutouts)
    files.write_asked(path, page, force=force)
