"""Calibration: error terms, correction, loads, verification. The raw data come from cascaded networks (calibration_boxes).

Outside sources: scikit-rf's own calibrations (OnePort, EnhancedResponse, TwoPortOnePath, SOLT) and its network algebra; the
sizes of the errors of one-path corrections follow from the textbook formula for the input reflection of a terminated two-port,
Γin = S11 + S12·S21·Γr/(1 − S22·Γr).
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from numpy.typing import NDArray
from skrf.calibration import SOLT, EnhancedResponse, OnePort, TwoPortOnePath

from harness.calibration import (
    Calibration,
    build,
    correct,
    fits,
    ideal_reflection,
    ideal_thru,
    solve,
    verify,
)
from harness.errors import CalibrationError, DataError
from harness.records import CalibrationRecord, Sweep, parse_bench
from harness.records.bench_file import OpenModel, StandardsEntry
from harness.touchstone import read_sweep, write_sweep
from tests.calibration_boxes import (
    REAL_STANDARDS,
    Instrument,
    network,
    random_unit,
    reflections,
    standard,
    thru,
    two_port,
)

HZ = np.linspace(1e6, 100e6, 51)
IDEAL = StandardsEntry()
FULL = ("s11", "s21", "s12", "s22")


def worst_db(error: NDArray[np.complex128]) -> float:
    """Return the largest magnitude in dB."""
    return 20 * float(np.log10(np.max(np.abs(error))))


def record(paths: str = "one-path", standards: StandardsEntry = REAL_STANDARDS, loads: tuple[str, ...] = ()) -> CalibrationRecord:
    """Return the record of a calibration made at noon."""
    return CalibrationRecord.model_construct(
        id="c1",
        bench="shack",
        analyser="analyser,1",
        made="2024-05-01T12:00:00+00:00",
        paths=paths,
        standards=standards,
        loads=loads,
    )


# Standards


@pytest.mark.parametrize("kind", ["short", "open", "load"])
def test_models_of_the_standards_against_scikit_rf(kind: str) -> None:
    assert np.allclose(ideal_reflection(kind, REAL_STANDARDS, HZ), standard(kind, REAL_STANDARDS, HZ), atol=1e-12)


def test_standards_are_ideal_unless_said() -> None:
    assert np.allclose(ideal_reflection("open", IDEAL, HZ), 1)
    assert np.allclose(ideal_reflection("short", IDEAL, HZ), -1)
    assert np.allclose(ideal_reflection("load", IDEAL, HZ), 0)
    assert np.allclose(ideal_thru(IDEAL, HZ), 1)
    assert np.allclose(ideal_thru(REAL_STANDARDS, HZ), thru(REAL_STANDARDS, HZ).s[:, 1, 0])


# Solving


@pytest.mark.parametrize("paths", ["one-path", "two-path"])
@pytest.mark.parametrize("seed", range(5))
def test_terms_are_found_again(paths: str, seed: int) -> None:
    instrument = Instrument(seed, HZ)
    terms = solve(instrument.calibration(REAL_STANDARDS, paths), REAL_STANDARDS, paths)
    boxes = [(terms.forward, instrument.forward)]
    if paths == "two-path":
        assert terms.reverse is not None
        boxes.append((terms.reverse, instrument.reverse))
    else:
        assert terms.reverse is None
    for found, box in boxes:
        assert np.allclose(found.directivity, box.before.s[:, 0, 0], atol=1e-9)
        assert np.allclose(found.source_match, box.before.s[:, 1, 1], atol=1e-9)
        assert np.allclose(found.reflection_tracking, box.before.s[:, 0, 1], atol=1e-9)
        assert np.allclose(found.receiver_match, box.behind.s[:, 0, 0], atol=1e-9)
        assert np.allclose(found.transmission_tracking, box.behind.s[:, 1, 0], atol=1e-9)
        assert np.allclose(found.isolation, box.leak, atol=1e-9)
    assert np.array_equal(terms.receiver_match, terms.forward.receiver_match)
    assert terms.paths == paths


def test_without_an_isolation_sweep_isolation_is_zero() -> None:
    terms = solve(Instrument(1, HZ).calibration(IDEAL, isolation=False), IDEAL, "one-path")
    assert not terms.forward.isolation.any()


def test_one_port_files_of_analyser_2_may_name_their_trace_s11() -> None:
    raw = Instrument(2, HZ).calibration(IDEAL, "two-path")
    renamed = {
        name: Sweep(name, HZ, {"s11": sweep.trace("s22")}, 1) if name.endswith("-2") else sweep for name, sweep in raw.items()
    }
    one, other = solve(raw, IDEAL, "two-path"), solve(renamed, IDEAL, "two-path")
    assert one.reverse is not None
    assert other.reverse is not None
    assert np.array_equal(one.reverse.directivity, other.reverse.directivity)


def test_missing_sweep_and_other_grid_are_named() -> None:
    raw = Instrument(1, HZ).calibration(IDEAL)
    with pytest.raises(CalibrationError, match="no sweep cal-open"):
        solve({name: sweep for name, sweep in raw.items() if name != "cal-open"}, IDEAL, "one-path")
    with pytest.raises(CalibrationError, match="no sweep cal-short-2, cal-open-2, cal-load-2"):
        solve(raw, IDEAL, "two-path")
    other = Instrument(1, np.linspace(1e6, 50e6, 51)).calibration(IDEAL)
    with pytest.raises(CalibrationError, match="cal-thru has 51 points, 1 MHz to 50 MHz"):
        solve({**raw, "cal-thru": other["cal-thru"]}, IDEAL, "one-path")
    with pytest.raises(DataError, match="cal-thru has no S21"):
        solve({**raw, "cal-thru": Sweep("cal-thru", HZ, {"s11": raw["cal-thru"].trace("s11")}, 2)}, IDEAL, "one-path")


def test_the_same_sweep_for_every_standard_cannot_be_solved() -> None:
    raw = Instrument(1, HZ).calibration(IDEAL)
    same = dict.fromkeys(("cal-short", "cal-open", "cal-load"), raw["cal-open"])
    with pytest.raises(CalibrationError, match="look the same"):
        solve({**raw, **same}, IDEAL, "one-path")


# Correction


@pytest.mark.parametrize("seed", range(5))
def test_two_path_correction_finds_the_unit(seed: int) -> None:
    instrument, unit = Instrument(seed, HZ), random_unit(seed, HZ)
    terms = solve(instrument.calibration(REAL_STANDARDS, "two-path"), REAL_STANDARDS, "two-path")
    corrected = correct(instrument.two_ports("line", unit, "two-path"), terms)
    assert np.allclose(corrected.matrix(), unit.s, atol=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_one_path_correction_gives_the_two_readings(seed: int) -> None:
    instrument, unit = Instrument(seed, HZ), random_unit(seed, HZ)
    terms = solve(instrument.calibration(REAL_STANDARDS), REAL_STANDARDS, "one-path")
    corrected = correct(instrument.two_ports("line", unit), terms)
    receiver = instrument.forward.behind.s[:, 0, 0]
    s11, s12, s21, s22 = unit.s[:, 0, 0], unit.s[:, 0, 1], unit.s[:, 1, 0], unit.s[:, 1, 1]
    assert sorted(corrected.traces) == ["s11", "s21"]
    assert np.allclose(corrected.trace("s11"), s11 + s12 * s21 * receiver / (1 - s22 * receiver), atol=1e-9)
    assert np.allclose(corrected.trace("s21"), s21 / (1 - s22 * receiver), atol=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_readings_are_column_one_of_the_terminated_three_port(seed: int) -> None:
    # (I − S·Γ)⁻¹·S with Γ = 0 at the driven port, the receiver's at the receiving port, a load at the third.
    rng = np.random.default_rng(seed)
    s = (rng.normal(size=(HZ.size, 3, 3)) + 1j * rng.normal(size=(HZ.size, 3, 3))) / 6
    instrument, load = Instrument(seed, HZ), 0.03 * np.exp(2j * np.pi * HZ * 1e-9)
    receiver = instrument.forward.behind.s[:, 0, 0]
    two = s[:, :2, :2] + (s[:, :2, 2:] @ s[:, 2:, :2]) * (load / (1 - s[:, 2, 2] * load))[:, None, None]
    terms = solve(instrument.calibration(IDEAL), IDEAL, "one-path")
    corrected = correct(instrument.two_ports("line", network(HZ, two)), terms)
    ends = np.zeros((HZ.size, 3, 3), dtype=np.complex128)
    ends[:, 1, 1], ends[:, 2, 2] = receiver, load
    readings = np.linalg.solve(np.eye(3) - s @ ends, s)[:, :, 0]
    assert np.allclose(corrected.trace("s11"), readings[:, 0], atol=1e-9)
    assert np.allclose(corrected.trace("s21"), readings[:, 1], atol=1e-9)


def test_one_port_sweeps_give_s11_only() -> None:
    instrument = Instrument(4, HZ)
    terms = solve(instrument.calibration(IDEAL), IDEAL, "one-path")
    gamma = 0.4 * np.exp(-2j * np.pi * HZ * 3e-9)
    corrected = correct(instrument.one_port("sample", gamma), terms)
    assert list(corrected.traces) == ["s11"]
    assert np.allclose(corrected.trace("s11"), gamma, atol=1e-9)


def test_what_two_paths_did_not_measure_stays_absent() -> None:
    instrument, unit = Instrument(5, HZ), random_unit(5, HZ)
    terms = solve(instrument.calibration(IDEAL, "two-path"), IDEAL, "two-path")
    corrected = correct(Sweep("line", HZ, instrument.traces(unit, ("s11", "s21")), 2), terms)
    assert sorted(corrected.traces) == ["s11", "s21"]
    with pytest.raises(DataError, match="no S11"):
        correct(Sweep("line", HZ, instrument.traces(unit, ("s21",)), 2), terms)


def test_sweep_on_another_grid_is_refused() -> None:
    terms = solve(Instrument(1, HZ).calibration(IDEAL), IDEAL, "one-path")
    other = Instrument(1, np.linspace(1e6, 90e6, 51))
    with pytest.raises(CalibrationError, match="1 MHz to 90 MHz; the calibration has 51 points, 1 MHz to 100 MHz"):
        correct(other.one_port("sample", np.zeros(51, dtype=np.complex128)), terms)


def as_two_port(sweep: Sweep) -> object:
    """Return a sweep as scikit-rf wants it; what was not measured is zero."""
    nothing = np.zeros(HZ.size, dtype=np.complex128)
    return two_port(HZ, *(sweep.traces.get(key, nothing) for key in FULL))


def rows_for_scikit_rf(raw: dict[str, Sweep], paths: str) -> tuple[list[object], list[object]]:
    """Return (measured, ideals) of short, open, load, thru as two-ports."""
    nothing = np.zeros(HZ.size, dtype=np.complex128)
    kinds = ("short", "open", "load")
    other = [raw[f"cal-{kind}-2"].trace("s22") if paths == "two-path" else nothing for kind in kinds]
    measured = [reflections(HZ, raw[f"cal-{kind}"].trace("s11"), second) for kind, second in zip(kinds, other, strict=True)]
    ideals = [reflections(HZ, standard(kind, REAL_STANDARDS, HZ), standard(kind, REAL_STANDARDS, HZ)) for kind in kinds]
    return [*measured, as_two_port(raw["cal-thru"])], [*ideals, thru(REAL_STANDARDS, HZ)]


def test_against_scikit_rf_applying_its_own_calibration() -> None:
    instrument, unit = Instrument(7, HZ, noise_db=-80), random_unit(7, HZ)
    raw = instrument.calibration(REAL_STANDARDS, isolation=False)
    sweep = instrument.two_ports("line", unit)
    terms = solve(raw, REAL_STANDARDS, "one-path")
    ours = correct(sweep, terms)
    measured, ideals = rows_for_scikit_rf(raw, "one-path")
    with pytest.warns(UserWarning, match="partial"):
        theirs = EnhancedResponse(measured, ideals, n_thrus=1).apply_cal(as_two_port(sweep))
    assert np.allclose(ours.trace("s11"), theirs.s[:, 0, 0], atol=1e-12)
    # The library puts a raw S22 of zero into the 12-term formulas and so corrects for c = (0 − Ed)/Er, a reflection that
    # nobody measured. With that factor taken out of its S21 what stays is the wave into the receiver.
    path = terms.forward
    c = -path.directivity / path.reflection_tracking
    factor = (1 + c * (path.source_match - path.receiver_match)) / (1 + c * path.source_match)
    assert np.allclose(ours.trace("s21"), theirs.s[:, 1, 0] / factor, atol=1e-12)
    assert worst_db(factor - 1) > -60
    one = OnePort([entry.s11 for entry in measured[:3]], [entry.s11 for entry in ideals[:3]])
    gamma = instrument.one_port("sample", unit.s[:, 0, 0])
    corrected = correct(gamma, terms)
    theirs_one = one.apply_cal(network(HZ, gamma.trace("s11").reshape(-1, 1, 1)))
    assert np.allclose(corrected.trace("s11"), theirs_one.s[:, 0, 0], atol=1e-12)


def test_two_path_against_scikit_rf_applying_its_own_calibration() -> None:
    instrument, unit = Instrument(8, HZ, noise_db=-80), random_unit(8, HZ)
    raw = instrument.calibration(REAL_STANDARDS, "two-path", isolation=False)
    sweep = instrument.two_ports("line", unit, "two-path")
    measured, ideals = rows_for_scikit_rf(raw, "two-path")
    theirs = SOLT(measured, ideals, n_thrus=1).apply_cal(as_two_port(sweep))
    ours = correct(sweep, solve(raw, REAL_STANDARDS, "two-path"))
    assert np.allclose(ours.matrix(), theirs.s, atol=1e-12)


def test_turning_the_unit_round_agrees_with_the_readings() -> None:
    # TwoPortOnePath with the pair of orientations is an independent way to the same unit.
    instrument, unit = Instrument(9, HZ), random_unit(9, HZ)
    raw = instrument.calibration(REAL_STANDARDS, isolation=False)
    terms = solve(raw, REAL_STANDARDS, "one-path")
    measured, ideals = rows_for_scikit_rf(raw, "one-path")
    leak = two_port(HZ, 0 * HZ, instrument.forward.leak, instrument.forward.leak, 0 * HZ)
    there, back = instrument.two_ports("line", unit), instrument.two_ports("line", unit.flipped())
    full = TwoPortOnePath(measured, ideals, n_thrus=1, isolation=leak).apply_cal((as_two_port(there), as_two_port(back))).s
    with_leak = solve({**raw, **instrument.calibration(REAL_STANDARDS)}, REAL_STANDARDS, "one-path")
    reading = correct(there, with_leak)
    assert np.allclose(full, unit.s, atol=1e-9)
    assert np.allclose(reading.trace("s21"), full[:, 1, 0] / (1 - full[:, 1, 1] * terms.receiver_match), atol=1e-7)


# What one orientation can and cannot do


def test_size_of_the_errors_of_each_correction() -> None:
    """A good line, a receiver of 20 dB, noise at −90 dB; in the last line the far port sits on a load of 44 dB."""
    line = two_port(HZ, 0 * HZ, np.exp(-2j * np.pi * HZ * 0.4e-9), np.exp(-2j * np.pi * HZ * 0.4e-9), 0 * HZ)
    instrument = Instrument(11, HZ, noise_db=-90, receiver_db=-20)
    raw = instrument.calibration(IDEAL, "two-path")
    one_path = {name: Sweep(name, HZ, _one_path(sweep), sweep.ports) for name, sweep in raw.items()}
    one = solve(one_path, IDEAL, "one-path")
    enhanced = correct(instrument.two_ports("line", line), one)
    # The receiver's own match stands in for the line's: its largest magnitude, whatever the line is.
    receiver_db = worst_db(instrument.forward.behind.s[:, 0, 0])
    assert worst_db(enhanced.trace("s11")) == pytest.approx(receiver_db, abs=0.1)
    assert -23 < receiver_db <= -20
    assert worst_db(enhanced.trace("s21") - line.s[:, 1, 0]) < -75

    full = correct(instrument.two_ports("line", line, "two-path"), solve(raw, IDEAL, "two-path"))
    assert worst_db(full.matrix()[:, 0, 0]) < -75

    measured, _ = rows_for_scikit_rf(one_path, "one-path")
    turned = TwoPortOnePath(measured, [*_ideal_reflections(), thru(IDEAL, HZ)], n_thrus=1).apply_cal(
        (as_two_port(instrument.two_ports("line", line)), as_two_port(instrument.two_ports("line", line.flipped())))
    )
    assert worst_db(turned.s[:, 0, 0]) < -70

    load = np.full(HZ.size, 10 ** (-44 / 20), dtype=np.complex128)
    on_load = instrument.one_port("coupled", line.s[:, 1, 0] ** 2 * load)
    assert worst_db(correct(on_load, one).trace("s11")) == pytest.approx(-44, abs=0.5)


def _one_path(sweep: Sweep) -> dict[str, NDArray[np.complex128]]:
    return {key: trace for key, trace in sweep.traces.items() if key in ("s11", "s21")} or dict(sweep.traces)


def _ideal_reflections() -> list[object]:
    one = np.ones(HZ.size, dtype=np.complex128)
    return [reflections(HZ, gamma, gamma) for gamma in (-one, one, 0 * one)]


@pytest.mark.parametrize(("receiver_db", "error_db"), [(-20.0, 0.67), (-32.0, 0.18)])
def test_receiver_match_against_a_total_reflection(receiver_db: float, error_db: float) -> None:
    # A sample port without a resistor reflects nearly everything: S33 = (2N² − 1)/(2N² + 1) for N = 32 turns, textbook ideal
    # transformer. T/S31 = 1/(1 − S33·Γr) is wrong by at most these dB; the reading holds it, and knowing S33 takes it out.
    turns = 32
    s33 = (2 * turns**2 - 1) / (2 * turns**2 + 1)
    coupling = 2 * turns / (2 * turns**2 + 1)
    unit = two_port(HZ, 0 * HZ, coupling + 0 * HZ, coupling + 0 * HZ, s33 + 0 * HZ)
    worst = []
    for seed in range(20):
        instrument = Instrument(seed, HZ, receiver_db=receiver_db)
        terms = solve(instrument.calibration(IDEAL), IDEAL, "one-path")
        reading = correct(instrument.two_ports("coupled", unit), terms).trace("s21")
        worst.append(float(np.max(np.abs(20 * np.log10(np.abs(reading) / coupling)))))
        assert np.allclose(reading * (1 - s33 * terms.receiver_match), coupling, atol=1e-9)
    largest = -20 * np.log10(1 - s33 * 10 ** (receiver_db / 20))
    assert max(worst) <= largest + 1e-6
    assert max(worst) > error_db


# Mistakes that the algebra does not see


def test_the_algebra_takes_short_and_open_swapped_without_a_word() -> None:
    instrument = Instrument(12, HZ, noise_db=-90)
    raw = instrument.calibration(IDEAL)
    swapped = solve({**raw, "cal-short": raw["cal-open"], "cal-open": raw["cal-short"]}, IDEAL, "one-path")
    gamma = instrument.one_port("sample", np.full(HZ.size, 0.5, dtype=np.complex128))
    assert np.allclose(correct(gamma, swapped).trace("s11"), -0.5, atol=1e-3)


def test_the_algebra_takes_the_open_measured_twice_without_a_word() -> None:
    instrument = Instrument(13, HZ, noise_db=-90)
    raw = instrument.calibration(IDEAL)
    twice = {**raw, "cal-short": instrument.one_port("cal-short", standard("open", IDEAL, HZ))}
    terms = solve(twice, IDEAL, "one-path")
    gamma = correct(instrument.one_port("sample", np.full(HZ.size, 0.5, dtype=np.complex128)), terms).trace("s11")
    assert np.isfinite(gamma).all()
    assert float(np.min(np.abs(gamma - 0.5))) > 0.3


# Building from what is stored


def test_build_from_touchstone_texts_with_loads() -> None:
    instrument = Instrument(14, HZ)
    gamma = 0.03 * np.exp(-2j * np.pi * HZ * 1e-9)
    raw = {**instrument.calibration(REAL_STANDARDS, "two-path"), "load-A": instrument.one_port("load-A", gamma)}
    stored = {name: read_sweep(write_sweep(sweep), name, sweep.ports, name) for name, sweep in raw.items()}
    built = build(record("two-path", loads=("A",)), stored)
    again = build(record("two-path", loads=("A",)), raw)
    assert np.allclose(built.loads["A"], gamma, atol=1e-9)
    assert np.array_equal(built.terms.forward.source_match, again.terms.forward.source_match)
    assert np.array_equal(built.frequency_hz, HZ)
    with pytest.raises(CalibrationError, match="load B was swept, but the sweep load-B is missing"):
        build(record("two-path", loads=("A", "B")), raw)


# Verification


def made(paths: str = "one-path", seed: int = 15) -> tuple[Instrument, Calibration]:
    """Return an instrument with noise at −80 dB and its calibration with load A."""
    instrument = Instrument(seed, HZ, noise_db=-80)
    load = instrument.one_port("load-A", np.full(HZ.size, 0.03 + 0.01j))
    raw = {**instrument.calibration(REAL_STANDARDS, paths), "load-A": load}
    return instrument, build(record(paths, loads=("A",)), raw)


@pytest.mark.parametrize("paths", ["one-path", "two-path"])
def test_verification_passes_and_says_how_close(paths: str) -> None:
    instrument, calibration = made(paths)
    again = verify("thru", instrument.two_ports("verify-thru", thru(REAL_STANDARDS, HZ), paths), calibration, 40)
    load = verify("load A", instrument.one_port("verify-load", np.full(HZ.size, 0.03 + 0.01j)), calibration, 40)
    model = verify("load", instrument.one_port("verify", standard("load", REAL_STANDARDS, HZ)), calibration, 40)
    for seen in (again, load, model):
        assert seen.ok
        assert -85 < seen.error_db < -55
        assert "allowed is at most -40.0 dB" in seen.says


@pytest.mark.parametrize(("off_db", "ok"), [(-46.0, True), (-39.0, False), (-30.0, False)])
def test_verification_measures_the_change(off_db: float, ok: bool) -> None:
    instrument, calibration = made()
    gamma = np.full(HZ.size, 0.03 + 0.01j) + 10 ** (off_db / 20)
    seen = verify("load A", instrument.one_port("verify-load", gamma), calibration, 40)
    assert seen.ok is ok
    assert seen.error_db == pytest.approx(off_db, abs=0.3)
    assert seen.trace == "s11"
    assert bool(seen.hint) is not ok


def test_verification_of_the_thru_sees_a_change_of_level() -> None:
    instrument, calibration = made()
    weaker = thru(REAL_STANDARDS, HZ)
    weaker.s = weaker.s * 10 ** (-0.2 / 20)
    seen = verify("thru", instrument.two_ports("verify-thru", weaker, "one-path"), calibration, 40)
    assert not seen.ok
    assert seen.trace == "s21"
    assert seen.error_db == pytest.approx(20 * np.log10(1 - 10 ** (-0.2 / 20)), abs=0.3)


def test_verification_with_what_the_calibration_does_not_know() -> None:
    instrument, calibration = made()
    sweep = instrument.one_port("verify", np.zeros(HZ.size, dtype=np.complex128))
    with pytest.raises(CalibrationError, match="load B is not part of calibration c1; it knows A"):
        verify("load B", sweep, calibration, 40)
    with pytest.raises(CalibrationError, match="open is no verification standard"):
        verify("open", sweep, calibration, 40)


# Does it fit?

BENCH = """
[bench]
name = "shack"
[analyser]
address = "simulated://"
dialect = "plain"
[sweep]
low = "1 MHz"
high = "100 MHz"
points = 51
"""


def reasons(calibration: Calibration, **changes: object) -> tuple[str, ...]:
    """Return why a calibration made at noon does not fit at one, with changes to what is asked."""
    text = str(changes.pop("bench", BENCH))
    asked = {
        "bench": parse_bench(text, "bench.toml"),
        "identity": "analyser,1",
        "frequency_hz": HZ,
        "now": datetime(2024, 5, 1, 13, tzinfo=UTC),
    }
    return fits(calibration, **{**asked, **changes})  # type: ignore[arg-type]


def test_a_calibration_fits_its_own_bench() -> None:
    _, calibration = made()
    ideal = Calibration(record(standards=IDEAL, loads=("A", "B")), calibration.terms, calibration.loads)
    assert reasons(ideal) == ()
    almost = HZ * (1 + 1e-12)
    assert reasons(ideal, frequency_hz=almost) == ()


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"now": datetime(2024, 5, 1, 20, 1, tzinfo=UTC)}, "8.0 h old; the bench allows 8 h"),
        ({"now": datetime(2024, 5, 1, 11, tzinfo=UTC)}, "the clock was set back"),
        ({"identity": "analyser,2"}, "belongs to the analyser 'analyser,1'; this one says 'analyser,2'"),
        ({"frequency_hz": HZ[:-1]}, "its grid is 51 points"),
        ({"frequency_hz": HZ + 1000.0}, "its grid is 51 points"),
        ({"frequency_hz": HZ[:0]}, "the analyser's is empty"),
        ({"bench": BENCH.replace("shack", "garage")}, "made on the bench shack; this is garage"),
        ({"bench": BENCH.replace('dialect = "plain"', 'dialect = "plain"\npaths = "two-path"')}, "the bench is two-path"),
        ({"bench": BENCH + '[standards.open]\ncapacitance = "50 fF"\n'}, "models of the standards"),
        ({"bench": BENCH + "[loads.A]\n[loads.C]\n"}, "load C swept"),
    ],
)
def test_every_reason_against_a_calibration(changes: dict[str, object], said: str) -> None:
    _, calibration = made()
    ideal = Calibration(record(standards=IDEAL, loads=("A", "B")), calibration.terms, calibration.loads)
    found = reasons(ideal, **changes)
    assert len(found) == 1
    assert said in found[0]


@pytest.mark.parametrize("made_at", ["yesterday", "2024-05-01T12:00:00"])
def test_a_time_that_is_no_time_is_a_reason(made_at: str) -> None:
    _, calibration = made()
    spoilt = calibration.record.model_copy(update={"made": made_at, "standards": IDEAL, "loads": ("A", "B")})
    found = reasons(Calibration(spoilt, calibration.terms, calibration.loads))
    assert len(found) == 1
    assert "not an ISO 8601 time with offset" in found[0]


def test_time_zones_do_not_age_a_calibration() -> None:
    _, calibration = made()
    ideal = Calibration(record(standards=IDEAL, loads=("A", "B")), calibration.terms, calibration.loads)
    east = datetime(2024, 5, 1, 18, tzinfo=timezone(timedelta(hours=5)))
    assert reasons(ideal, now=east) == ()


def test_a_model_with_capacitance_changes_the_open() -> None:
    models = StandardsEntry(open=OpenModel.model_construct(capacitance=1e-12, delay=0.0))
    angle = np.degrees(np.angle(ideal_reflection("open", models, np.array([100e6]))))[0]
    # −2·arctan(ωC·Z0): 2π·100 MHz·1 pF·50 Ω = 0.0314.
    assert angle == pytest.approx(-2 * np.degrees(np.arctan(2 * np.pi * 100e6 * 1e-12 * 50)), abs=1e-9)


def test_the_one_path_terms_are_those_of_scikit_rf() -> None:
    instrument = Instrument(9, HZ, noise_db=-80)
    raw = instrument.calibration(REAL_STANDARDS, isolation=False)
    path = solve(raw, REAL_STANDARDS, "one-path").forward
    measured, ideals = rows_for_scikit_rf(raw, "one-path")
    coefs = EnhancedResponse(measured, ideals, n_thrus=1).coefs
    theirs = {"transmission_tracking": "transmission tracking", "receiver_match": "load match", "source_match": "source match"}
    for ours, name in theirs.items():
        assert np.allclose(getattr(path, ours), coefs[f"forward {name}"], atol=1e-12), ours
