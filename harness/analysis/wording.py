"""How each figure was taken, in words that stand beside it."""

from __future__ import annotations

from collections.abc import Mapping

from harness.analysis.adapters import AdapterModel
from harness.analysis.estimator import Estimate
from harness.analysis.readings import UNIT_SWEEPS, Sweeps, Terminations, is_corrected_both_ways
from harness.analysis.uncertainty import Uncertain
from harness.records import Residuals

LEAST_LEAN_SHOWN = 5e-4
_TAKEN_AS = {
    (1, 1): "S22 was not measured and taken near S11",
    (2, 2): "S33 was not measured: anywhere in abs(S33) ≤ 1, centred at 0",
    (2, 1): "S32 was not measured and taken near −S31",
}


def how_taken(
    sweeps: Sweeps, terminations: Terminations, found: Estimate, adapters: Mapping[str, AdapterModel]
) -> dict[str, str]:
    """Return figure → how it was taken; "unit" tells it of the three-port."""
    used = [name for name in UNIT_SWEEPS if name in sweeps]
    receiver = _receiver(sweeps, terminations)
    match = _line_match(sweeps, terminations, found)
    assumed = [_TAKEN_AS[entry] for entry in found.priors.entries]
    coupling = "; ".join([f"S31 of the three-port from {_and(used)}", receiver, *assumed])
    unit = [
        f"one reciprocal three-port (S12 = S21) fitted to {_and(used)}",
        *(f"load {name} {load.says()}" for name, load in terminations.loads.items() if _is_used(name, used)),
        receiver,
        *assumed,
        f"adapters removed by calculation at {_and(list(adapters))}" if adapters else "nothing removed at the connectors",
    ]
    return {
        "coupling_db": f"middle of largest and smallest over the band; {coupling}",
        "flatness_db": f"half of largest less smallest over the band; {coupling}",
        "return_loss_db": f"worst over the band; {match}",
        "swr": f"worst over the band; {match}",
        "insertion_loss_db": f"worst over the band; S21 of the three-port from {_and(used)}; {receiver}",
        "unit": "; ".join(unit),
    }


def _line_match(sweeps: Sweeps, terminations: Terminations, found: Estimate) -> str:
    load = terminations.loads["A"].says()
    says = f"line in: from coupled with line out on load A, {load}"
    trusted = is_corrected_both_ways(sweeps, "line") or (terminations.receiver is not None and terminations.receiver.measured)
    says += ", and from line" if trusted else "; not from line, whose far end is the receiver"
    if "coupled-far" in sweeps:
        return f"{says}; line out: from coupled-far with line in on load A, {load}; the worse of the two"
    if (1, 1) in found.seen:
        return f"{says}; line out: from line, corrected in both directions; the worse of the two"
    return f"{says}; line out was not measured"


def _receiver(sweeps: Sweeps, terminations: Terminations) -> str:
    one_path = [name for name in UNIT_SWEEPS if name in sweeps and name != "sample" and not is_corrected_both_ways(sweeps, name)]
    if not one_path or terminations.receiver is None:
        return "receiver removed by the two-path correction"
    return f"receiver match {terminations.receiver.says()}"


def _is_used(load: str, used: list[str]) -> bool:
    return load == "A" or (load == "B" and "sample" in used)


def _and(names: list[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def how_sure(uncertain: Uncertain, residuals: Residuals, draws: int) -> str:
    """Return in words how the intervals were made and what sizes they rest on."""
    says = (
        f"{draws} draws of all errors (JCGM 101), 95 %; coupling two-sided, all others one-sided toward the bad side. "
        f"Residuals: {residuals.source}"
    )
    if uncertain.scale != 1.0:
        says += f". Repeats of the hook-ups make connector and cable errors {uncertain.scale:.2f} times the stated ones"
    return says


def with_bias(how: Mapping[str, str], uncertain: Uncertain) -> dict[str, str]:
    """Return ``how`` with what was done about the bias that noise gives to extremes over a band."""
    method = (
        "noise taken off by a cubic spline before the extremes are looked for, where it leaves nothing but noise"
        if uncertain.is_smoothed
        else "extremes of the points as they are: no noise that could be taken off"
    )
    return {
        name: text if name == "unit" else f"{text}; {method}{_lean(uncertain.leans.get(name, 0.0))}" for name, text in how.items()
    }


def _lean(db: float) -> str:
    """Return what was taken off a figure because noise pushes its ends outward, where it shows in the third decimal."""
    return "" if abs(db) < LEAST_LEAN_SHOWN else f"; {db:+.3f} dB taken off, by which noise pushes the ends outward"
