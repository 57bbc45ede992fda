"""Levels as people type them, and peak envelope and mean power of waveforms.

Levels: 0 dBm is 1 mW, a sine's peak-to-peak volts are 2·√2 times its r.m.s. volts (definitions); the values stand in published
dBm tables. Peak envelope power is the mean power of one cycle at the crest of the envelope, mean power is over the modulation
(ITU Radio Regulations 1.157 and 1.158). AM of depth m carries 1 + m²/2 of the carrier's power (textbook).
"""

from __future__ import annotations

import numpy as np
import pytest

from harness.analysis.reading.level import is_ambiguous, parse_level
from harness.analysis.reading.listing import spectrum_list, trace_list
from harness.analysis.reading.waveform import trace_levels, waveform
from harness.errors import DataError, FileError, UsageError

F = 7.1e6
RATE = 40 * F


@pytest.mark.parametrize(
    ("text", "watts"),
    [
        ("0 dBm", 1e-3),
        ("-5dBm", 0.316228e-3),
        ("−5 dBm", 0.316228e-3),
        ("2e0 Vpp", 10e-3),
        ("10 dBm", 10e-3),
        ("30 dBm", 1.0),
        ("50 dBm", 100.0),
        ("61.7609 dBm", 1500.0),
        ("12 mW", 12e-3),
        ("12mW", 12e-3),
        ("1.5kW", 1500.0),
        ("223.607 mVrms", 1e-3),
        ("0.223607 V r.m.s.", 1e-3),
        ("632.456 mVpp", 1e-3),
        ("2Vpp", 10e-3),
        ("2 V p-p", 10e-3),
        ("20 Vpp", 1.0),
        ("1 Vpk", 10e-3),
        ("1 V peak", 10e-3),
        ("273.861 Vrms", 1500.0),
        ("774.597 Vpp", 1500.0),
    ],
)
def test_levels_are_what_published_tables_say(text: str, watts: float) -> None:
    assert parse_level(text).watts == pytest.approx(watts, rel=1e-5)


@pytest.mark.parametrize(("text", "peak"), [("2 Vpp", True), ("1 Vpk", True), ("0.8 Vrms", False), ("3 dBm", False)])
def test_peaks_and_means_are_told_apart(text: str, peak: bool) -> None:
    assert parse_level(text).is_peak is peak


@pytest.mark.parametrize(
    ("text", "says", "hint"),
    [
        ("1,5 V", "comma", "Use a point"),
        ("2,3 Vpp", "comma", "Use a point"),
        ("0.8 V", "peak-to-peak, peak or r.m.s.", "Vpp"),
        ("0.8 Vxy", "not known", "Vpp"),
        ("0.8", "no unit", "dBm"),
        ("5 dB", "'dB'", "dBm"),
        ("0 Vpp", "not above 0 V", "Vpp"),
        ("-3 mW", "not above 0 W", "mW"),
        ("900 dBm", "−200 dBm to 200 dBm", "dBm"),
        ("1e300 W", "−200 dBm to 200 dBm", "mW"),
        ("1e-40 Vpp", "−200 dBm to 200 dBm", "mW"),
        ("1" + " " * 5000 + "x", "5002 characters", "dBm"),
        ("much", "not a number", "dBm"),
        ("", "not a number", "dBm"),
        ("nan dBm", "not a number", "dBm"),
        ("1e999 W", "not a finite", "W"),
    ],
)
def test_what_is_no_level_is_refused_with_a_hint(text: str, says: str, hint: str) -> None:
    with pytest.raises(UsageError, match="--level") as caught:
        parse_level(text)
    assert says in caught.value.message
    assert hint in caught.value.hint


def test_only_volts_that_do_not_say_are_ambiguous() -> None:
    assert [is_ambiguous(text) for text in ("0.8 V", "800mV", "0.8 Vpp", "1,5 V", "3 dBm")] == [True, True, False, False, False]
    assert parse_level("0.8 V", meaning="r.m.s.").watts == pytest.approx(0.64 / 50)


def carrier(envelope: np.ndarray, seconds: np.ndarray) -> np.ndarray:
    return np.asarray(envelope * np.cos(2 * np.pi * F * seconds + 0.3))


def times(cycles: int) -> np.ndarray:
    return np.arange(cycles * 40) / RATE


@pytest.mark.parametrize(
    ("name", "depth", "ratio_db"),
    [("cw", None, 0.0), ("two-tone", None, 3.0103), ("am", 1.0, 4.2597), ("am", 0.5, 3.0103), ("am", 0.3, 2.0877)],
)
def test_peak_envelope_over_mean_power_of_waveforms(name: str, depth: float | None, ratio_db: float) -> None:
    """Two equal tones 3.01 dB; AM: 4/1.5 = 4.26 dB at 100 %, 2.25/1.125 = 3.01 dB at 50 %, 1.69/1.045 at 30 % (textbook)."""
    assert 10 * np.log10(waveform(name, depth).pep_over_mean) == pytest.approx(ratio_db, abs=1e-4)
    seconds = times(4000)
    turning = np.cos(2 * np.pi * F / 1000 * seconds)
    envelope = (
        np.ones_like(seconds) if name == "cw" else turning * np.sqrt(2) if name == "two-tone" else 1 + (depth or 0) * turning
    )
    found = trace_levels(seconds, carrier(envelope, seconds), F)
    assert 10 * np.log10(found.pep(50) / found.mean(50)) == pytest.approx(ratio_db, abs=0.005)


def test_a_carriers_trace_gives_its_power() -> None:
    """10 Vpp of a sine in 50 Ω are 0.25 W (published dBm tables: 24 dBm is 10.02 Vpp); an offset is no power."""
    seconds = times(100)
    found = trace_levels(seconds, 0.7 + carrier(np.full_like(seconds, 5.0), seconds), F)
    assert (found.pep(50), found.mean(50)) == pytest.approx((0.25, 0.25), rel=1e-3)


@pytest.mark.parametrize("phase", [0.0, 0.4, 0.5, 1.3])
def test_a_crest_between_samples_is_found(phase: float) -> None:
    seconds = np.arange(600) / (6 * F)
    found = trace_levels(seconds, np.cos(2 * np.pi * F * seconds + phase), F)
    assert found.peak == pytest.approx(1.0, rel=1e-3)


def test_a_crest_is_not_made_of_noise() -> None:
    """A scope's eight bits on a finely sampled sine: the crest stays within a bit or two."""
    seconds = np.arange(20_000) / (1000 * F)
    noise = np.random.default_rng(1).normal(size=seconds.size) / 256
    volts = np.round((np.sin(2 * np.pi * F * seconds) + noise) * 128) / 128
    assert trace_levels(seconds, volts, F).peak == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize(
    ("seconds", "volts", "says"),
    [
        (np.arange(50.0), np.ones(50), "100 finite"),
        (np.arange(400) / (5 * F), np.ones(400), "samples of a cycle"),
        (np.arange(200) / (100 * F), np.arange(200.0), "ten cycles"),
        (np.arange(400) / RATE, np.full(400, 2.0), "flat"),
        (np.repeat(np.arange(200), 2) / RATE, np.ones(400), "evenly"),
        (np.zeros(400), np.ones(400), "evenly"),
        (np.arange(400) / RATE, np.full(400, np.nan), "finite"),
    ],
)
def test_traces_that_say_nothing_are_refused(seconds: np.ndarray, volts: np.ndarray, says: str) -> None:
    with pytest.raises(DataError, match=says):
        trace_levels(seconds, volts, F)


@pytest.mark.parametrize(
    "text",
    [
        "frequency (MHz), level (dBm)\n7.1,-5\n14.2,-60.5\n",
        "frequency_mhz;level_dbm\n7.1;-5\n14.2;-60.5\n",
        "# a comment\nFrequency [Hz]\tLevel [dBm]\n7100000\t-5\n14200000\t-60.5\n",
        "7.1 MHz, -5 dBm\n14200kHz,-60.5dBm\n",
        '\ufeff"7.1 MHz","-5 dBm",\r\n"14.2 MHz","−60.5 dBm",\r\n'.lstrip("\ufeff"),
    ],
)
def test_lists_of_lines_are_read_as_people_write_them(text: str) -> None:
    hz, dbm = spectrum_list(text, "list.csv")
    assert hz == pytest.approx((7.1e6, 14.2e6))
    assert dbm == pytest.approx((-5, -60.5))


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ("", None, "no rows"),
        ("frequency (MHz), level (dBm)\n", None, "no rows"),
        ("7.1,-5\n", 1, "no unit"),
        ("frequency, level\n7.1,-5\n", 2, "no unit"),
        ("7.1 MHz;-5,5 dBm\n", 1, "comma"),
        ("7.1 MHz,-5 dBm,3\n", 1, "3 columns"),
        ("7.1 MHz\n", 1, "1 columns"),
        ("7.1 MHz,-5 dBm\n7.1 MHz,-6 dBm\n", 2, "again"),
        ("-7.1 MHz,-5 dBm\n", 1, "not above 0 Hz"),
        ("7.1 MHz,-500 dBm\n", 1, "−200 dBm"),
        ("7.1 GHz,-5 dBm\n900 GHz,-5 dBm\n", 2, "100 GHz"),
        ("7.1 MHz," + "x" * 101 + "\n", 1, "101 characters"),
        ("7.1 MHz,2 dB\n", 1, "'dB'"),
        ("frequency (Hz), level (dBm)\n1e400,3\n", 2, "finite"),
        ("frequency (Hz), level (dBm)\n7e6,nan\n", 2, "not a number"),
    ],
)
def test_lists_that_cannot_be_read_are_refused_with_their_line(text: str, line: int | None, says: str) -> None:
    with pytest.raises(FileError, match=r"list\.csv") as caught:
        spectrum_list(text, "list.csv")
    assert says in caught.value.message
    assert caught.value.line == line


@pytest.mark.parametrize(
    "text",
    [
        "time (ns), voltage (mV)\n-10,5\n-5,7\n0,-3\n",
        "-10 ns;5 mV\n-5ns;7mV\n0 ns;−3 mV\n",
        "time_ns\tvolts_mv\n-10\t5\n-5\t7 mV\n0\t-3\n",
    ],
)
def test_a_scopes_trace_is_read(text: str) -> None:
    seconds, volts = trace_list(text, "trace.csv")
    assert list(seconds) == pytest.approx([-10e-9, -5e-9, 0])
    assert list(volts) == pytest.approx([5e-3, 7e-3, -3e-3])


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ("time (s), voltage (V)\n0,1\n1e-9,1,5\n", 3, "3 columns"),
        ("time (s); voltage (V)\n0;1\n1e-9;1,5\n", 3, "comma"),
        ("time (s), voltage (V)\n0,1\n1e-9,nan\n", 3, "not a number"),
        ("time (s), voltage\n0,1\n", 2, "no unit"),
        ("0 s,1 V\n" * 100_001, None, "at most 100000"),
    ],
)
def test_traces_that_cannot_be_read_are_refused_with_their_line(text: str, line: int | None, says: str) -> None:
    with pytest.raises(FileError, match=r"trace\.csv") as caught:
        trace_list(text, "trace.csv")
    assert says in caught.value.message
    assert caught.value.line == line
