"""The characterise use case: a calibration that fits, verification hook-ups, sizes of the residuals, filed with their date."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from harness import calibration as cal
from harness import files, proving
from harness.characterised import stated
from harness.errors import StoreError, UsageError
from harness.ports import Event
from harness.proving import Records, Session
from harness.records import Bench, Characterised, Settings, Sweep
from harness.runner import Ports, Run, run
from harness.steps import Plan
from sequences.characterise import NAME, plan
from sequences.plans import calibration_plan


@dataclass(frozen=True)
class FiledCharacterisation:
    """A characterisation and the folder that holds it."""

    record: Characterised
    folder: Path


def plan_of_characterisation(bench: Bench, *, calibrated: bool) -> Plan:
    """Return all that will be asked; UsageError on a bench that corrects itself."""
    wanted = plan(bench)
    if not wanted.steps:
        raise UsageError(
            f"the analyser of bench {bench.name} corrects itself",
            hint="State its residuals under [uncertainty] in the bench file.",
        )
    first = () if calibrated else calibration_plan(bench).steps
    return Plan(NAME, (*first, *wanted.steps), wanted.sweep_seconds)


def characterise(session: Session, records: Records) -> FiledCharacterisation:
    """Lead through the verification hook-ups, derive the sizes and file them. Calibrates first where no calibration fits.

    UsageError on a bench that corrects itself, CalibrationError where the sweeps do not look like what they should be.
    """
    bench = session.bench
    wanted = plan_of_characterisation(bench, calibrated=True)
    settings = session.analyser.set_up(bench.grid)
    calibration = _fitting(session, records, settings)
    meta: dict[str, object] = {"what": NAME, "bench": bench.model_dump(mode="json"), "analyser": settings.identity}
    meta["calibration"] = calibration.record.id
    journal = _journal(session, records, f"{NAME} {bench.name}"[:64].strip(), meta)
    with journal:
        session.operator.begin(wanted)
        # There is no Solve in the plan, so no calibration is ever handed on.
        ports = Ports(
            session.analyser, session.operator, journal, records.clock, journal.run_id, keep_calibration=lambda record, _: record
        )
        try:
            done = run(wanted, bench, settings, ports, calibration)
        except BaseException:
            if not any(journal.folder.glob("*.s[12]p")):
                journal.close_as_done()  # nothing in it is worth keeping
            raise
        filed = _file(done, calibration, records, journal.run_id)
        journal.close_as_done()
    return filed


def _journal(session: Session, records: Records, name: str, meta: dict[str, object]) -> files.Journal:
    """Return a new run; an interrupted one is set aside, since connections made on another day belong to another day."""
    found = files.Journal.unfinished(records.root, name)
    if found is not None:
        found.set_aside("characterised anew")
        session.operator.tell(Event("note", "An interrupted characterisation is set aside; it starts anew."))
    return files.Journal.start(records.root, name, meta)


def _fitting(session: Session, records: Records, settings: Settings) -> cal.Calibration:
    """Return the bench's newest calibration where it fits, else a new one."""
    bench = session.bench
    found = files.latest_calibration(records.root, bench.name)
    if found is not None:
        solved = cal.build(*found)
        reasons = cal.fits(solved, bench, settings.identity, settings.frequency_hz, records.clock.now())
        if not reasons:
            return solved
        for reason in reasons:
            session.operator.tell(Event("note", f"The stored calibration is not used: {reason}."))
    proving.calibrate(session, records)
    made = files.latest_calibration(records.root, bench.name)
    if made is None:
        raise StoreError("the calibration that was just filed cannot be found", hint="Run the same command again.")
    return cal.build(*made)


def _file(done: Run, calibration: cal.Calibration, records: Records, identity: str) -> FiledCharacterisation:
    raw = done.sweeps("standard")
    entry = stated(done.bench)
    circumstances = cal.Circumstances(identity, records.clock.now().isoformat(), entry.offset_match)
    record = cal.characterise(raw, calibration, entry.residuals(), circumstances)
    filed, folder = files.save_characterisation(records.root, record, _numbered(raw))
    return FiledCharacterisation(filed, folder)


def _numbered(raw: dict[str, list[Sweep]]) -> dict[str, Sweep]:
    return {f"{name}-{number}": sweep for name, sweeps in raw.items() for number, sweep in enumerate(sweeps, start=1)}
