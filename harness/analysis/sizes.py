"""How large each input is, of what kind, and how its size is said."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from harness.analysis import inputs
from harness.analysis.levels import loss_db
from harness.analysis.readings import Terminations
from harness.quantities import show_db
from harness.records import Residuals

Kind = Literal["normal", "real", "disc", "ring"]


@dataclass(frozen=True)
class Size:
    """Linear size of an input, 95 % of a normal one (and of that whose real part a real one is), the radius of a disc or ring;
    and the same in words."""

    linear: float
    kind: Kind
    says: str


def level(db: float) -> Size:
    """Return the size of a residual given in dB below a total reflection or a through connection."""
    return Size(10 ** (db / 20), "normal", f"{show_db(db, 1)} relative to a total reflection, 95 %")


def share(db: float, of: str = "of the reading") -> Size:
    """Return the size of a residual given as ± dB."""
    return Size(10 ** (db / 20) - 1, "normal", f"± {show_db(db, 3)} {of}, 95 %")


def bound(linear: float, says: str) -> Size:
    """Return the size of a reflection that lies evenly in a disc."""
    return Size(linear, "disc", says)


def size_of(group: str, residuals: Residuals, terminations: Terminations) -> Size:
    """Return the size of a group of inputs of the readings. KeyError for one that is not known."""
    if group.startswith("load "):
        return _terminated(terminations.loads[group.removeprefix("load ")].bound)
    if group == inputs.RECEIVER_BOUND:
        known = terminations.receiver
        return _terminated(1.0 if known is None else known.bound)
    return _SIZES[group](residuals)


def _terminated(radius: float) -> Size:
    return bound(radius, f"anywhere within a return loss of {show_db(float(loss_db(radius)), 1)}")


def _isolation(residuals: Residuals) -> Size:
    db = residuals.isolation
    return Size(10 ** (db / 20), "normal", f"{show_db(db, 1)} relative to a through connection, 95 %")


def _temperature(residuals: Residuals) -> Size:
    if residuals.ambient_celsius is None or residuals.calibrated_celsius is None:
        return Size(0.0, "normal", "not known")
    away = abs(residuals.ambient_celsius - residuals.calibrated_celsius)
    return share(residuals.per_kelvin * away, f"of the reading for {away:.1f} K from the calibration")


_SIZES: Mapping[str, Callable[[Residuals], Size]] = {
    inputs.DIRECTIVITY: lambda residuals: level(residuals.directivity),
    inputs.SOURCE_MATCH: lambda residuals: level(residuals.source_match),
    inputs.REFLECTION: lambda residuals: share(residuals.reflection_tracking),
    inputs.TRANSMISSION: lambda residuals: share(residuals.transmission_tracking),
    inputs.RECEIVER: lambda residuals: level(residuals.receiver_match),
    inputs.ISOLATION: _isolation,
    inputs.LINEARITY: lambda residuals: share(residuals.linearity, "for every 10 dB"),
    inputs.CONNECTOR: lambda residuals: level(residuals.connector),
    inputs.CABLE: lambda residuals: share(residuals.cable),
    inputs.DRIFT: lambda residuals: level(residuals.drift),
    inputs.TEMPERATURE: _temperature,
}
