"""What a recheck says: whether a unit has changed since its reference proof, in what, by how much, and what fits the change."""

from __future__ import annotations

from harness.records.fields import FileModel
from harness.records.figure import Decision


class DriftTest(FileModel):
    """One of the two tests. ``statistic`` above ``threshold`` is drift; ``p``: how often no drift gives so much or more."""

    name: str
    says: str
    statistic: float
    threshold: float
    p: float
    drifted: bool


class DriftFeature(FileModel):
    """One feature of the change of the coupling, with its 95 % interval; ``unit``: dB, degrees or ps."""

    name: str
    unit: str
    value: float
    low: float
    high: float


class DriftCurve(FileModel):
    """A curve of the change, now less the reference, and what its size stays below without drift: ``hz``, both in ``unit``."""

    name: str
    unit: str
    hz: tuple[float, ...]
    change: tuple[float, ...]
    threshold: tuple[float, ...]


class DriftExplanation(FileModel):
    """A change of the build that fits: its name among the faults, the probability given to it, one sentence, where it sits."""

    fault: str
    weight: float
    says: str
    where: str | None = None
    size: float | None = None
    unit: str | None = None


class DriftTrend(FileModel):
    """The nominal level of the coupling over all proofs since the reference: dB a year with its 95 % interval."""

    proofs: int
    years: float
    db_per_year: float
    low: float
    high: float
    says: str


class Drift(FileModel):
    """The comparison of a proof with its unit's reference proof; ``Proof.drift`` holds its dump.

    ``reference``: id of the reference proof, None where this proof starts a new one (``reworked`` says what was done).
    ``changed``: in words what changed, where, by how much. ``where_hz``: the range where the change stands out, None for none.
    ``explanation``: what fits it, the likeliest first. ``conforms``: the decision of this proof. ``stated``: what else
    was different between the two proofs, and how it was handled. ``check_standard``: the unit that was measured both times too.
    ``curves``: the coupling's change over frequency with its threshold, then that of the curve that deviates most, if another.
    """

    reference: str | None
    reference_when: str | None = None
    reworked: str | None = None
    drifted: bool = False
    tests: tuple[DriftTest, ...] = ()
    changed: str = ""
    features: tuple[DriftFeature, ...] = ()
    where_hz: tuple[float, float] | None = None
    explanation: tuple[DriftExplanation, ...] = ()
    conforms: Decision
    stated: tuple[str, ...] = ()
    check_standard: str | None = None
    trend: DriftTrend | None = None
    curves: tuple[DriftCurve, ...] = ()
