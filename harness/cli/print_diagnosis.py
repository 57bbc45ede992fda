"""A diagnosis as text: what fits the sweeps, each named fault in the builder's words, what to do, and what would decide."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap

from harness.operators.terminal import plain
from harness.records import FaultEntry, Proof
from harness.records.figure_text import probability_text
from harness.records.proof_diagnosis import DiagnosisNote

WIDTH = 100
HEALTHY, A_HEALTHY_BUILD = "healthy", "a healthy build"
UNEXPLAINED = "unexplained"
FROM_FOLDER = "from folder"
FILES = {"(sample)": "sample.s1p", "(coupled-far)": "coupled-far.s2p"}


def diagnosis_lines(proof: Proof) -> list[str]:
    """Return the lines that tell a proof's diagnosis, and the remarks in its record; none where it has neither."""
    lines = [] if proof.diagnosis is None else _wrapped("  fits  ", "        ", _what_fits(proof, proof.diagnosis))
    for fault in proof.faults:
        says, *more = fault_sentences(fault, proof)
        lines += _wrapped("  ? ", "    ", says)
        lines += [line for each in more for line in _wrapped("    ", "    ", each)]
    if proof.circumstances.note:
        lines += _wrapped("  note  ", "        ", proof.circumstances.note)
    return ["", *lines] if lines else []


def short_lines(proof: Proof) -> list[str]:
    """Return the lines that stand under a unit of a batch: its named faults, and the remarks in its record."""
    told = [" ".join(fault_sentences(fault, proof)) for fault in proof.faults]
    if proof.circumstances.note:
        told.append(f"Note: {proof.circumstances.note}")
    return [line for each in told for line in _wrapped(" " * 9, " " * 11, each)]


def fault_sentences(fault: FaultEntry, proof: Proof) -> list[str]:
    """Return what a fault looks like and how probable it is, what to do, and what would decide where that is open."""
    found = [f"{fault.says} ({fault.fault}, probability {probability_text(fault.weight)})", fault.try_]
    if fault.needs is not None:
        found.append(f"What would decide: {fault.needs}.{_which_file(fault.needs, proof)}")
    return found


def _which_file(needs: str, proof: Proof) -> str:
    """Return which file to add to a folder of sweeps, where one is asked for."""
    wanted = next((file for name, file in FILES.items() if name in needs), None)
    if wanted is None or proof.circumstances.sequence != FROM_FOLDER:
        return ""
    return f" Add {wanted} to the folder, and prove again."


def _what_fits(proof: Proof, found: DiagnosisNote) -> str:
    if not found.explanation:
        return f"faults were {found.says}"
    told = _explanations(proof, found)
    core = "" if found.core == "not distinguishable" else f", core {found.core}"
    return f"{told}: {', '.join(_circuit(proof))}{core}"


def _explanations(proof: Proof, found: DiagnosisNote) -> str:
    """Return the explanation that the circuit belongs to; before it that nothing known fits, or beside it the healthy one."""
    if proof.faults and proof.faults[0].fault == UNEXPLAINED:
        return f"nothing known ({probability_text(proof.faults[0].weight)}); nearest is {_called(found.explanation)}"
    names = [found.explanation] if proof.faults else list(dict.fromkeys((found.explanation, HEALTHY)))
    return " or ".join(f"{_called(name)} ({probability_text(found.weights.get(name, 0.0))})" for name in names)


def _called(explanation: str) -> str:
    return A_HEALTHY_BUILD if explanation == HEALTHY else explanation.replace(" + ", " and ")


def _circuit(proof: Proof) -> Sequence[str]:
    words = (
        ("turns", "{:.0f} turns"),
        ("a_l_nh", "A_L {:.0f} nH"),
        ("leakage_nh", "leakage {:.0f} nH"),
        ("winding_pf", "winding {:.1f} pF"),
        ("resistor_ohm", "{:.1f} Ω inside"),
    )
    return [text.format(value) for key, text in words if (value := proof.circuit.get(key)) is not None]


def _wrapped(first: str, rest: str, text: str) -> list[str]:
    """Return text in lines; what would steer a terminal is shown as escapes, for notes may come from anywhere."""
    return wrap(plain(text), WIDTH, initial_indent=first, subsequent_indent=rest)
