"""What a recheck found, as text in the terminal: drift or not first, then what changed, what fits it, and how it was told."""

from __future__ import annotations

from textwrap import wrap

from pydantic import ValidationError

from harness.cli.output import printable
from harness.records import Proof
from harness.records.drift import Drift

WIDTH = 98


def drift_lines(proof: Proof) -> list[str]:
    """Return the lines that tell a proof's comparison with its reference; none for a proof that is no recheck."""
    if proof.drift is None:
        return []
    try:
        drift = Drift.model_validate(proof.drift)
    except ValidationError:
        return ["  the comparison with the reference proof was written in another form; this version cannot show it"]
    if drift.reference is None:
        return [printable(line) for line in ["", f"  A new reference proof; what was done: {drift.reworked}"]]
    when = (drift.reference_when or "")[:10]
    verdict = "has drifted" if drift.drifted else "no drift"
    lines = ["", f"  {proof.unit} {verdict} since {when} (reference proof {drift.reference}); it {_conforms(drift)}"]
    lines += _wrapped(f"changed: {drift.changed}")
    lines += [line for one in drift.explanation for line in _wrapped(f"? {one.says}")]
    for test in drift.tests:
        sense = "above" if test.drifted else "below"
        lines.append(f"    {test.name:<18} {test.statistic:9.2f}, {sense} the threshold {test.threshold:.2f} (p {_p(test.p)})")
    features = ", ".join(f"{one.name} {one.value:+.3g} ({one.low:+.3g} to {one.high:+.3g}) {one.unit}" for one in drift.features)
    lines += _wrapped(f"coupling: {features}")
    if drift.trend is not None:
        lines += _wrapped(f"trend: {drift.trend.says}")
    lines += [line for said in drift.stated for line in _wrapped(said)]
    return [printable(line) for line in lines]


def _conforms(drift: Drift) -> str:
    return {"conforms": "still conforms", "does not conform": "does not conform", "undecided": "is undecided"}[drift.conforms]


def _p(p: float) -> str:
    return "below 0.001" if p < 0.001 else f"{p:.3f}"


def _wrapped(text: str) -> list[str]:
    return wrap(text, WIDTH, initial_indent="    ", subsequent_indent="      ", break_long_words=False)
