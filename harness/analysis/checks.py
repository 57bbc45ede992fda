"""Checks: what sweeps from anywhere tell about themselves besides the figures. Each says what it saw and what was allowed.

The allowances are chosen, no source; to them comes what the residuals of the bench may do, so that a bench that states large
ones is not doubted for having them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.analysis.estimator import Estimate
from harness.analysis.figures import coupling_db, inside
from harness.analysis.levels import loss_db
from harness.analysis.model import Model, vector_of
from harness.analysis.noise import noise_of
from harness.analysis.power import column_power_db, matrix_power_db, power_db
from harness.analysis.readings import (
    UNIT_SWEEPS,
    Complex,
    Sweeps,
    Terminations,
    is_two_path,
    line_match_reading,
    readings_of,
    repeats_of,
)
from harness.analysis.renormalise import PAIRS, assembled_from
from harness.quantities import show_db
from harness.records import Residuals
from harness.records.proof import Check

GOOD_POINTS_IN_BAND = 11
GAIN_ALLOWED_DB = 0.1
RECIPROCITY_ALLOWED = 0.02
LINE_MATCH_ALLOWED = 0.01
SIDES_ALLOWED_DB = 0.5
EVEN_ALLOWED = 0.2
ASSEMBLY_ALLOWED_DB = 0.05
NOISE_ALLOWED = 9.0
"""The largest of F squared errors of noise may be ln F + this, in units of their mean: less than twice in ten thousand traces."""


@dataclass(frozen=True)
class Slack:
    """What the residuals may do, linear: ``reflected`` to a total reflection, ``passed`` and ``leaked`` to a through wave."""

    reflected: float
    passed: float
    leaked: float

    @classmethod
    def of(cls, residuals: Residuals) -> Slack:
        """Return the 95 % sizes of the parts joined by the root of their squares, times 1.5."""
        drift = ratio(residuals.drift)
        reflected = (
            ratio(residuals.directivity),
            ratio(residuals.source_match),
            part(residuals.reflection_tracking),
            drift,
            drift,
        )
        passed = (part(residuals.transmission_tracking), 2 * part(residuals.cable), ratio(residuals.connector), drift)
        return cls(1.5 * float(np.hypot.reduce(reflected)), 1.5 * float(np.hypot.reduce(passed)), ratio(residuals.isolation))

    @property
    def gain_db(self) -> float:
        """What may come out too much, in dB."""
        return GAIN_ALLOWED_DB + 20 * float(np.log10(1 + self.reflected))


def ratio(db: float) -> float:
    """Return the magnitude of a level in dB."""
    return float(10 ** (db / 20))


def part(db: float) -> float:
    """Return the part of a reading that ± dB is."""
    return ratio(db) - 1


def noise_allowed(*traces: Complex) -> float:
    """Return what the noise of these traces together may do at the worst of their points, linear."""
    most = np.log(traces[0].size) + NOISE_ALLOWED
    return float(np.sqrt(most * sum(noise_of(trace) ** 2 for trace in traces)))


def all_checks(
    sweeps: Sweeps, terminations: Terminations, found: Estimate, band_hz: tuple[float, float], residuals: Residuals
) -> tuple[Check, ...]:
    """Return every check that these sweeps allow, over the band; those on power over the whole sweep."""
    within = inside(found.frequency_hz, band_hz)
    slack = Slack.of(residuals)
    candidates = (
        points_in_band(within),
        passive_sweeps(sweeps, terminations, slack),
        passive_unit(found, slack),
        reciprocity(sweeps, within, slack),
        line_match(sweeps, terminations, found, within),
        both_sides(found, within),
        assembly(sweeps, terminations, found, within, slack),
    )
    return tuple(check for check in candidates if check is not None)


def points_in_band(within: NDArray[np.bool_]) -> Check:
    """Whether there are enough points between which nothing hides."""
    count = int(np.count_nonzero(within))
    says = f"{count} measured points in the band, {GOOD_POINTS_IN_BAND} or more wanted"
    return Check(name="points in the band", says=says, ok=count >= GOOD_POINTS_IN_BAND)


def passive_sweeps(sweeps: Sweeps, terminations: Terminations, slack: Slack) -> Check:
    """Whether each sweep gives out no more power than goes in; the receiver's own reflection is allowed for."""
    known = terminations.receiver
    receiver = 0.0 if known is None else np.minimum(1.0, np.abs(known.gamma) + known.bound)
    powers = {
        name: max(float(np.max(power_db(sweep, receiver))) for sweep in repeats_of(sweeps, name))
        for name in UNIT_SWEEPS
        if name in sweeps
    }
    name = max(powers, key=lambda key: powers[key])
    says = f"power out over power in is at most {show_db(powers[name], 3)}, in {name}; {show_db(slack.gain_db)} allowed"
    return Check(name="passive sweeps", says=says, ok=powers[name] <= slack.gain_db)


def passive_unit(found: Estimate, slack: Slack) -> Check:
    """Whether the three-port gives out no more power than goes in; only for line in where other entries were not measured."""
    power = matrix_power_db(found.s) if found.complete else column_power_db(found.s, 0)
    where = "at any ports" if found.complete else "at line in, the other ports not being measured in full"
    worst = float(np.max(power))
    says = f"three-port: power out over power in {where} is at most {show_db(worst, 3)}; {show_db(slack.gain_db)} allowed"
    return Check(name="passive unit", says=says, ok=worst <= slack.gain_db)


def reciprocity(sweeps: Sweeps, within: NDArray[np.bool_], slack: Slack) -> Check | None:
    """Whether both directions give the same, where both were measured."""
    worst: dict[str, tuple[float, float]] = {}
    for name in UNIT_SWEEPS:
        for sweep in repeats_of(sweeps, name) if name in sweeps else ():
            if is_two_path(sweep):
                forward, backward = sweep.trace("s21")[within], sweep.trace("s12")[within]
                size = np.maximum(np.abs(forward) + np.abs(backward), 1e-12) / 2
                apart = np.abs(forward - backward) / size
                noise = noise_allowed(sweep.trace("s21"), sweep.trace("s12"))
                allowed = RECIPROCITY_ALLOWED + 1.5 * (slack.passed + slack.leaked / size) + noise / size
                most = int(np.argmax(apart / allowed))
                worst[name] = max(worst.get(name, (0.0, 1.0)), (float(apart[most]), float(allowed[most])), key=_over)
    if not worst:
        return None
    name = max(worst, key=lambda key: _over(worst[key]))
    apart_most, allowed_there = worst[name]
    says = f"S21 and S12 differ by {apart_most:.2%} where it is worst, in {name}; {allowed_there:.2%} allowed"
    return Check(name="reciprocity", says=says, ok=apart_most <= allowed_there)


def _over(pair: tuple[float, float]) -> float:
    return pair[0] / pair[1]


def line_match(sweeps: Sweeps, terminations: Terminations, found: Estimate, within: NDArray[np.bool_]) -> Check:
    """Whether ``line`` and ``coupled`` see one line match, each after what stood at its far end is taken off."""
    coupled = next(one for one in readings_of(sweeps, terminations) if (one.sweep, one.trace) == ("coupled", "s11"))
    pair = (line_match_reading(sweeps, terminations), coupled)
    model = Model.of(pair)
    x = vector_of(found.s)
    off = np.stack([reading.value for reading in pair], axis=1) - model.predict(x)[0]
    bounds = np.array([reading.bound for reading in pair])
    allowed = LINE_MATCH_ALLOWED + np.sum(np.abs(model.termination_slopes(x)) * bounds, axis=(1, 2))
    difference = np.abs(off[:, 0] - off[:, 1])
    worst = int(np.argmax(np.where(within, difference / allowed, -1.0)))
    says = (
        f"S11 from line and from coupled differ by {show_db(-float(loss_db(difference[worst])), 1)} of a total reflection "
        f"where it is worst; {show_db(-float(loss_db(allowed[worst])), 1)} allowed with what is known of load and receiver"
    )
    return Check(name="line match twice", says=says, ok=bool(difference[worst] <= allowed[worst]))


def both_sides(found: Estimate, within: NDArray[np.bool_]) -> Check | None:
    """Whether the coupling from line out is that from line in with the sign changed, as the winding's part is."""
    if (2, 1) not in found.seen:
        return None
    near, far = found.s[within, 2, 0], found.s[within, 2, 1]
    unequal = float(np.max(np.abs(loss_db(near) - loss_db(far))))
    even = float(np.max(np.abs(near + far) / np.maximum(np.abs(near) + np.abs(far), 1e-12)))
    says = (
        f"coupling from line in and from line out differs by at most {show_db(unequal, 3)} "
        f"({show_db(SIDES_ALLOWED_DB, 1)} allowed); "
        f"the part with the same sign from both is at most {even:.1%} ({EVEN_ALLOWED:.0%} allowed)"
    )
    if even > 0.5 and unequal <= SIDES_ALLOWED_DB:
        says += "; the two sweeps are alike: was the unit turned round for coupled-far?"
    return Check(name="both sides", says=says, ok=unequal <= SIDES_ALLOWED_DB and even <= EVEN_ALLOWED)


def _noise_of_means(sweeps: Sweeps, name: str) -> float:
    """Return what noise may do to the difference of the two solutions for one hook-up: no more than to two of its traces."""
    repeats = repeats_of(sweeps, name)
    means = [np.mean([sweep.trace(key) for sweep in repeats], axis=0) for key in ("s21", "s12")]
    return noise_allowed(*means)


def assembly(
    sweeps: Sweeps, terminations: Terminations, found: Estimate, within: NDArray[np.bool_], slack: Slack
) -> Check | None:
    """Whether assembly by renormalisation, where the full pairs are there, gives the same coupling and line match."""
    other = assembled_from(sweeps, terminations)
    if other is None:
        return None
    coupling = float(np.max(np.abs(coupling_db(other) - coupling_db(found.s))[within]))
    match = float(np.max(np.abs(other[:, :2, :2] - found.s[:, :2, :2])[within]))
    noise = {name: _noise_of_means(sweeps, name) for name in PAIRS}
    lost = (slack.leaked + noise["coupled"]) / float(np.min(np.abs(found.s[within, 2, 0]).clip(1e-9)))
    coupling_allowed = ASSEMBLY_ALLOWED_DB + 20 * float(np.log10(1 + slack.passed + lost))
    match_allowed = LINE_MATCH_ALLOWED + slack.reflected + max(noise.values())
    says = (
        f"assembly by renormalisation differs by at most {show_db(coupling, 4)} in coupling "
        f"({show_db(coupling_allowed)} allowed) and {show_db(-float(loss_db(match)), 1)} in the line's S "
        f"({show_db(-float(loss_db(match_allowed)), 1)} allowed)"
    )
    return Check(name="second assembly", says=says, ok=coupling <= coupling_allowed and match <= match_allowed)
