"""The prove use case: plan, run, evaluate, file, log. Used by ``prove``, ``calibrate``, ``demo``, whatever bench it is."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness import __version__, assess, characterised, files, offers
from harness import calibration as cal
from harness.errors import DataError, Stopped, UsageError
from harness.ports import Analyser, Clock, Event, Operator, Request
from harness.products import Product
from harness.records import Bench, CalibrationRecord, Proof, Settings, Sweep
from harness.records.proof import Circumstances
from harness.runner import Ports, Run, extend, run
from harness.sheet_texts import filed_sheets
from harness.steps import Plan
from sequences.plans import calibration_plan, proof_plan

if TYPE_CHECKING:
    from harness.log.unit_log import Log


@dataclass(frozen=True)
class Wish:
    """What a person asked for, as typed. ``type_`` and ``bench`` are files or the names of shipped ones."""

    unit: str
    type_: str | None
    bench: str | None
    batch: str | None = None
    sequence: str = "line-sampler"
    recalibrate: bool = False
    who: str = ""
    ambient_celsius: float | None = None
    note: str = ""
    diagnosis: bool = True
    ohmmeter: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class Records:
    """Where records go: the log folder and the log in it."""

    root: Path
    log: Log
    clock: Clock


@dataclass(frozen=True)
class Session:
    """An open bench. ``place`` puts a unit on a simulated bench; ``transcript`` is what the link carried since last asked."""

    bench: Bench
    analyser: Analyser
    operator: Operator
    place: Callable[[str], None]
    transcript: Callable[[], str]


@dataclass(frozen=True)
class Filed:
    """A proof and the folder that holds it."""

    proof: Proof
    folder: Path


def check_wish(wish: Wish) -> None:
    """Refuse what could not be filed (UsageError): names that are none, a temperature or a text that no file can hold."""
    files.check_name(wish.unit)
    if wish.batch is not None:
        files.check_name(wish.batch, "batch")
    if wish.ambient_celsius is not None and not -100 <= wish.ambient_celsius <= 100:
        raise UsageError(
            f"an ambient temperature of {wish.ambient_celsius:g} °C is not likely", hint="Give it in °C, from -100 to 100."
        )
    for what, text in (("the name of who measures", wish.who), ("the note", wish.note)):
        if any(0xD800 <= ord(letter) <= 0xDFFF for letter in text):
            raise UsageError(f"{what} is not UTF-8 text: {text!r}", hint="Type it again, or leave it out.")


def prove(wish: Wish, product: Product, session: Session, records: Records) -> Filed:
    """Prove one unit at the bench: run, evaluate, file, log; returns the filed proof. Raises what its parts raise."""
    check_wish(wish)
    proof_plan(wish.sequence, product.type_, session.bench, calibrated=True)  # an unknown sequence is refused before a run begins
    settings = session.analyser.set_up(session.bench.grid)
    newest = _Newest(session.bench, records)
    with _journal(wish, product, session, records, settings, newest) as journal, _gone_if_empty(journal):
        filed = _already_filed(wish.unit, journal, records)
        if filed is not None:
            return filed
        calibration = _calibration_of(journal, newest)
        plan = proof_plan(wish.sequence, product.type_, session.bench, calibrated=calibration is not None)
        plan = replace(plan, steps=(*plan.steps, *offers.agreed(journal, product.type_, session.bench)))
        session.operator.begin(plan)
        session.place(wish.unit)
        ports = replace(_ports(session, records, journal), guard=product.guard_of_run(session.bench))
        found = _find(wish, product, session, records, run(plan, session.bench, settings, ports, calibration), journal)
        while more := offers.offered(found.proof, found.run, session.operator, journal):
            found = _find(wish, product, session, records, extend(found.run, more, ports), journal)
        filed = _file(found, session, records, newest)
        journal.close_as_done()
    return filed


def calibrate(session: Session, records: Records) -> CalibrationRecord:
    """Run the standards and return the filed calibration's record. UsageError on a bench that corrects itself."""
    bench = session.bench
    plan = plan_of_calibration(bench)
    settings = session.analyser.set_up(bench.grid)
    meta = {"what": "calibration", **_fingerprint(bench, settings)}
    name = f"calibration {bench.name}"[:64]
    with _open_journal(name, meta, session.operator, records) as journal, _gone_if_empty(journal):
        session.operator.begin(plan)
        done = run(plan, bench, settings, _ports(session, records, journal))
        journal.close_as_done()
    if done.calibration is None:  # the plan solves one, or the run has raised
        raise UsageError("the calibration run made no calibration", hint="Run it again.")
    return done.calibration.record


def plan_of_calibration(bench: Bench) -> Plan:
    """Return the plan of a calibration; UsageError on a bench that corrects itself."""
    plan = calibration_plan(bench)
    if not plan.steps:
        raise UsageError(f"the analyser of bench {bench.name} corrects itself", hint="Calibrate on the instrument.")
    return plan


def next_units(wish: Wish, records: Records, first: str | None, count: int | None) -> Generator[Wish, None, None]:
    """Yield the wish for the batch's next serial, again and again, or ``count`` times; reserved while its unit is proved."""
    from harness.log.reserving import reserved_serial

    done = 0
    while count is None or done < count:
        with reserved_serial(records.log, records.root, wish.batch or "", first) as serial:
            yield Wish(**{**vars(wish), "unit": serial})
        done += 1


class _Newest:
    """The bench's newest filed calibration: read and solved when it is first asked for, and once a run, since that is slow."""

    def __init__(self, bench: Bench, records: Records) -> None:
        self._bench, self._records = bench, records

    @cached_property
    def found(self) -> tuple[CalibrationRecord, dict[str, Sweep]] | None:
        """Its record and raw sweeps by name, or None where there is none."""
        return files.latest_calibration(self._records.root, self._bench.name)

    @cached_property
    def solved(self) -> cal.Calibration | None:
        """The same, solved."""
        return None if self.found is None else cal.build(*self.found)

    def usable(self, settings: Settings) -> tuple[cal.Calibration | None, tuple[str, ...]]:
        """Return it where it fits this run, else None with the reasons (none: there is none)."""
        if self.solved is None:
            return None, ()
        now = self._records.clock.now()
        reasons = cal.fits(self.solved, self._bench, settings.identity, settings.frequency_hz, now)
        return (None, reasons) if reasons else (self.solved, ())


def _journal(
    wish: Wish, product: Product, session: Session, records: Records, settings: Settings, newest: _Newest
) -> files.Journal:
    meta: dict[str, Any] = {
        "what": "proof",
        "sequence": wish.sequence,
        "type": product.type_.model_dump(mode="json"),
        **_fingerprint(session.bench, settings),
    }
    return _open_journal(wish.unit, meta, session.operator, records, lambda: _choose_calibration(wish, session, settings, newest))


def _fingerprint(bench: Bench, settings: Settings) -> dict[str, Any]:
    """What must be the same for an interrupted run to go on."""
    return {"bench": bench.model_dump(mode="json"), "analyser": settings.identity}


def _choose_calibration(wish: Wish, session: Session, settings: Settings, newest: _Newest) -> str | None:
    """Return the id of the calibration that a new run will use, or None where it has to make one; tells why."""
    if session.bench.correction.by == "analyser":
        return None
    calibration, reasons = newest.usable(settings)
    for reason in reasons:
        session.operator.tell(Event("note", f"The stored calibration is not used: {reason}."))
    return None if calibration is None or wish.recalibrate else calibration.record.id


def _open_journal(
    unit: str,
    meta: dict[str, Any],
    operator: Operator,
    records: Records,
    calibration: Callable[[], str | None] = lambda: None,
) -> files.Journal:
    """Return the unit's interrupted run where it can go on and the operator wants it, else a new one."""
    found = files.Journal.unfinished(records.root, unit)
    if found is not None:
        same = all(found.meta.get(key) == value for key, value in meta.items())
        if same and _goes_on(unit, found, operator):
            return found
        found.set_aside("started anew" if same else "type, bench or analyser changed")
    return files.Journal.start(records.root, unit, {**meta, "calibration": calibration()})


@contextmanager
def _gone_if_empty(journal: files.Journal) -> Iterator[None]:
    """Take a run away that ends before its first sweep: there is nothing in it to go on from."""
    try:
        yield
    except BaseException:
        if journal.folder.is_dir() and not any(journal.folder.glob("*.s[12]p")):
            journal.close_as_done()
        raise


def _goes_on(unit: str, found: files.Journal, operator: Operator) -> bool:
    request = Request(
        "resume",
        f"A run of {unit} was interrupted",
        (f"Its finished sweeps are kept in {found.folder}.", "It goes on at the last hook-up."),
        answers=("done", "repeat", "stop"),
    )
    answer = operator.ask(request)
    if answer == "stop":
        found.close()
        raise Stopped("stopped by the operator; the interrupted run is kept", hint="Run the same command again to go on.")
    return answer == "done"


def _calibration_of(journal: files.Journal, newest: _Newest) -> cal.Calibration | None:
    wanted = journal.meta.get("calibration")
    if wanted is None:
        return None
    if newest.found is None or newest.found[0].id != wanted:
        journal.set_aside(f"calibration {wanted} is no longer the newest")
        raise DataError(
            f"the interrupted run used calibration {wanted}, and the bench has been calibrated since",
            hint="Run the same command again: it starts anew with the newest calibration.",
        )
    return newest.solved


def _ports(session: Session, records: Records, journal: files.Journal) -> Ports:
    def keep(record: CalibrationRecord, raw: Mapping[str, Sweep]) -> CalibrationRecord:
        filed = next((old for old in files.list_calibrations(records.root, record.bench) if old.id == record.id), None)
        return filed or files.save_calibration(records.root, record, raw)

    return Ports(session.analyser, session.operator, journal, records.clock, journal.run_id, keep)


def _already_filed(unit: str, journal: files.Journal, records: Records) -> Filed | None:
    """Enter the proof of a run that was cut off between its proof folder and the log, and end the run; None otherwise.

    The proof carries the run's id, so a run that goes on can never file a second proof.
    """
    folder = files.filed_proof(records.root, unit, journal.run_id)
    if folder is None:
        return None
    proof = files.read_proof(folder)
    records.log.record(proof, folder)
    journal.close_as_done()
    return Filed(proof, folder)


@dataclass(frozen=True)
class _Found:
    """What a run gave: its record but for the files, and the corrected sweeps by name, the three-port under "unit"."""

    run: Run
    proof: Proof
    sweeps: Mapping[str, Sweep]


def _find(wish: Wish, product: Product, session: Session, records: Records, done: Run, journal: files.Journal) -> _Found:
    """Evaluate a run, tell its decision, and look for faults; its sweeps are on the disk, in the journal."""
    calibration = done.calibration
    corrected = {
        name: [cal.correct(sweep, calibration.terms) if calibration else sweep for sweep in sweeps]
        for name, sweeps in done.sweeps("unit").items()
    }
    terminations = assess.known_terminations(session.bench, calibration, done.settings.frequency_hz.size)
    residuals = characterised.residuals(done, product.type_, wish.ambient_celsius, records.root, records.clock, session.operator)
    judged = assess.judge(corrected, product.type_, terminations, product.bands, product.adapters, residuals)
    circumstances = circumstances_of(
        wish,
        records,
        note=" ".join(part for part in (wish.note, *map(_overridden, done.overrides), *offers.remarks(journal)) if part),
        analyser=done.settings.identity,
        calibration=calibration.record.id if calibration else None,
        sequence=wish.sequence,
    )
    verified = tuple(done.verification.values())
    proof = assess.assemble(wish.unit, journal.run_id, wish.batch, product.type_, session.bench, circumstances, judged, verified)
    session.operator.tell(Event("note", product.told(proof)))
    comments = assess.file_comments(proof)
    sweeps = {name: assess.mean_of(repeats, comments) for name, repeats in corrected.items()}
    return _Found(done, product.complete(proof, sweeps, terminations), sweeps | {"unit": judged.three_port})


def _overridden(said: str) -> str:
    return f"Overridden: {said}."


def _file(found: _Found, session: Session, records: Records, newest: _Newest) -> Filed:
    done = found.run
    raw = assess.numbered(done.sweeps("unit")) | assess.numbered(done.sweeps("verification"))
    kept = raw | _sweeps_of(done.calibration, newest, records)
    return write(found.proof, found.sweeps, kept, {"transcript.txt": session.transcript()}, records)


def _sweeps_of(calibration: cal.Calibration | None, newest: _Newest, records: Records) -> dict[str, Sweep]:
    """Return the raw sweeps of a filed calibration: a proof's folder holds everything that the proof rests on."""
    wanted = None if calibration is None else calibration.record
    found = None if wanted is None else newest.found
    if wanted is not None and (found is None or found[0].id != wanted.id):
        found = files.latest_calibration(records.root, wanted.bench)  # made in this run
    return found[1] if found is not None and wanted is not None and found[0].id == wanted.id else {}


def circumstances_of(
    wish: Wish, records: Records, *, note: str, analyser: str, calibration: str | None, sequence: str
) -> Circumstances:
    """Return who measured, when and with what, for a proof that ends now."""
    return Circumstances(
        when=records.clock.now().isoformat(),
        who=wish.who,
        program=f"tapproof {__version__}",
        sequence=sequence,
        analyser=analyser,
        calibration=calibration,
        ambient_celsius=wish.ambient_celsius,
        ohmmeter=dict(wish.ohmmeter),
        note=note,
    )


def write(
    proof: Proof, sweeps: Mapping[str, Sweep], raw: Mapping[str, Sweep], texts: Mapping[str, str], records: Records
) -> Filed:
    """File a proof with its sheets and enter it in the log. ``raw``: its raw sweeps and the calibration's. StoreError."""
    with files.pending_proof(records.root, proof):
        sheets = filed_sheets(proof, sweeps, records.log)
        filed, folder = files.write_proof(records.root, proof, sweeps, raw, {**texts, **sheets})
        records.log.record(filed, folder)
    return Filed(filed, folder)
