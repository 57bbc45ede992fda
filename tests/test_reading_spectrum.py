"""Spectra on the line: what each line is, dB below the carrier, and limits.

What a line is: two tones through x + x² + x³, transformed by numpy; the products' places are those of the trigonometric expansion
(x²: 2·f1, 2·f2, f1 + f2, f2 − f1; x³: 3·f1, 3·f2, 2·f1 ± f2, 2·f2 ± f1). Limits: 47 CFR 97.307(d) and (e) as published: below
30 MHz at least 43 dB below the mean power; 30 to 225 MHz at least 60 dB, for 25 W or less at most 25 µW and at least 40 dB, but
no less than 10 µW is asked. Decision: JCGM 106, conformance probability.
"""

from __future__ import annotations

import numpy as np
import pytest

from harness.analysis.reading.chain import Chain
from harness.analysis.reading.limit_file import Limits, allowed_of, parse_limits, rule_of
from harness.analysis.reading.products import carriers_of, product_of
from harness.analysis.reading.spectrum import AskedSpectrum, Spectrum, spectrum
from harness.analysis.reading.unit import Known
from harness.errors import DataError, FileError
from harness.files import read_limits_text
from tests.reading_units import external, ideal

MATCHED = Chain(reflection=0.0, stated=True)
F1, F2 = 7.0, 7.1
"""MHz: the tones, an exact number of the transform's steps of 0.1 MHz apart."""


def shipped() -> Limits:
    return parse_limits(*read_limits_text("us-97.307"))


def ask(
    known: Known, hz: list[float], dbm: list[float], swr: float = 1.0, limits: Limits | None = None, **more: object
) -> Spectrum:
    asked = AskedSpectrum(tuple(hz), tuple(dbm), MATCHED, swr, swr, limits=limits, **more)  # type: ignore[arg-type]
    return spectrum(known, asked)


def lines_of(order: int) -> dict[float, str]:
    """Return frequencies in MHz and the expansion's name of every line that tones at F1 and F2 give through x^order."""
    seconds = np.arange(10_000) / 1000.0  # µs: steps of 0.1 MHz
    signal = np.cos(2 * np.pi * F1 * seconds) + np.cos(2 * np.pi * F2 * seconds)
    found = np.abs(np.fft.rfft(signal**order)) / seconds.size
    return {float(round(at * 0.1, 1)): "" for at in np.flatnonzero(found > 1e-6) if at > 0}


def test_two_tone_products_are_told_from_harmonics() -> None:
    tones = [F1 * 1e6, F2 * 1e6]
    second = {hz: product_of(hz * 1e6, tones) for hz in lines_of(2)}
    third = {hz: product_of(hz * 1e6, tones) for hz in lines_of(3) if hz not in (F1, F2)}
    assert {hz: (one.kind, one.zone, one.order) for hz, one in second.items()} == {
        0.1: ("intermodulation", 0, 2),
        14.0: ("harmonic", 2, 0),
        14.1: ("intermodulation", 2, 2),
        14.2: ("harmonic", 2, 0),
    }
    assert {hz: (one.kind, one.zone, one.order) for hz, one in third.items()} == {
        6.9: ("intermodulation", 1, 3),
        7.2: ("intermodulation", 1, 3),
        21.0: ("harmonic", 3, 0),
        21.1: ("intermodulation", 3, 3),
        21.2: ("intermodulation", 3, 3),
        21.3: ("harmonic", 3, 0),
    }


@pytest.mark.parametrize(
    ("hz", "kind", "zone"),
    [(14.2e6, "harmonic", 2), (21.3e6, "harmonic", 3), (71e6, "harmonic", 10), (10e6, "other", 0), (3.55e6, "other", 0)],
)
def test_harmonics_of_one_carrier_stand_at_its_multiples(hz: float, kind: str, zone: int) -> None:
    found = product_of(hz, [7.1e6])
    assert (found.kind, found.zone) == (kind, zone)


def test_the_carrier_is_the_strongest_line_or_two_tones_beside_each_other() -> None:
    assert carriers_of([7e6, 14e6], [10, -40]) == (0,)
    assert carriers_of([7.001e6, 7e6, 14e6], [9, 10, -40]) == (1, 0)
    assert carriers_of([7e6, 14e6], [10, 8]) == (0,)  # near in level, not in frequency
    assert carriers_of([7e6, 7.001e6], [10, -30]) == (0,)
    assert carriers_of([7e6, 14e6], [10, -40], [14e6]) == (1,)
    for named, says in (([9e6], "no line stands"), ([7e6, 14e6, 21e6], "3 carriers"), ([7e6, 7.001e6], "one line")):
        with pytest.raises(DataError, match=says):
            carriers_of([7e6, 14e6], [10, -40], named)


def test_every_line_is_corrected_with_its_own_coupling() -> None:
    """The table falls by 0.2 dB from 0 to 100 MHz with the square of frequency: 0.0512 dB less at 50.6 MHz than at 0."""
    found = ask(external(), [7e6, 49e6], [10.0, -40.0])
    assert [line.coupling_db for line in found.lines] == pytest.approx([30.1 - 0.2 * 0.07**2, 30.1 - 0.2 * 0.49**2], abs=1e-4)
    assert found.lines[1].below_db.value == pytest.approx(50 + 0.2 * (0.49**2 - 0.07**2), abs=0.05)


def test_intervals_of_a_ratio_hold_both_line_swrs() -> None:
    """Each line ± 10·log10(s) at the extremes: the ratio within twice that, and beyond once."""
    found = ask(ideal(30.0), [7e6, 14e6], [10.0, -40.0], swr=2.0).lines[1].below_db
    assert found.low is not None
    assert found.high is not None
    assert 50 - 6.02 < found.low < 50 - 3.01
    assert 50 + 3.01 < found.high < 50 + 6.02


def test_two_tones_make_a_mean_and_a_peak_envelope_power() -> None:
    """Two equal tones of P/4 PEP each: mean P/2; a product is 6.02 dB further below the PEP than below one tone."""
    found = ask(ideal(30.0), [6.999e6, 7e6, 7.001e6], [-30.0, 10.0, 10.0])
    assert (found.mean.value, found.pep.value) == pytest.approx((20.0, 40.0))
    product = found.lines[0]
    assert product.below_tone_db.value == pytest.approx(40.0)
    assert product.below_db.value == pytest.approx(43.01, abs=0.01)


@pytest.mark.parametrize(
    ("carrier", "mean", "allowed"),
    [
        (14e6, 100.0, 100 * 10**-4.3),
        (14e6, 5.0, 5 * 10**-4.3),
        (50e6, 100.0, 100e-6),
        (50e6, 50.0, 50e-6),
        (50e6, 25.0, 25e-6),
        (50e6, 1.0, 25e-6),
        (50e6, 0.25, 25e-6),
        (50e6, 0.2, 20e-6),
        (50e6, 0.1, 10e-6),
        (50e6, 0.01, 10e-6),
    ],
)
def test_97_307_asks_what_it_says(carrier: float, mean: float, allowed: float) -> None:
    """At 100 W 100 µW and at 50 W 50 µW (60 dB); from 0.25 to 25 W 25 µW; below, 40 dB but never less than 10 µW."""
    rules = shipped().of(carrier, 3 * carrier)
    power = np.array([mean])
    assert allowed_of(rules, power, power)[0] == pytest.approx(allowed, rel=1e-9)
    rule = rule_of(rules, mean)
    assert rule is not None
    assert rule.clause.startswith("97.307(d)" if carrier < 30e6 else "97.307(e)")


def test_no_rule_is_for_a_transmitter_above_225_mhz() -> None:
    assert shipped().of(432e6, 864e6) == ()
    assert "Check your own rules" in shipped().limits.note


@pytest.mark.parametrize(
    ("harmonic", "decision"), [(-60.0, "conforms"), (-20.0, "does not conform"), (-33.0, "undecided"), (-32.5, "undecided")]
)
def test_a_line_near_its_limit_is_undecided(harmonic: float, decision: str) -> None:
    """43 dB below 10 dBm is −33 dBm; at a line SWR of 1.2 either line may be off by 0.79 dB."""
    found = ask(ideal(30.0, 0.1), [7e6, 14e6], [10.0, harmonic], swr=1.2, limits=shipped())
    verdict = found.lines[1].verdict
    assert verdict is not None
    assert (verdict.decision, found.decision) == (decision, decision)
    assert verdict.limit_dbm == pytest.approx(40.0 - 43.0)
    assert verdict.probability == pytest.approx({-60.0: 1, -20.0: 0, -33.0: 0.5}.get(harmonic, 0.3), abs=0.17)


def test_25_w_within_the_interval_are_judged_by_both_clauses() -> None:
    """Just over 25 W 60 dB are asked, 25 µW below: the same at 25 W, so the verdict does not jump."""
    table = ideal(30.0, 0.1)
    for watts in (24.0, 26.0):
        dbm = 10 * np.log10(watts / 1e-3) - 30
        found = ask(table, [50e6, 100e6], [dbm, -48.0], limits=shipped())
        assert found.lines[1].dbm.value == pytest.approx(-18.0)  # 15.8 µW
        assert found.decision == "conforms"


def test_products_beside_the_tones_are_judged_outside_the_necessary_bandwidth_only() -> None:
    hz, dbm = [6.996e6, 6.999e6, 7e6, 7.001e6], [-20.0, -20.0, 10.0, 10.0]
    unsaid = ask(ideal(30.0), hz, dbm, limits=shipped())
    assert [line.verdict.decision for line in unsaid.lines if line.verdict] == [None, None]
    assert unsaid.decision is None
    said = ask(ideal(30.0), hz, dbm, limits=shipped(), bandwidth_hz=6e3)
    assert [line.verdict.decision for line in said.lines if line.verdict] == ["does not conform", None]


def test_beyond_the_sweep_there_is_a_value_and_no_verdict() -> None:
    found = ask(ideal(30.0), [50e6, 150e6], [10.0, -60.0], limits=shipped())
    last = found.lines[1]
    assert (last.where, last.below_db.low) == ("beyond", None)
    assert last.below_db.value == pytest.approx(70.0)
    assert found.decision == "undecided"


@pytest.mark.parametrize("count", [0, 401])
def test_a_whole_trace_is_no_list_of_lines(count: int) -> None:
    with pytest.raises(DataError, match="1 to 400"):
        ask(ideal(), [1e6 + number for number in range(count)], [0.0] * count)


OWN = """
[limits]
name = "own"
title = "harmonics of a club's transmitters"
edition = "June"
[rules.above-30]
clause = "all"
low = "30 MHz"
reference = "pep"
below = "50 dB"
not_below = "50 uW"
"""


def test_a_file_of_ones_own() -> None:
    limits = parse_limits(OWN, "own.toml")
    assert limits.of(7e6, 14e6) == ()
    rule = limits.of(7e6, 35e6)[0]
    assert list(rule.allowed(np.array([1500.0, 100.0]))) == pytest.approx([15e-3, 1e-3])
    assert rule.allowed(np.array([1.0]))[0] == pytest.approx(50e-6)
    found = ask(ideal(30.0), [7e6, 14e6, 35e6], [10.0, 0.0, -50.0], limits=limits)
    assert found.lines[1].verdict is not None
    assert found.lines[1].verdict.why.startswith("no rule of own")
    assert found.decision == "conforms"


@pytest.mark.parametrize(
    ("old", "new", "line", "says"),
    [
        ('below = "50 dB"\n', "", 6, "below or most is missing"),
        ('below = "50 dB"', "below = 50", 10, "not text with a unit"),
        ('low = "30 MHz"', 'lowest = "30 MHz"', 8, "not a key"),
        ('low = "30 MHz"', 'low = "30 MHz"\nhigh = "20 MHz"', 6, "low is not below high"),
        ('title = "harmonics of a club\'s transmitters"\n', "", 2, "missing"),
        ('not_below = "50 uW"', 'not_below = "0 W"', 11, "greater than 0"),
    ],
)
def test_limits_that_cannot_be_used_are_refused_with_their_line(old: str, new: str, line: int, says: str) -> None:
    assert OWN.count(old) == 1
    with pytest.raises(FileError, match=r"own\.toml") as caught:
        parse_limits(OWN.replace(old, new), "own.toml")
    assert says in caught.value.message
    assert caught.value.line == line


def test_two_tones_see_the_same_line() -> None:
    """What two lines beside each other have in common cancels in their ratio and does not average out in their sum."""
    one = ask(ideal(30.0, 0.1), [7e6], [10.0], swr=2.0)
    two = ask(ideal(30.0, 0.1), [6.999e6, 7e6, 7.001e6], [-30.0, 7.0, 7.0], swr=2.0)
    spans = [10 * np.log10((found.mean.high or 0) / (found.mean.low or 1)) for found in (one, two)]
    assert spans[1] == pytest.approx(spans[0], abs=0.1)
    product = two.lines[0].below_db
    assert product.high is not None
    assert product.low is not None
    assert product.high - product.low < 1e-6
