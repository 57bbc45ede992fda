"""Frozen values that everything else speaks in: sweeps, hook-ups, figures, and the models of the files people write.

Nothing here reads a path: the file models are parsed from text that an edge has opened and bounded.
"""

from harness.records.bench_file import Adapter, AnalyserEntry, Bench, LoadEntry, SimulatedEntry, parse_bench
from harness.records.calibration import CalibrationRecord
from harness.records.characterisation import Characterised
from harness.records.figure import (
    BudgetLine,
    CouplingAt,
    CouplingTable,
    Decision,
    FaultEntry,
    Figure,
    Interval,
    UncertaintyNote,
)
from harness.records.hookup import ANALYSER_1, ANALYSER_2, LINE_IN, LINE_OUT, SAMPLE, HookUp, Join
from harness.records.proof import PROOF_SCHEMA, Proof, parse_proof
from harness.records.reading import LoggedReading, parse_reading
from harness.records.residuals import KITS, Residuals, UncertaintyEntry, default_residuals
from harness.records.sweep import Grid, Settings, Sweep, Trace
from harness.records.type_file import SamplerType, parse_type

__all__ = [
    "ANALYSER_1",
    "ANALYSER_2",
    "KITS",
    "LINE_IN",
    "LINE_OUT",
    "PROOF_SCHEMA",
    "SAMPLE",
    "Adapter",
    "AnalyserEntry",
    "Bench",
    "BudgetLine",
    "CalibrationRecord",
    "Characterised",
    "CouplingAt",
    "CouplingTable",
    "Decision",
    "FaultEntry",
    "Figure",
    "Grid",
    "HookUp",
    "Interval",
    "Join",
    "LoadEntry",
    "LoggedReading",
    "Proof",
    "Residuals",
    "SamplerType",
    "Settings",
    "SimulatedEntry",
    "Sweep",
    "Trace",
    "UncertaintyEntry",
    "UncertaintyNote",
    "default_residuals",
    "parse_bench",
    "parse_proof",
    "parse_reading",
    "parse_type",
]
