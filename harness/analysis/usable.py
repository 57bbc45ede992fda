"""What sweeps must be before anything can be computed of them. Everything here raises DataError or says nothing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from harness.analysis.figures import inside
from harness.analysis.power import power_db
from harness.analysis.readings import UNIT_SWEEPS, Sweeps, is_two_path, repeats_of
from harness.errors import DataError
from harness.quantities import show_db, show_frequency
from harness.records import Sweep
from harness.records.sweep import describe_grid

LEAST_POINTS_IN_BAND = 2
GAIN_REFUSED_DB = 1.0


def require_usable(sweeps: Sweeps, required: Sequence[str], band_hz: tuple[float, float]) -> NDArray[np.float64]:
    """Return the common grid in Hz, shape (F,); DataError where the unit's sweeps cannot be analysed.

    Asked for: the required sweeps, rising frequencies, whole and finite traces, one grid, the whole band with at least two
    points in it, and no sweep with more than 1 dB more power out than in.
    """
    for name in required:
        repeats_of(sweeps, name)
    unit = [sweep for name in UNIT_SWEEPS if name in sweeps for sweep in repeats_of(sweeps, name)]
    for sweep in unit:
        _require_whole(sweep)
    frequency_hz = unit[0].frequency_hz
    for sweep in unit[1:]:
        if not sweep.same_grid(frequency_hz):
            raise DataError(
                f"the sweep {sweep.name} has {describe_grid(sweep.frequency_hz)}, {unit[0].name} has "
                f"{describe_grid(frequency_hz)}; all sweeps of a unit need one grid",
                hint="Measure all sweeps with the same settings.",
            )
    _require_band(frequency_hz, band_hz)
    for sweep in unit:
        _require_no_gain(sweep)
    return frequency_hz


def _require_whole(sweep: Sweep) -> None:
    hz = sweep.frequency_hz
    if hz.ndim != 1 or hz.size < 2 or not np.all(np.isfinite(hz)) or hz[0] <= 0 or not np.all(np.diff(hz) > 0):
        raise DataError(
            f"the frequencies of the sweep {sweep.name} do not rise from point to point above 0 Hz, or are fewer than 2",
            hint="Measure the sweep again.",
        )
    for key, trace in sweep.traces.items():
        if trace.shape != hz.shape:
            raise DataError(
                f"{key.upper()} of the sweep {sweep.name} has {trace.size} values for {hz.size} frequencies",
                hint="Measure the sweep again.",
            )
        bad = np.flatnonzero(~np.isfinite(trace))
        if bad.size:
            raise DataError(
                f"{key.upper()} of the sweep {sweep.name} is not a number at {bad.size} of {hz.size} frequencies, "
                f"first at {show_frequency(float(hz[bad[0]]))}",
                hint="Measure the sweep again.",
            )
    if is_two_path(sweep) and not np.any(sweep.trace("s12")) and not np.any(sweep.trace("s22")):
        raise DataError(
            f"S12 and S22 of the sweep {sweep.name} are zero at all frequencies: they were not measured",
            hint="Leave unmeasured traces out; a one-path sweep holds S11 and S21.",
        )


def _require_band(frequency_hz: NDArray[np.float64], band_hz: tuple[float, float]) -> None:
    low, high = band_hz
    band = f"{show_frequency(low)} to {show_frequency(high)}"
    came = describe_grid(frequency_hz)
    if not inside(np.array([low, high]), (float(frequency_hz[0]), float(frequency_hz[-1]))).all():
        raise DataError(
            f"the sweeps have {came}; the type's band is {band}, and the sweeps must cover it",
            hint="Calibrate and measure over a wider range, or choose the right type.",
        )
    count = int(np.count_nonzero(inside(frequency_hz, band_hz)))
    if count < LEAST_POINTS_IN_BAND:
        raise DataError(
            f"the sweeps have {came}; {count} of them in the type's band, {band}; at least {LEAST_POINTS_IN_BAND} are needed",
            hint="Measure with more points, or over a narrower range.",
        )


def _require_no_gain(sweep: Sweep) -> None:
    power = power_db(sweep)
    worst = int(np.argmax(power))
    if power[worst] > GAIN_REFUSED_DB:
        raise DataError(
            f"the sweep {sweep.name} has {show_db(float(power[worst]))} more power out than in at "
            f"{show_frequency(float(sweep.frequency_hz[worst]))}; a unit has none, at most {show_db(GAIN_REFUSED_DB, 0)} allowed",
            hint="Give corrected sweeps; look whether the calibration belongs to them.",
        )
