"""Safe and planned power. Peak line volts √(2·P·Z0·SWR) and the 500 V peak of UHF connectors are textbook and data-sheet values:
1500 W stand at 500 V at an SWR of 1.667. What comes out of the port is line power less coupling; heat is the design engine's,
which has tests of its own, and its limits are held here against that engine at the power they give.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from harness.analysis.bands import Band
from harness.analysis.reading.cautions import cautions_of
from harness.analysis.reading.chain import Chain, Pad
from harness.analysis.reading.correction import as_csv, as_two_columns, correction_rows
from harness.analysis.reading.heat_run import heat_runs
from harness.analysis.reading.safe import Safe, bands_of, planned, safe_power
from harness.analysis.reading.unit import Known, circuit_of
from harness.errors import DataError, UsageError
from harness.readings import shipped_bands
from harness.records import LoggedReading
from harness.sampler.design import shipped_parts
from harness.sampler.design.stress import at_full_power, stress
from tests.reading_units import external, flat_table, ideal, internal

MATCHED = Chain(reflection=0.0, stated=True)
FORTY = [Band(name="40 m", low_hz=7e6, high_hz=7.3e6)]
PARTS = shipped_parts()


def flat(known: Known, db: float = 30.0) -> Known:
    return replace(known, table=flat_table(db))


def safe(known: Known, limit: float | None = None, swr: float = 1.0, pads: tuple[Pad, ...] = ()) -> Safe:
    return safe_power(known, PARTS, FORTY, replace(MATCHED, pads=pads), swr, limit)


def most(found: Safe, what: str) -> float:
    return next(one.watts for one in found.bands[0].limiters if one.what == what)


def test_an_instrument_that_bears_1_w_behind_30_db_bears_1_kw_of_line() -> None:
    assert most(safe(flat(external()), 1.0), "instrument") == pytest.approx(1000.0)
    assert most(safe(flat(external()), 1.0, swr=2.0), "instrument") == pytest.approx(500.0)  # the current is highest there
    assert most(safe(flat(external()), 0.01, pads=(Pad(20.0),)), "instrument") == pytest.approx(1000.0)
    loose = safe(flat(external()), 0.01, pads=(Pad(20.0, 0.5),))  # a pad that may take half a decibel less
    assert most(loose, "instrument") == pytest.approx(1000.0 * 10**-0.05)


def test_uhf_connectors_stand_at_500_v_peak_with_1500_w_at_1_667() -> None:
    assert most(safe(external(), swr=5 / 3), "connectors") == pytest.approx(1500.0)
    assert most(safe(external()), "connectors") == pytest.approx(2500.0)


def test_the_pad_to_add_brings_the_instrument_behind_all_else() -> None:
    """1500 W less 30 dB are 1.5 W: 31.8 dBm; an instrument that bears 20 dBm needs 11.8 dB, and 12 dB can be bought (10 + 2)."""
    found = safe(flat(external()), 0.1)
    assert found.worst.first.what == "instrument"
    assert found.without_instrument.what == "type"
    assert (found.pad_db, found.pad_watts) == pytest.approx((12.0, 1.5))
    again = safe(flat(external()), 0.1, pads=(Pad(12.0),))
    assert again.worst.first.what == "type"
    assert again.pad_db == 0


@pytest.mark.parametrize("what", ["core", "resistor"])
def test_what_gives_way_in_the_unit_is_at_its_limit_at_that_power(what: str) -> None:
    """The design engine, asked for the stress at the power that is called the most, says that the part is at its limit."""
    known = internal()
    circuit = known.circuit
    assert circuit is not None
    watts = most(safe(known), what)
    wish = replace(circuit.made.wish, line_power=watts, line_swr=1.0, band_hz=(7e6, 7.3e6))
    found = stress(at_full_power(replace(circuit.made, wish=wish), np.array([7e6, 7.15e6, 7.3e6]), 24), PARTS)
    if what == "core":
        assert found.cores[0].rise_c == pytest.approx(40.0, rel=1e-3)
    else:
        built = circuit.design.stress.resistors[0]
        assert built.kind is not None
        worst = max(found.resistors[0].watts, found.resistors[0].watts_unloaded)
        assert worst == pytest.approx(PARTS.resistors[built.kind].rating.value * built.count / 2, rel=1e-3)


def test_every_band_of_the_type_is_looked_at() -> None:
    found = safe_power(external(), PARTS, bands_of(external(), shipped_bands()), MATCHED, 1.5, 1.0)
    assert [band.name for band in found.bands][:2] == ["160 m", "80 m"]
    assert len(found.bands) == 11
    narrow = replace(external(), band_hz=(7.0e6, 7.1e6))
    assert [band.name for band in bands_of(narrow, shipped_bands())] == ["the type's band"]
    with pytest.raises(UsageError, match="was not swept"):
        bands_of(external(), shipped_bands(), 150e6)
    with pytest.raises(DataError, match="cannot be worked out"):
        safe(ideal())


def test_a_planned_power_at_the_port_and_the_pad_for_it() -> None:
    """100 W less 30 dB are 20 dBm, matched; at an SWR of 2 up to 3.01 dB more and less."""
    (row,) = planned(flat(external()), FORTY, 100.0, MATCHED, 1.0, 0.01)
    assert row.port.value == pytest.approx(0.1, rel=2e-3)  # the unit's insertion loss, 0.006 dB, stands between
    assert row.needed_db == pytest.approx(10.0, abs=0.01)
    assert row.pad_db == 10.0
    (row,) = planned(flat(external()), FORTY, 100.0, replace(MATCHED, pads=(Pad(6.0),)), 2.0, 0.01)
    assert row.most == pytest.approx(0.2)
    assert row.needed_db == pytest.approx(10 + 3.01 - 6, abs=0.01)
    assert row.input.value == pytest.approx(0.1 * 10**-0.6, rel=0.01)
    assert row.port.low is not None
    assert row.port.high is not None
    assert 10 * np.log10([row.port.low / 0.1, row.port.high / 0.1]) == pytest.approx([-3.0, 3.0], abs=0.05)


def test_cautions_count_with_this_units_own_volts() -> None:
    """1500 W at the type's SWR: the design engine's volts; volts go with the root of power, 500 V peak at SWR 1.667."""
    circuit = external().circuit
    assert circuit is not None
    full = circuit.design.unloaded.volts
    said = " ".join(cautions_of(external(), 15.0, 1.5))
    assert f"up to {full / 10:.0f} V r.m.s." in said
    assert "up to 500 V peak" in " ".join(cautions_of(external(), 1500.0, 5 / 3))
    assert "more than the 1500 W" in " ".join(cautions_of(external(), 2000.0, 1.0))
    assert cautions_of(external(), 1e-3, 1.5) == ()
    assert "Never take the load off" in cautions_of(replace(external(), circuit=None), 10.0, 1.5)[0]


def test_an_internally_terminated_unit_is_not_called_dangerous_at_small_power() -> None:
    assert not any("load off" in one for one in cautions_of(internal(), 5.0, 1.5))
    circuit = circuit_of(internal().type, PARTS)
    assert circuit.design.unloaded.volts < 200


def test_the_correction_table_reads_back() -> None:
    known = external()
    rows = correction_rows(known)
    assert [row["frequency_hz"] for row in rows] == list(known.table.hz)
    assert [row["in_proved_band"] for row in rows[:3]] == [False, False, True]
    header, first, *rest = as_csv(known).splitlines()
    assert header == "frequency_hz,coupling_db,low_db,high_db,in_proved_band"
    assert first == "1000000,30.1000,30.0000,30.2000,0"
    assert len(rest) == len(rows) - 1
    back = np.loadtxt(as_two_columns(known).splitlines())
    assert back == pytest.approx(np.column_stack([known.table.hz, known.table.db]), abs=1e-4)


def logged(minutes: int, port: float, line: float | None, **changes: object) -> LoggedReading:
    made = LoggedReading(
        id=f"id{minutes:04d}",
        unit="CL-0007",
        proof="ab12cd34ef56",
        when=f"2024-05-04T10:{minutes:02d}:00+02:00",
        hz=7.1e6,
        level="x",
        into="50ohm",
        chain="",
        port_watts=port,
        crest=False,
        line_watts=line,
        current_a=1.0,
        program="tapproof",
    )
    return made.model_copy(update=changes)


def test_readings_at_low_and_full_power_are_held_against_each_other() -> None:
    """5 W and 5 mW are 30 dB; 1000 W and 0.95 W 30.22 dB: 0.22 dB more apparent coupling, hot."""
    (run,) = heat_runs([logged(12, 0.95, 1000.0), logged(0, 5e-3, 5.0), logged(20, 4.9e-3, 5.0)])
    assert [row.minutes for row in run.rows] == [0, 12, 20]
    assert run.base == 0
    assert [row.change_db for row in run.rows] == pytest.approx([0.0, 0.2228, 0.0877], abs=1e-3)
    assert not any("log a reading" in note for note in run.notes)


def test_readings_that_cannot_be_compared_say_so() -> None:
    runs = heat_runs([logged(0, 5e-3, None), logged(1, 5e-3, 5.0, hz=14e6), logged(2, 5e-3, 50.0, hz=14e6, chain="20 dB")])
    assert [run.hz for run in runs] == [7.1e6, 14e6]
    assert runs[0].base is None
    assert runs[0].rows[0].change_db is None
    assert "log a reading at low" in runs[0].notes[0]
    assert "Not all were read through the same" in runs[1].notes[0]
