"""Is a raw sweep of a standard what it is said to be? Looked at before it is accepted.

Nothing is corrected yet, so the limits leave room for a raw analyser: directivity −20 dB, source match −15 dB, tracking of a few
dB, a cable of unknown length. What is used is physics that no error box hides: a total reflection stays near 0 dB, short and
open stand opposite each other, their angle, drawn back along the slope of the cable to 0 Hz, ends near 180° and 0° (a response
in time is real, so its phase at 0 Hz is 0° or 180°), and a load is far below both. An analyser that shows raw readings with the
opposite sign, or turned by a fixed angle of about a right angle and more, would be doubted wrongly.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.calibration.offset_check import OFFSETS, doubt_of_offset_load, doubt_of_offset_short
from harness.calibration.phase import PhaseLine, fit_phase_line
from harness.calibration.standards import Reflection, ideal_reflection
from harness.calibration.terms import on_port_2
from harness.errors import CalibrationError
from harness.quantities import show_db
from harness.records import Sweep
from harness.records.bench_file import StandardsEntry

TOTAL_DB = (-6.0, 6.0)
"""Raw magnitude of a short or open."""
LOAD_RAW_DB = -8.0
"""Raw magnitude of a load, root mean square over frequency, while short and open are not both known."""
LOAD_COARSE_DB = -12.0
"""The same after the coarse correction by short and open: what stays is source match and the load itself."""
SAME_DB = -30.0
"""Two sweeps that differ by less, root mean square, are of the same thing."""
NO_READING = 1e6
"""A raw magnitude that no receiver shows."""
THRU_DB = (-6.0, 6.0)
THRU_MATCH_DB = -4.0
ISOLATION_DB = -40.0
SIGN_DEGREES = 110.0
OPPOSITE_DEGREES = 60.0
RIPPLE_DEGREES = 25.0
DELAY_SLACK = 1.0e-9
"""Short and open may differ by so many seconds of one-way delay beyond what ripple explains over the band."""

Complexes = NDArray[np.complex128]
_A = {"short": "a short", "open": "an open"}
_OTHER: Mapping[str, Reflection] = {"short": "open", "open": "short"}


@dataclass(frozen=True)
class Plausibility:
    """What a look at a standard's raw sweep gave. ``looks_like`` is the standard itself where ``ok``."""

    ok: bool
    standard: str
    looks_like: str
    says: str
    hint: str = ""


@dataclass(frozen=True)
class _Look:
    """What the checks look at: the sweep, which port it was taken on, and the sweeps that were accepted before."""

    standard: str
    sweep: Sweep
    port: int
    accepted: Mapping[str, Sweep]
    models: StandardsEntry

    def reflection(self, sweep: Sweep) -> Complexes:
        """Return the raw reflection of a sweep at this look's port, shape (F,)."""
        return on_port_2(sweep) if self.port == 2 else sweep.trace("s11")

    def earlier(self, kind: str) -> Complexes | None:
        """Return the raw reflection of a standard accepted before on the same port and grid, or None."""
        sweep = self.accepted.get(f"cal-{kind}" if self.port == 1 else f"cal-{kind}-2")
        if sweep is None or not sweep.same_grid(self.sweep.frequency_hz):
            return None
        return self.reflection(sweep)

    def model(self, kind: Reflection) -> Complexes:
        """Return what the model of a standard says, shape (F,)."""
        return ideal_reflection(kind, self.models, self.sweep.frequency_hz)

    def doubt(self, looks_like: str, says: str, hint: str) -> Plausibility:
        """Return the result of a check that failed."""
        where = f" on analyser {self.port}" if self.standard in ("short", "open", "load") else ""
        return Plausibility(False, self.standard, looks_like, f"the {self.standard}{where}: {says}", hint)


def check_standard(standard: str, sweep: Sweep, accepted: Mapping[str, Sweep], models: StandardsEntry) -> Plausibility:
    """Return what a raw sweep looks like, against what it is said to be.

    ``standard``: "short", "open", "load" (also "load A" and so on, a load of the bench), "thru", "isolation", or "offset
    short" and "offset load" (behind the offset; against "char-short", "char-load", "char-offset-short"). A sweep
    name that ends in "-2" was taken on analyser 2. ``accepted``: raw sweeps accepted before in this calibration, by name
    ("cal-short", "cal-open-2"); the more there are, the more can be checked. CalibrationError for another standard,
    DataError where a needed trace is missing.
    """
    kind = standard if standard in OFFSETS else standard.split(" ")[0]
    checks = {"short": _total, "open": _total, "load": _load, "thru": _thru, "isolation": _isolation}
    if kind not in checks and kind not in OFFSETS:
        raise CalibrationError(f"{standard} is no standard; {', '.join(checks)} are", hint="Mend the sequence.")
    port = 2 if sweep.name.endswith("-2") else 1
    look = _Look(standard, sweep, port, accepted, models)
    if not all(bool((np.abs(trace) < NO_READING).all()) for trace in sweep.traces.values()):
        return look.doubt("no reading", f"some points are no numbers, or above {show_db(_db(NO_READING), 0)}", "Sweep it again.")
    for doubt in checks.get(kind, _offset)(look):
        return doubt
    return Plausibility(True, standard, standard, _in_order(kind, look))


def _total(look: _Look) -> Iterator[Plausibility]:
    kind: Reflection = "short" if look.standard == "short" else "open"
    raw = look.reflection(look.sweep)
    low, high = _spread_db(raw)
    allowed = f"{show_db(TOTAL_DB[0], 0)} to {show_db(TOTAL_DB[1], 0)} are allowed"
    if low < TOTAL_DB[0] or high > TOTAL_DB[1]:
        like = "a load" if _rms_db(raw) < LOAD_RAW_DB else "no total reflection of a passive standard"
        yield look.doubt(
            like,
            f"its raw reflection lies between {show_db(low, 1)} and {show_db(high, 1)}, like {like}; {allowed}",
            f"Screw on the {kind}, tighten it, and sweep again.",
        )
    yield from _repeated(look, raw)
    line = fit_phase_line(look.sweep.frequency_hz, raw / look.model(kind))
    if line.ripple_degrees > RIPPLE_DEGREES:
        yield look.doubt(
            "no steady reflection",
            f"its angle wanders by {line.ripple_degrees:.0f}° (root mean square) about a cable's straight slope; "
            f"{RIPPLE_DEGREES:.0f}° are allowed",
            "Look for a loose connector, and sweep again.",
        )
    yield from _sign(look, kind, line)
    yield from _against_the_other(look, kind, raw, line)


def _repeated(look: _Look, raw: Complexes) -> Iterator[Plausibility]:
    for name in ("short", "open", "load"):
        earlier = look.earlier(name)
        if name != look.standard and earlier is not None and _rms_db(raw - earlier) < SAME_DB:
            yield look.doubt(
                name,
                f"it differs from the {name} swept before by only {show_db(_rms_db(raw - earlier), 0)}; two different "
                f"standards differ by more than {show_db(SAME_DB, 0)}",
                f"It looks like the {name} again. Change the standard to the {look.standard} and sweep again.",
            )


def _sign(look: _Look, kind: Reflection, line: PhaseLine) -> Iterator[Plausibility]:
    if line.at_zero_is_known and abs(line.at_zero_degrees) > SIGN_DEGREES:
        other = _OTHER[kind]
        yield look.doubt(
            other,
            f"drawn back along the cable to 0 Hz its angle is {line.at_zero_degrees:+.0f}° away from {_A[kind]}'s, which is "
            f"{_A[other]}'s; ±{SIGN_DEGREES:.0f}° are allowed",
            f"Short and open look swapped. Screw on the {kind} and sweep again.",
        )


def _against_the_other(look: _Look, kind: Reflection, raw: Complexes, line: PhaseLine) -> Iterator[Plausibility]:
    other = _OTHER[kind]
    earlier = look.earlier(other)
    if earlier is None:
        return
    turned = (raw / look.model(kind)) * np.conj(earlier / look.model(other))
    apart = float(np.median(np.abs(np.degrees(np.angle(turned)))))
    other_line = fit_phase_line(look.sweep.frequency_hz, earlier / look.model(other))
    longer = line.delay - other_line.delay
    slack = DELAY_SLACK + line.delay_slack
    if abs(longer) > slack:
        yield look.doubt(
            "something behind more cable" if longer > 0 else "something behind less cable",
            f"its delay differs from the {other}'s by {longer * 1e9:+.1f} ns; ±{slack * 1e9:.1f} ns are allowed",
            "Short, open and load go on the same end of the same cable. Sweep both again.",
        )
    if apart > OPPOSITE_DEGREES:
        yield look.doubt(
            other,
            f"it stands {180 - apart:.0f}° from the {other} swept before, where {_A[kind]} stands opposite; 180° ± "
            f"{OPPOSITE_DEGREES:.0f}° are allowed",
            f"It looks like the {other} again, or the {other} before was {_A[kind]}. Sweep both again.",
        )


def _load(look: _Look) -> Iterator[Plausibility]:
    raw = look.reflection(look.sweep)
    expected = look.model("load") if look.standard in ("load", "isolation") else np.zeros_like(raw)
    coarse = _coarse(look, raw)
    limit = LOAD_RAW_DB if coarse is None else LOAD_COARSE_DB
    reading = raw if coarse is None else coarse
    # Without short and open the angle is unknown, so the model's own reflection is allowed on top.
    off = reading - expected if coarse is not None else np.maximum(np.abs(reading) - np.abs(expected), 0)
    if _rms_db(off) > limit:
        like = _like(reading, coarse is not None)
        roughly = "raw" if coarse is None else "roughly corrected"
        yield look.doubt(
            like,
            f"its {roughly} reflection is {show_db(_rms_db(off), 1)} (root mean square) away from a load's, like {like}; at "
            f"most {show_db(limit, 0)} is allowed",
            "Screw on the load, tighten it, and sweep again.",
        )


def _like(reading: Complexes, signed: bool) -> str:
    middle = complex(np.mean(reading))
    if _rms_db(reading) < TOTAL_DB[0]:
        return "a poor load"
    if not signed or abs(middle) < 0.5 or abs(middle.real) < abs(middle.imag):
        return "a total reflection"
    return "an open" if middle.real > 0 else "a short"


def _coarse(look: _Look, raw: Complexes) -> Complexes | None:
    """Return the reflection after the two-standard correction M = c + r·Γ by short and open, or None without them."""
    short, opened = look.earlier("short"), look.earlier("open")
    if short is None or opened is None:
        return None
    turn = (opened - short) / (look.model("open") - look.model("short"))
    if _rms_db(turn) < TOTAL_DB[0] or bool(np.any(turn == 0)):
        return None
    return np.asarray((raw - short) / turn + look.model("short"), dtype=np.complex128)


def _thru(look: _Look) -> Iterator[Plausibility]:
    loss = look.models.thru.loss
    bottom, top = THRU_DB[0] - loss, THRU_DB[1]
    for key in _transmissions(look.sweep):
        low, high = _spread_db(look.sweep.trace(key))
        if low < bottom or high > top:
            like = "nothing between the ports" if high < ISOLATION_DB else "something other than a thru"
            yield look.doubt(
                like,
                f"its raw {key.upper()} lies between {show_db(low, 1)} and {show_db(high, 1)}, like {like}; "
                f"{show_db(bottom, 0)} to {show_db(top, 0)} are allowed",
                "Join the two cables with the thru, tighten it, and sweep again.",
            )
    coarse = _coarse(look, look.reflection(look.sweep))
    if coarse is not None and _rms_db(coarse) > THRU_MATCH_DB:
        yield look.doubt(
            "something other than a thru",
            f"its reflection is {show_db(_rms_db(coarse), 1)} (root mean square); at most {show_db(THRU_MATCH_DB, 0)} is allowed",
            "Look at the thru and at analyser 2's cable, and sweep again.",
        )


def _isolation(look: _Look) -> Iterator[Plausibility]:
    for key in _transmissions(look.sweep):
        _, high = _spread_db(look.sweep.trace(key))
        if high > ISOLATION_DB:
            yield look.doubt(
                "a thru" if high > THRU_DB[0] else "a path between the ports",
                f"its raw {key.upper()} reaches {show_db(high, 1)}; at most {show_db(ISOLATION_DB, 0)} is allowed",
                "Take out what joins the two cables, put a load on each, and sweep again.",
            )
    if "s11" in look.sweep.traces:
        yield from _load(look)


def _offset(look: _Look) -> Iterator[Plausibility]:
    """Look at a standard behind the offset; it needs the raw sweeps of the standards without it, by their names there."""
    raw = look.reflection(look.sweep)
    short, load, behind = (look.accepted.get(f"char-{name}") for name in ("short", "load", "offset-short"))
    found = None
    if look.standard == "offset short" and short is not None:
        found = doubt_of_offset_short(look.sweep.frequency_hz, raw, short.trace("s11"))
    elif look.standard == "offset load" and short is not None and load is not None and behind is not None:
        found = doubt_of_offset_load(raw, load.trace("s11"), short.trace("s11"), behind.trace("s11"))
    if found is not None:
        yield look.doubt(found.looks_like, found.says, found.hint)


def _transmissions(sweep: Sweep) -> tuple[str, ...]:
    return ("s21", "s12") if "s12" in sweep.traces else ("s21",)


def _spread_db(trace: Complexes) -> tuple[float, float]:
    """Return the 5th and 95th percentile of the magnitude in dB: a single wild point is no wrong standard."""
    low, high = np.quantile(np.abs(trace), (0.05, 0.95))
    return _db(float(low)), _db(float(high))


def _rms_db(trace: Complexes | NDArray[np.float64]) -> float:
    return _db(float(np.sqrt(np.mean(np.abs(trace) ** 2))))


def _db(magnitude: float) -> float:
    return 20 * float(np.log10(max(magnitude, 1e-15)))


def _in_order(kind: str, look: _Look) -> str:
    if kind in ("thru", "isolation"):
        low, high = _spread_db(look.sweep.trace("s21"))
        return f"the {look.standard} looks right: raw S21 between {show_db(low, 1)} and {show_db(high, 1)}"
    raw = look.reflection(look.sweep)
    if kind in OFFSETS:
        return f"the {look.standard} looks right: raw reflection {show_db(_rms_db(raw), 1)} (root mean square)"
    if kind == "load":
        return f"the {look.standard} looks right: raw reflection {show_db(_rms_db(raw), 1)} (root mean square)"
    line = fit_phase_line(look.sweep.frequency_hz, raw / look.model("short" if kind == "short" else "open"))
    told = "" if line.at_zero_is_known else "; from this band alone short and open cannot be told apart"
    low, high = _spread_db(raw)
    return (
        f"the {look.standard} looks right: raw reflection between {show_db(low, 1)} and {show_db(high, 1)}, "
        f"{line.delay * 1e9:.1f} ns of cable{told}"
    )
