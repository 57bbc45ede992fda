"""One proof as the comparison needs it: the bare unit's entries without their noise, and every error that may be in them.

Beside the inputs of the proof's uncertainty there are those of *making the calibration*: the contacts of its standards. The
residuals of the kit are what the standards themselves are off; they stay from calibration to calibration, the contacts do not.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import zip_longest

import numpy as np
from numpy.typing import NDArray

from harness.analysis.adapters import AdapterModel, remove_adapters
from harness.analysis.estimator import Estimate, estimate
from harness.analysis.inputs import (
    CALIBRATION,
    CONNECTOR,
    CONNECTOR_LOSS,
    DIRECTIVITY,
    REFLECTION,
    SOURCE_MATCH,
    TRANSMISSION,
    Key,
)
from harness.analysis.linear import Chain
from harness.analysis.model import vector_of
from harness.analysis.noise import Smooth, smooth
from harness.analysis.readings import Complex, Reading, Terminations, readings_of
from harness.analysis.scene import Scene
from harness.analysis.sizes import Size, level
from harness.analysis.uncertainty import reading_sizes
from harness.records import Residuals, Sweep


@dataclass(frozen=True)
class Taken:
    """What one proof rests on: corrected sweeps by name (the mean of ``repeats`` each), and what is known around them.

    ``calibrated_here``: whether a calibration of the program's own stands behind it, whose contacts count.
    """

    sweeps: Mapping[str, Sweep]
    terminations: Terminations
    residuals: Residuals
    adapters: Mapping[str, AdapterModel] = field(default_factory=dict)
    repeats: int = 1
    calibrated_here: bool = True


@dataclass(frozen=True)
class Input:
    """One error: its key (group, and what tells it apart), its size, and what it does to the six unknowns, (F, 6)."""

    key: Key
    size: Size
    x: Complex = field(repr=False)


@dataclass(frozen=True)
class Seen:
    """The unit as one proof saw it. ``x``: the six unknowns without noise, (F, 6). ``smooth``: place → the entry with its noise.

    ``places``: which of the six were read and do not rest on a prior.
    """

    frequency_hz: NDArray[np.float64] = field(repr=False)
    x: Complex = field(repr=False)
    smooth: Mapping[int, Smooth] = field(repr=False)
    inputs: tuple[Input, ...] = field(repr=False)
    places: tuple[int, ...]


_PLACE = {(0, 0): 0, (1, 1): 1, (2, 2): 2, (1, 0): 3, (2, 0): 4, (2, 1): 5}


def see(taken: Taken) -> Seen:
    """Return one proof's unit and errors. DataError where the sweeps cannot be analysed."""
    names = [name for name in taken.sweeps if name != "unit"]
    readings = readings_of({name: [taken.sweeps[name]] * taken.repeats for name in names}, taken.terminations)
    frequency_hz = taken.sweeps["coupled"].frequency_hz
    first = estimate(frequency_hz, readings)
    found = estimate(frequency_hz, readings, reading_sizes(readings, first, taken.terminations, taken.residuals))
    bare = remove_adapters(found.s, taken.adapters, frequency_hz)
    x = vector_of(bare)
    places = tuple(sorted(_PLACE[entry] for entry in found.seen))
    smoothed = smooth(frequency_hz, {str(place): x[:, place] for place in places})
    for place in places:
        x[:, place] = smoothed[str(place)].values
    inputs = _inputs(taken, readings, found, bare)
    return Seen(frequency_hz, x, {place: smoothed[str(place)] for place in places}, inputs, places)


def _inputs(taken: Taken, readings: tuple[Reading, ...], found: Estimate, bare: Complex) -> tuple[Input, ...]:
    scene = Scene.of(readings, taken.terminations, vector_of(found.s))
    chain = Chain(scene, found, bare, taken.terminations, taken.adapters, taken.residuals)
    keys = [key for key, _, _ in chain.on_readings()]
    effects = list(chain.effects())  # those on the readings in the same order, then the adapters'
    made = tuple(
        Input((effect.group,) if key is None else key, effect.size, effect.x)
        for key, effect in zip_longest(keys, effects)
        if effect is not None
    )
    return (*made, *_of_calibration(made, taken.residuals)) if taken.calibrated_here else made


def _of_calibration(inputs: tuple[Input, ...], residuals: Residuals) -> tuple[Input, ...]:
    """Return what the contacts of the standards do, each an independent error of the size of a connection.

    With the reflections 1 + o, −1 + s, l of open, short and load the correction is off, to first order, by a = −l, b = (s − o)/2,
    c = l − (o + s)/2 in Γ + a + bΓ + cΓ². A contact that reflects r and lets 1 + t through makes l = r on the load,
    o = 2(r + t) on the open, s = 2(r − t) on the short. The thru has two contacts, that is √2 of one.
    """
    x = {one.key: one.x for one in inputs}
    size = level(residuals.connector)
    found: list[Input] = []
    for port in ("1", "2"):
        if (DIRECTIVITY, port) not in x or (REFLECTION, port) not in x or (SOURCE_MATCH, port) not in x:
            continue
        match, tracking = x[SOURCE_MATCH, port], x[REFLECTION, port]
        at_open, at_short = -(match + tracking), tracking - match
        made = {"load": match - x[DIRECTIVITY, port], "open": at_open, "short": at_short}
        found += [Input((CONNECTOR, CALIBRATION, name, port, "reflection"), size, effect) for name, effect in made.items()]
        found += _passed("open", port, size, at_open) + _passed("short", port, size, -at_short)
    ways = [x[TRANSMISSION, way] for way in ("forward", "reverse") if (TRANSMISSION, way) in x]
    return (*found, *(_passed("thru", "", size, np.sqrt(2.0) * sum(ways)) if ways else []))


def _passed(standard: str, port: str, size: Size, effect: Complex) -> list[Input]:
    """Return what a contact does to a wave that passes: real numbers for its phase and its magnitude, as in ``inputs``."""
    steady = replace(size, kind="real")
    key = (CONNECTOR, CALIBRATION, standard, port)
    return [
        Input((*key, "phase"), steady, 1j * np.sqrt(2.0) * effect),
        Input((*key, "loss"), steady, CONNECTOR_LOSS * np.sqrt(2.0) * effect),
    ]
