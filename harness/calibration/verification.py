"""Verification: is the calibration (still) right, and does it fit this run?"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.calibration.calibration import Calibration
from harness.calibration.correction import FULL, correct
from harness.calibration.standards import ideal_reflection, ideal_thru
from harness.errors import CalibrationError
from harness.quantities import show_db, show_frequency
from harness.records import Bench, Sweep
from harness.records.sweep import describe_grid, same_grid

FLOOR_DB = -300.0
"""What an error of exactly zero is called, so that it can stand in JSON."""
CLOCK_SLACK_HOURS = 1 / 60


@dataclass(frozen=True)
class Verification:
    """What a verification sweep says. ``error_db``: its largest error in dB relative to a total reflection (negative)."""

    ok: bool
    error_db: float
    worst_hz: float
    trace: str
    says: str
    hint: str = ""


def verify(standard: str, raw: Sweep, calibration: Calibration, within_db: float) -> Verification:
    """Return the judgement of a re-measured standard.

    ``standard``: "load" (expected: its model), "load A" (expected: the reflection the calibration found for that load) or
    "thru" (expected: its model, with the receiver match behind it on one path). ``within_db`` is positive: the corrected
    sweep must agree with what is expected to this many dB below a total reflection, at every frequency and in every trace.
    CalibrationError where the grid or the standard does not belong to this calibration.
    """
    corrected = correct(raw, calibration.terms)
    expected = _expected(standard, corrected, calibration)
    errors = {key: np.abs(corrected.trace(key) - value) for key, value in expected.items()}
    trace = max(errors, key=lambda key: float(np.max(errors[key])))
    at = int(np.argmax(errors[trace]))
    largest = float(errors[trace][at])
    error_db = max(FLOOR_DB, 20 * float(np.log10(largest))) if largest > 0 else FLOOR_DB
    ok = bool(np.isfinite(largest)) and error_db <= -within_db
    worst_hz = float(raw.frequency_hz[at])
    says = (
        f"the {standard} measured again differs from the calibration by {show_db(error_db, 1)} of a total reflection "
        f"({trace.upper()} at {show_frequency(worst_hz)}); allowed is at most {show_db(-within_db, 1)}"
    )
    hint = "" if ok else "Look at the connection and sweep it again; if it stays, the calibration has drifted: calibrate again."
    return Verification(ok, error_db, worst_hz, trace, says, hint)


def _expected(standard: str, corrected: Sweep, calibration: Calibration) -> dict[str, NDArray[np.complex128]]:
    standards, terms = calibration.record.standards, calibration.terms
    if standard == "load":
        return {"s11": ideal_reflection("load", standards, terms.frequency_hz)}
    if standard.startswith("load "):
        name = standard.removeprefix("load ")
        if name not in calibration.loads:
            raise CalibrationError(
                f"load {name} is not part of calibration {calibration.record.id}; it knows {_listed(calibration.loads)}",
                hint="Verify with a load that was swept in the calibration, or with the thru.",
            )
        return {"s11": calibration.loads[name]}
    if standard != "thru":
        raise CalibrationError(
            f"a {standard} is no verification standard; a load of the calibration or the thru is",
            hint="Verify with the load or the thru.",
        )
    through = ideal_thru(standards, terms.frequency_hz)
    if terms.reverse is not None and all(key in corrected.traces for key in FULL):
        nothing = np.zeros_like(through)
        return {"s11": nothing, "s22": nothing, "s21": through, "s12": through}
    # One path: analyser 1 looks through the thru at the receiver's own match.
    expected = {"s11": np.asarray(through**2 * terms.receiver_match), "s21": through}
    return {key: value for key, value in expected.items() if key in corrected.traces}


def _listed(names: Any) -> str:
    return ", ".join(str(name) for name in names) or "none"


def fits(
    calibration: Calibration, bench: Bench, identity: str, frequency_hz: NDArray[np.float64], now: datetime
) -> tuple[str, ...]:
    """Return the reasons why a calibration does not fit a run on ``bench``; empty where it fits.

    ``identity`` is what the analyser says it is, ``frequency_hz`` the grid read back from it, ``now`` a time with offset.
    Looked at: bench name, age, a clock that was set back, identity, grid, paths, models of the standards, swept loads.
    """
    record = calibration.record
    reasons = list(_age(record.made, now, bench.correction.max_age_hours))
    if record.bench != bench.name:
        reasons.append(f"it was made on the bench {record.bench}; this is {bench.name}")
    if record.analyser != identity:
        reasons.append(f"it belongs to the analyser {record.analyser!r}; this one says {identity!r}")
    if not same_grid(calibration.frequency_hz, frequency_hz):
        reasons.append(f"its grid is {describe_grid(calibration.frequency_hz)}; the analyser's is {_grid_in_words(frequency_hz)}")
    if record.paths != bench.analyser.paths:
        reasons.append(f"it is {record.paths}; the bench is {bench.analyser.paths}")
    if record.standards != bench.standards:
        reasons.append("the models of the standards in the bench file have changed since it was made")
    unswept = sorted(name for name, load in bench.loads.items() if load.measured and name not in record.loads)
    if unswept:
        reasons.append(f"the bench wants load {', '.join(unswept)} swept, and it was not")
    return tuple(reasons)


def _grid_in_words(frequency_hz: NDArray[np.float64]) -> str:
    return describe_grid(frequency_hz) + " (spaced differently)" if frequency_hz.size else "empty"


def _age(made: str, now: datetime, max_age_hours: float) -> tuple[str, ...]:
    try:
        since = (now - datetime.fromisoformat(made)).total_seconds() / 3600
    except (ValueError, TypeError):
        return (f"the time it was made, {made!r}, is not an ISO 8601 time with offset",)
    if since < -CLOCK_SLACK_HOURS:
        return (f"it was made {-since:.1f} h in the future by this computer's clock: the clock was set back",)
    if since > max_age_hours:
        return (f"it is {since:.1f} h old; the bench allows {max_age_hours:g} h",)
    return ()
