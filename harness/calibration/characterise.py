"""From verification sweeps to the sizes of a bench's residual errors, each with how it was found and what bounds it.

``ripple`` holds the method and its limits, ``connections`` the repeats. A size is never below what the sweeps prove: it holds the
doubt of the cable's impedance, of the connections and of the fit. What the sweeps cannot see keeps the stated size, of the kit's
class or the bench file; where they show more than that, the larger one stands.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from harness.calibration.calibration import Calibration
from harness.calibration.connections import (
    Spread,
    less,
    pooled,
    scaled,
    size_of_deviation,
    size_of_spread,
    size_surely_above,
    spread_of,
)
from harness.calibration.correction import correct
from harness.calibration.ripple import Behind, Complexes, Ripple, Slack, fit_ripple, noise_of, size_of, sizes_of_each
from harness.calibration.standards import ideal_reflection, ideal_thru
from harness.calibration.term_table import level_db, share_db, terms_of
from harness.errors import CalibrationError
from harness.quantities import show_db
from harness.records import Residuals, Sweep
from harness.records.characterisation import Characterised, Offset

SHORT, LOAD, THRU = "char-short", "char-load", "char-thru"
OFFSET_SHORT, OFFSET_LOAD = "char-offset-short", "char-offset-load"
SWEEPS = (SHORT, LOAD, THRU, OFFSET_SHORT, OFFSET_LOAD)
LEAST_REPEATS = 2
MISFIT_ALLOWED = 2.0
LARGEST_DB = -10.0
SEEN = 0.8
"""Of a connection's 95 % size: the mean of a few connections of two kinds hardly differs by more through connections alone."""


@dataclass(frozen=True)
class Seen:
    """What the sweeps show, as linear 95 % sizes; ``noise``: of one point, root mean square, linear."""

    ripple: Ripple = field(repr=False)
    directivity: float
    source_match: float
    mean: float
    connector: float
    cable: float
    receiver: float
    transmission: float
    noise: float


@dataclass(frozen=True)
class Circumstances:
    """What dates and names a characterisation: id, ISO 8601 time, and the cable's bound on its match in dB (95 %, negative)."""

    id: str
    made: str
    offset_match_db: float


def characterise(
    raw: Mapping[str, Sequence[Sweep]], calibration: Calibration, stated: Residuals, circumstances: Circumstances
) -> Characterised:
    """Return what the verification sweeps show of the bench.

    ``raw``: the names of SWEEPS → raw sweeps, one for each time the connection was made. ``stated``: the sizes that hold where
    nothing is seen. CalibrationError where sweeps are missing, or do not look like what they are said to be.
    """
    _check(raw)
    corrected = {name: [correct(_forward(sweep), calibration.terms) for sweep in raw[name]] for name in SWEEPS}
    connections = _connections(corrected)
    behind = _behind(corrected, calibration, _load_is_seen(corrected, connections["connector"]))
    slack = Slack(
        max(connections["connector"], 1e-6),
        connections["cable"],
        10 ** (stated.drift / 20),
        10 ** (circumstances.offset_match_db / 20),
    )
    ripple = fit_ripple(behind, slack)
    _check_fit(ripple)
    seen = _seen(corrected, calibration, connections, ripple)
    residuals = _residuals(seen, stated, circumstances)
    reference = f"the cable's impedance is the reference, known to {show_db(circumstances.offset_match_db, 1)}"
    if not behind.load_counts:
        reference += "; the load read the same without the offset, within its connection: the short alone was used"
    worse = {
        "directivity": _surely_above(ripple.directivity, stated.directivity),
        "source_match": _surely_above(ripple.source_match, stated.source_match),
        "connector": connections["connector at least"] > 10 ** (stated.connector / 20),
    }
    return Characterised(
        id=circumstances.id,
        bench=calibration.record.bench,
        analyser=calibration.record.analyser,
        made=circumstances.made,
        calibration=calibration.record.id,
        residuals=residuals,
        terms=terms_of(seen, stated, residuals, reference, worse),
        offset=_offset(behind, ripple),
        misfit=round(ripple.misfit, 2),
    )


def _check(raw: Mapping[str, Sequence[Sweep]]) -> None:
    missing = [name for name in SWEEPS if not raw.get(name)]
    few = [name for name in (SHORT, LOAD, THRU) if 0 < len(raw.get(name, ())) < LEAST_REPEATS]
    if missing or few:
        what = f"there is no sweep {', '.join(missing)}" if missing else f"{', '.join(few)} was connected only once"
        raise CalibrationError(
            f"the bench cannot be characterised: {what}; needed are {', '.join(SWEEPS)}, the first three at least "
            f"{LEAST_REPEATS} times",
            hint="Run 'tapproof calibrate --characterise' to its end.",
        )


def _check_fit(ripple: Ripple) -> None:
    if ripple.misfit > MISFIT_ALLOWED:
        raise CalibrationError(
            f"short and load behind the offset do not fit together: what is left is {ripple.misfit:.1f} times what connections "
            f"and noise explain; at most {MISFIT_ALLOWED:.1f} is allowed. It looks like another cable for one of them, the "
            "offset forgotten at the load, or a connection that is not tight",
            hint="Put the same cable under short and load, tighten everything, and characterise again.",
        )


def _forward(sweep: Sweep) -> Sweep:
    """Return only what analyser 1 drives: the standards, and so the residuals, are the same on both ports."""
    traces = {key: trace for key, trace in sweep.traces.items() if key in ("s11", "s21")}
    return Sweep(sweep.name, sweep.frequency_hz, traces, sweep.ports, sweep.comments)


def _mean(sweeps: Sequence[Sweep], key: str) -> Complexes:
    return np.asarray(np.mean([sweep.trace(key) for sweep in sweeps], axis=0), dtype=np.complex128)


def _connections(corrected: Mapping[str, Sequence[Sweep]]) -> dict[str, float]:
    """Return the 95 % sizes of a connection and of a moved cable, as the repeats show them.

    A load shows the connection's reflection, the thru two of them. A short moves by twice the reflection and twice what the
    connection and the cable let through, the thru's transmission by two connections and two cables.
    """

    def spread(name: str, key: str) -> Spread:
        return spread_of([sweep.trace(key) for sweep in corrected[name]])

    connector = pooled(spread(LOAD, "s11"), scaled(spread(THRU, "s11"), 2))
    through = pooled(less(scaled(spread(SHORT, "s11"), 4), connector), scaled(spread(THRU, "s21"), 2))
    return {
        "connector": size_of_spread(connector),
        "cable": size_of_spread(less(through, connector)),
        "connector at least": size_surely_above(connector),
    }


def _behind(corrected: Mapping[str, Sequence[Sweep]], calibration: Calibration, load_counts: bool) -> Behind:
    hz, standards = calibration.frequency_hz, calibration.record.standards
    return Behind(
        hz,
        _mean(corrected[OFFSET_SHORT], "s11"),
        _mean(corrected[OFFSET_LOAD], "s11"),
        ideal_reflection("short", standards, hz),
        ideal_reflection("load", standards, hz),
        len(corrected[OFFSET_SHORT]),
        len(corrected[OFFSET_LOAD]),
        load_counts,
    )


def _load_is_seen(corrected: Mapping[str, Sequence[Sweep]], connector: float) -> bool:
    """Return whether the load reads otherwise behind the offset than without it, by more than connections change.

    If it does not, load and cable may be that good, or the offset was forgotten: nobody can tell.
    """
    away = _mean(corrected[OFFSET_LOAD], "s11") - _mean(corrected[LOAD], "s11")
    return bool(np.sqrt(np.mean(np.abs(away) ** 2)) > SEEN * connector)


def _seen(
    corrected: Mapping[str, Sequence[Sweep]], calibration: Calibration, connections: Mapping[str, float], ripple: Ripple
) -> Seen:
    through = ideal_thru(calibration.record.standards, calibration.frequency_hz)
    thru = corrected[THRU]
    return Seen(
        ripple,
        size_of(ripple.directivity),
        size_of(ripple.source_match),
        size_of(ripple.mean),
        connections["connector"],
        connections["cable"],
        size_of_deviation(_mean(thru, "s11") - through**2 * calibration.terms.receiver_match),
        size_of_deviation(_mean(thru, "s21") / through - 1),
        noise_of(corrected[LOAD][-1].trace("s11")),
    )


def _surely_above(draws: Complexes, stated_db: float) -> bool:
    return bool(np.quantile(sizes_of_each(draws), 0.05) > 10 ** (stated_db / 20))


def _residuals(seen: Seen, stated: Residuals, circumstances: Circumstances) -> Residuals:
    found = {
        "directivity": level_db(seen.directivity),
        "source_match": level_db(seen.source_match),
        "reflection_tracking": max(stated.reflection_tracking, share_db(seen.mean)),
        "transmission_tracking": max(stated.transmission_tracking, share_db(seen.transmission)),
        "receiver_match": max(stated.receiver_match, level_db(seen.receiver)),
        "connector": level_db(seen.connector),
        "cable": max(stated.cable, share_db(seen.cable)),
    }
    levels = {
        name: value for name, value in found.items() if name in ("directivity", "source_match", "receiver_match", "connector")
    }
    too_large = {name.replace("_", " "): value for name, value in levels.items() if value > LARGEST_DB}
    if too_large or max(found["reflection_tracking"], found["transmission_tracking"], found["cable"]) > 3:
        said = ", ".join(f"{name} {show_db(value, 1)}" for name, value in too_large.items()) or "tracking of more than 3 dB"
        raise CalibrationError(
            f"the sweeps show {said}; no correction that works leaves more than {show_db(LARGEST_DB, 0)}. It looks like a wrong "
            "or loose standard, now or in the calibration",
            hint="Calibrate again, each standard tight, then characterise.",
        )
    day = circumstances.made[:10]
    source = f"characterised on {day} (short and load behind a cable, repeats); what that cannot see: {stated.source}"
    if len(source) > 200:
        source = f"{source[:197]}..."
    return stated.model_copy(update={**found, "source": source})


def _offset(behind: Behind, ripple: Ripple) -> Offset:
    slope = np.polyfit(behind.frequency_hz, np.unwrap(np.angle(ripple.through)), 1)[0]
    loss = -10 * float(np.log10(max(float(np.abs(ripple.through[-1])), 1e-15)))
    return Offset(delay_s=float(-slope / (4 * np.pi)), loss_db=round(loss, 3), at_hz=float(behind.frequency_hz[-1]))
