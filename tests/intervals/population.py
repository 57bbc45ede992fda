"""The population: benches with true errors, units and loads of their own, drawn here and nowhere else.

Nothing of ``harness.analysis`` draws here. A bench *states* the residuals of its kit class; what a size means is written in
``harness.records.residuals``: a bound that the magnitude of a complex normal error keeps in 95 of 100 benches, at any one
frequency. The true errors are drawn so, and put where they come from: into the standards. With the true reflections 1 + o,
−1 + s and l of open, short and load, a corrected reflection is, to first order, Γ + a + bΓ + cΓ² with a = −l, b = (s − o)/2,
c = l − (o + s)/2: residual directivity, tracking and source match. So o = −(a + b + c), s = −(a − b + c), l = −a gives a bench
these three. Both ports of a two-path analyser are calibrated with the same standards.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np

from drivers.simulated.error_terms import Reflections
from drivers.simulated.hidden import LONGEST_TIME, HiddenErrors, draw_error, draw_normal, plus
from drivers.simulated.units import build_unit
from harness.analysis import AdapterModel, DelayAndLoss
from harness.records import Bench, Residuals, SamplerType, parse_bench, parse_type
from harness.records.residuals import KITS, KitClass
from harness.sampler import three_port

Paths = Literal["one-path", "two-path"]
Termination = Literal["external", "internal"]

TYPE = """
[type]
name = "population"
[build]
core = "{core}"
turns = {turns}
wire_awg = 26
line = "RG-303"
termination = "{termination}"
line_connectors = "{connectors}"
sample_connector = "BNC"
{more}
[band]
low = "1.8 MHz"
high = "54 MHz"
[use]
line_power = "100 W"
[tolerance]
coupling = "{coupling} dB"
coupling_error = "1 dB"
flatness = "0.5 dB"
return_loss = "25 dB"
insertion_loss = "0.3 dB"
"""

BUILDS: dict[tuple[Termination, int], dict[str, str]] = {
    ("external", 20): {"turns": "10", "core": "FT-50-43", "more": ""},
    ("external", 30): {"turns": "32", "core": "FT-50-43", "more": ""},
    ("external", 40): {"turns": "32", "core": "FT-50-43", "more": 'pad_db = "10 dB"'},
    ("internal", 20): {"turns": "5", "core": "FT-82-43", "more": "internal_ohm = 50"},
    ("internal", 30): {"turns": "16", "core": "FT-50-43", "more": "internal_ohm = 50"},
    ("internal", 40): {"turns": "16", "core": "FT-50-43", "more": 'internal_ohm = 50\npad_db = "10 dB"'},
}
"""Builds that couple about 20, 30 and 40 dB: an inside resistor halves the voltage, so it needs half the turns."""

BENCH = """
[bench]
name = "population"
[analyser]
address = "simulated://tcp"
dialect = "plain-serial"
paths = "{paths}"
connector = "BNC"
[sweep]
low = "1 MHz"
high = "60 MHz"
points = {points}
point_time = "1 ms"
[uncertainty]
kit = "{kit}"
[[adapters]]
cable = "BNC"
unit = "UHF"
delay = "60 ps"
return_loss = "{adapter} dB"
[loads.A]
return_loss = "{load} dB"
[loads.B]
return_loss = "{load} dB"
[repeats]
hookup = {repeats}
[simulated]
seed = {seed}
noise = "{noise} dB"
repeatability = "{repeatability} dB"
drift = "{drift} dB"
load_return_loss = "{load_is} dB"
build_spread = {spread}
"""
POINTS = 119
"""Steps of 0.5 MHz, as on the shipped benches."""
REPEATS = (1, 3)
NOISE_DB = (-95.0, -80.0)
LOAD_DB = (28.0, 38.0)
REFERENCE_NOISE_DB = -90.0
BUILD_SPREAD = (0.5, 4.0)
UNIT = "unit"
AGE_HOURS = (0.5, 8.0)
"""How long a proof comes after its calibration: at most the bench file's default."""
ADAPTERS_DB: dict[KitClass, float] = {"plain": 40.0, "good": 46.0, "lab": 52.0}
"""Bound of what is left of the adapters' reflection, where a unit has UHF connectors."""
RAYLEIGH_95_OF_RMS = float(np.sqrt(-np.log(0.05)))
"""The 95 % bound of the magnitude of a complex normal number over its root mean square."""


@dataclass(frozen=True)
class Stratum:
    """One kind of bench and unit."""

    paths: Paths
    termination: Termination
    coupling: int

    def __str__(self) -> str:
        return f"{self.paths}, {self.termination}, {self.coupling} dB"


STRATA = tuple(
    Stratum(paths, termination, coupling)
    for paths in get_args(Paths)
    for termination in get_args(Termination)
    for coupling in (20, 30, 40)
)


@dataclass(frozen=True)
class Case:
    """One bench and one unit. ``age_hours``: how long before the proof the calibration was made."""

    stratum: Stratum
    number: int
    bench: Bench
    type_: SamplerType
    hidden: HiddenErrors
    residuals: Residuals
    adapters: dict[str, AdapterModel]
    age_hours: float


def draw_case(stratum: Stratum, number: int, seed: int) -> Case:
    """Return the case ``number`` of a stratum; the same seed gives the same case, whatever else is drawn.

    Kit classes and connectors come in turn; repeats, noise, loads, spread of the build, age and all true errors are drawn.
    """
    rng = np.random.default_rng([seed, STRATA.index(stratum), number])
    kit = get_args(KitClass)[number % 3]
    return _case(rng, stratum, number, kit, KITS[kit], adapted=number // 3 % 2 == 1, repeats=REPEATS[int(rng.integers(2))])


ALONE_NOISE_DB = -130.0
INPUTS = (
    "directivity",
    "source_match",
    "reflection_tracking",
    "transmission_tracking",
    "receiver_match",
    "isolation",
    "linearity",
    "connector",
    "cable",
    "drift",
)
"""The residuals that the population draws: keys of the bench file's table ``[uncertainty]``."""
REFERENCE_STRATUM = Stratum("one-path", "external", 30)
REFERENCE_RETURN_LOSS_DB = (29.5, 30.5)


def draw_alone(what: str, number: int, seed: int) -> Case:
    """Return a case that has the input ``what`` and no other, with next to no noise: one-path, kit class plain, 30 dB.

    The coupling of an internally terminated unit hangs on what directivity does to the loads, that of an external one on the
    sample port's reflection: they come in turn.
    """
    stratum = Stratum("one-path", get_args(Termination)[number % 2], 30)
    rng = np.random.default_rng([seed, len(STRATA) + 1 + INPUTS.index(what), number])
    made = _case(rng, stratum, number, "plain", only(KITS["plain"], what), adapted=False, repeats=1)
    simulated = made.bench.simulated
    if simulated is None:
        raise ValueError("the population's benches are simulated")
    quiet = simulated.model_copy(update={"noise": ALONE_NOISE_DB})
    return replace(made, bench=made.bench.model_copy(update={"simulated": quiet}))


def without(stated: Residuals, what: str) -> Residuals:
    """Return the residuals with one input taken for nothing: −200 dB of a level, ± 0 dB of a share."""
    return stated.model_copy(update={what: -200.0 if getattr(KITS["plain"], what) < 0 else 0.0})


def only(stated: Residuals, what: str) -> Residuals:
    """Return the residuals with every input but one taken for nothing."""
    for other in INPUTS:
        stated = stated if other == what else without(stated, other)
    return stated


def draw_reference(number: int, seed: int) -> Case:
    """Return one case on the reference bench: kit class, noise and repeats are fixed, the true return loss is about 30 dB."""
    rng = np.random.default_rng([seed, len(STRATA), number])
    while True:
        made = _case(rng, REFERENCE_STRATUM, number, "good", KITS["good"], adapted=False, repeats=1)
        simulated = made.bench.simulated
        if simulated is None:
            raise ValueError("the population's benches are simulated")
        circuit = build_unit(made.type_, simulated, UNIT)
        s = three_port(circuit, np.linspace(*made.type_.band_hz, 101))
        if REFERENCE_RETURN_LOSS_DB[0] <= -20 * np.log10(np.max(np.abs(s[:, (0, 1), (0, 1)]))) <= REFERENCE_RETURN_LOSS_DB[1]:
            quiet = simulated.model_copy(update={"noise": REFERENCE_NOISE_DB})
            return replace(made, bench=made.bench.model_copy(update={"simulated": quiet}))


def _case(
    rng: np.random.Generator, stratum: Stratum, number: int, kit: KitClass, stated: Residuals, *, adapted: bool, repeats: int
) -> Case:
    age = float(rng.uniform(*AGE_HOURS))
    text = BENCH.format(
        paths=stratum.paths,
        points=POINTS,
        kit=kit,
        adapter=ADAPTERS_DB[kit],
        load=LOAD_DB[0] - 2,
        repeats=repeats,
        seed=int(rng.integers(2**31)),
        noise=rng.uniform(*NOISE_DB),
        repeatability=stated.connector - 20 * np.log10(RAYLEIGH_95_OF_RMS),
        drift=stated.drift - 20 * np.log10(RAYLEIGH_95_OF_RMS * np.sqrt(age)),
        load_is=rng.uniform(*LOAD_DB),
        spread=rng.uniform(*BUILD_SPREAD),
    )
    ends = ("line in", "line out") if adapted else ()
    residuals = stated.model_copy(update={"adapters": dict.fromkeys(ends, -ADAPTERS_DB[kit])})
    return Case(
        stratum=stratum,
        number=number,
        bench=parse_bench(text, "population"),
        type_=type_of(stratum, "UHF" if adapted else "BNC"),
        hidden=draw_hidden(rng, residuals),
        residuals=residuals,
        adapters={end: DelayAndLoss(60e-12) for end in ends},
        age_hours=age,
    )


def type_of(stratum: Stratum, connectors: str = "BNC") -> SamplerType:
    """Return the type that the units of a stratum are built to."""
    build = BUILDS[stratum.termination, stratum.coupling]
    text = TYPE.format(termination=stratum.termination, coupling=stratum.coupling, connectors=connectors, **build)
    return parse_type(text, "population")


def draw_hidden(rng: np.random.Generator, stated: Residuals) -> HiddenErrors:
    """Return the true errors of one bench, of the sizes that it states."""
    a = draw_error(rng, linear(stated.directivity))
    b = draw_error(rng, share(stated.reflection_tracking))
    c = draw_error(rng, linear(stated.source_match))
    return HiddenErrors(
        standards={
            "open": plus((-1, a), (-1, b), (-1, c)),
            "short": plus((-1, a), (1, b), (-1, c)),
            "load": plus((-1, a)),
        },
        thru_match=draw_error(rng, linear(stated.receiver_match)),
        thru_transmission=draw_error(rng, share(stated.transmission_tracking)),
        leakage={way: draw_error(rng, linear(stated.isolation)) for way in ("forward", "reverse")},
        linearity_db=draw_normal(rng, stated.linearity).real,
        flex=share(stated.cable),
        adapters={end: _evenly(rng, linear(size)) for end, size in stated.adapters.items()},
    )


def _evenly(rng: np.random.Generator, bound: float) -> Reflections:
    """Return a reflection that lies evenly in the disc of a hard bound."""
    amplitude = bound * np.sqrt(rng.uniform()) * np.exp(2j * np.pi * rng.uniform())
    return Reflections((complex(amplitude),), (float(rng.uniform(0.0, LONGEST_TIME)),))


def linear(level_db: float) -> float:
    """Return the linear size of a level in dB."""
    return float(10 ** (level_db / 20))


def share(size_db: float) -> float:
    """Return the linear size, relative to a reading, of so many ± dB."""
    return float(10 ** (size_db / 20) - 1)
