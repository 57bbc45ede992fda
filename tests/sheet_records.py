"""Records for the tests of sheets: a proof with everything that a sheet shows, made by hand, and its three-port."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness import files
from harness.analysis import Band, parse_bands
from harness.files import read_type
from harness.records import (
    BudgetLine,
    CouplingAt,
    CouplingTable,
    FaultEntry,
    Figure,
    Proof,
    Sweep,
    UncertaintyNote,
    default_residuals,
)
from harness.records.drift import Drift, DriftCurve, DriftExplanation, DriftFeature, DriftTest, DriftTrend
from harness.records.proof import Check
from harness.records.proof_diagnosis import DiagnosisNote, FitRemainder
from tests.records_for_files import proof as small_proof

Curve = Callable[[NDArray[np.float64]], NDArray[np.float64]]
HOSTILE = '</title><script>alert("x")</script>&<!-- ]]> {{ 7*7 }} \x00\x1b[31m'
SAYS = (
    "10000 draws of all errors (JCGM 101), 95 %; coupling two-sided, all others one-sided toward the bad side. Residuals: the "
    "bench file has no [uncertainty], assumed: class plain: standards without a data sheet, cables of any kind; sizes chosen, no "
    "source"
)
HEAVY = FaultEntry(
    fault="double termination",
    weight=0.93,
    says="The winding is loaded twice (a second 50 ohm load stands beside the one that belongs there): coupling reads too much.",
    try_="Take the load or tee off the sample port, or a resistor out of the box: one 50 ohm load is enough.",
)
OTHER = FaultEntry(
    fault="turns",
    weight=0.05,
    says="A guess: the winding has 64 turns instead of 32.",
    try_="Count the turns: each pass of the wire through the hole is one.",
    needs="count the turns, or measure the resistance across the sample port",
    turns=64,
)


@cache
def bands() -> tuple[Band, ...]:
    return parse_bands(files.read_data_text("bands.toml"), "bands.toml")


def table(level: float = 30.1, tilt: float = -0.2, half: float = 0.1, points: int = 201) -> CouplingTable:
    """A coupling table from 1 to 100 MHz that falls by ``tilt`` over the sweep."""
    hz = np.linspace(1e6, 100e6, points)
    db = level + tilt * (hz / 100e6) ** 2
    return CouplingTable(hz=tuple(hz), db=tuple(db), low=tuple(db - half), high=tuple(db + half))


def unit_proof(unit: str = "CL-0007", level: float = 30.1, **changes: Any) -> Proof:
    """A proof that conforms, unless ``changes`` say otherwise."""
    figures = {
        "coupling_db": Figure(
            value=level, low=level - 0.104, high=level + 0.104, tolerance=(29, 31), decision="conforms", probability=1
        ),
        "return_loss_db": Figure(value=33.4, low=31.04, tolerance=(25, None), decision="conforms"),
        "flatness_db": Figure(value=0.15, high=0.21, tolerance=(None, 0.5), decision="conforms"),
        "insertion_loss_db": Figure(value=0.012, high=0.041, tolerance=(None, 0.1), decision="conforms"),
        "swr": Figure(value=1.044, high=1.058, tolerance=(None, 1.1192), decision="conforms"),
    }
    at = tuple(CouplingAt(hz=band.centre_hz, db=level, low=level - 0.104, high=level + 0.104) for band in bands())
    values: dict[str, Any] = {
        "figures": figures,
        "coupling_at": at,
        "coupling_table": table(level),
        "usable_band_hz": (1e6, 90e6),
        "faults": (),
        "drift": None,
        "checks": (Check(name="passive unit", says="power out over power in is at most 0.001 dB", ok=True),),
        "how": {"coupling_db": "S31 of the three-port", "unit": "fitted"},
        "budget": {"coupling_db": (BudgetLine(input="adapter at line out", size="a return loss of 40 dB", share=0.7),)},
        "uncertainty": UncertaintyNote(says=SAYS, residuals=default_residuals(), seed=1, draws=10000),
    }
    return small_proof(unit).model_copy(update=values | changes)


def failed_proof(unit: str = "CL-0004") -> Proof:
    """A unit loaded twice: 6 dB too much, with two explanations."""
    proof = unit_proof(unit, 36.1)
    wrong = proof.figures["coupling_db"].model_copy(update={"decision": "does not conform", "probability": 0.0})
    changes: dict[str, Any] = {
        "decision": "does not conform",
        "probability": 0.0,
        "faults": (HEAVY, OTHER),
        "usable_band_hz": None,
    }
    changes |= {"diagnosis": DiagnosisNote(says="a circuit fitted", explanation="double termination", remainder=remainder())}
    return proof.model_copy(update={**changes, "figures": {**proof.figures, "coupling_db": wrong}})


def remainder(rows: int = 7, far: float = 4.0) -> FitRemainder:
    """What a fit leaves of seven readings; "coupled s21" is ``far`` standard deviations off at the high end."""
    hz = np.geomspace(1e6, 100e6, 40)
    names = ("coupled s11", "coupled s21", "line s11", "line s21", "coupled-far s11", "coupled-far s21", "sample s11")[:rows]
    off = {name: tuple(0.4 + 0.2 * place + 0.3 * np.sin(hz / 1e7 + place) ** 2) for place, name in enumerate(names)}
    off["coupled s21"] = tuple(0.3 + far * (hz / 100e6) ** 2)
    return FitRemainder(hz=tuple(hz), off=off, band_hz=(80e6, 100e6))


def wordy_proof() -> Proof:
    """A unit of which there is more to say than a page holds: faults, failed checks, drift, and remarks of many words."""
    proof = failed_proof()
    words = "The lid was off, and the cable of the sample port lay on the bench. "
    checks = tuple(Check(name=f"coupled {count}", says=words * 3, ok=False) for count in range(9))
    long = {"says": words * 5, "try_": words * 5, "needs": words * 5}
    told = proof.circumstances.model_copy(update={"note": words * 60, "who": words * 4, "analyser": words * 4})
    others = tuple(OTHER.model_copy(update={"fault": name, **long}) for name in ("turns", "wrong core", "high-resistance joint"))
    type_ = proof.type.model_copy(update={"type": proof.type.type.model_copy(update={"title": words * 3})})
    found = drift(changed=words * 20).model_dump()
    changes = {"checks": checks, "circumstances": told, "faults": (HEAVY, *others), "drift": found, "type": type_}
    return proof.model_copy(update=changes)


def hostile_proof() -> Proof:
    """Names that would break out of a page, a title of 200 characters, and words without a space."""
    proof = failed_proof(HOSTILE)
    type_ = proof.type.model_copy(update={"type": proof.type.type.model_copy(update={"title": "W" * 160 + HOSTILE[:40]})})
    told = proof.circumstances.model_copy(update={"note": HOSTILE + "n" * 100, "who": HOSTILE, "analyser": HOSTILE})
    return proof.model_copy(update={"type": type_, "circumstances": told, "batch": HOSTILE})


def sweeps(points: int = 201, *, far: bool = True) -> dict[str, Sweep]:
    """The corrected sweeps that a sheet draws: the three-port, and "coupled-far" where it was swept."""
    hz = np.linspace(1e6, 100e6, points)
    match = 0.02 * (hz / 100e6) * np.exp(1j * hz / 1e7)
    s = np.zeros((points, 3, 3), dtype=np.complex128)
    s[:, 0, 0], s[:, 1, 1] = match, 0.8 * match
    s[:, 0, 1] = s[:, 1, 0] = 10 ** (-0.01 * (hz / 100e6) / 20)
    found = {"unit": Sweep.from_matrix("unit", hz, s)}
    if far:
        found["coupled-far"] = Sweep("coupled-far", hz, {"s11": match}, 2)
    return found


def curve(name: str, unit: str, change: Curve, threshold: Curve, points: int = 60) -> DriftCurve:
    """A curve of a change from 1.8 to 54 MHz; ``change`` and ``threshold`` are of 0 to 1 along the band."""
    place = np.linspace(0, 1, points)
    hz = tuple(1.8e6 + 52.2e6 * place)
    return DriftCurve(name=name, unit=unit, hz=hz, change=tuple(change(place)), threshold=tuple(threshold(place)))


def drift(**changes: Any) -> Drift:
    """A drift record with every part."""
    values: dict[str, Any] = {
        "reference": "0123456789ab",
        "reference_when": "2023-05-04T10:11:12+02:00",
        "drifted": True,
        "tests": (
            DriftTest(
                name="largest deviation", says="in standard deviations", statistic=5.2, threshold=3.6, p=0.0005, drifted=True
            ),
            DriftTest(name="five features", says="chi-square", statistic=9.1, threshold=13.2, p=0.1, drifted=False),
        ),
        "changed": "Coupling fell by 0.2 dB.",
        "features": (
            DriftFeature(name="level", unit="dB", value=-0.203, low=-0.264, high=-0.142),
            DriftFeature(name="delay", unit="ps", value=3.2, low=-5.9, high=12.3),
        ),
        "where_hz": (30e6, 54e6),
        "curves": (
            curve("coupling", "dB", lambda x: -0.2 - 0.1 * x**2, lambda x: 0.15 + 0.05 * x),
            curve("match of line in, imaginary part", "of a total reflection", lambda x: 0.004 * x, lambda x: 0.003 + 0 * x),
        ),
        "explanation": (DriftExplanation(fault="cracked core", weight=0.72, says="The core has a gap of about 0.02 mm."),),
        "conforms": "conforms",
        "stated": ("Another calibration.",),
        "trend": DriftTrend(
            proofs=3, years=1.5, db_per_year=-0.1, low=-0.2, high=0.0, says="Level over 3 proofs: −0.10 dB a year."
        ),
    }
    return Drift(**(values | changes))


def type_of(**changes: Any) -> Any:
    """The shipped type with changes of its build."""
    type_ = read_type("hf30")
    return type_.model_copy(update={"build": type_.build.model_copy(update=changes)})
