"""A type must be able to give its coupling, from parts that are known."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.errors import FileError
from harness.files import read_type
from harness.records import parse_type
from harness.sampler.type_check import expected_coupling_db, objection_to
from tests.texts import TYPE_TEXT

CORES, CABLES = {"FT-50-43", "FT-82-43"}, {"RG-303"}


def changed(*pairs: tuple[str, str]) -> str:
    text = TYPE_TEXT
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    return text


@pytest.mark.parametrize(
    ("turns", "coupling_db"),
    # check values "Sampler, exact": lossless, external termination, D = 2N² + 1 (computed, confirmed with a circuit solver)
    [(8, 18.1294), (10, 20.0433), (32, 30.1072), (100, 40.0004)],
)
def test_the_expected_coupling_is_the_lossless_closed_form(turns: int, coupling_db: float) -> None:
    build = parse_type(changed(("turns = 32", f"turns = {turns}")), "t").build
    assert expected_coupling_db(build) == pytest.approx(coupling_db, abs=1e-4)


def test_an_internal_resistor_costs_six_decibels() -> None:
    text = changed(('termination = "external"', 'termination = "internal"\ninternal_ohm = 50'))
    # Table "Ideal core", 32 turns, R_p = 25 Ω: 36.1257 dB
    assert expected_coupling_db(parse_type(text, "t").build) == pytest.approx(36.1257, abs=1e-4)
    found = objection_to(parse_type(text, "t"), CORES, CABLES)
    assert found is not None
    assert found.key == ("tolerance", "coupling")
    assert "36.13 dB" in found.says


def test_a_type_that_makes_sense_has_no_objection() -> None:
    assert objection_to(parse_type(TYPE_TEXT, "t"), CORES, CABLES) is None


@pytest.mark.parametrize(
    ("old", "new", "key", "says"),
    [
        ('core = "FT-50-43"', 'core = "FT-99-99"', "core", "'FT-99-99' is not known"),
        ('line = "RG-303"', 'line = "RG-0"', "line", "'RG-0' is not known"),
        ('coupling = "30 dB"', 'coupling = "20 dB"', "coupling", "cannot be met: 32 turns, external termination give 30.11 dB"),
        ("turns = 32", "turns = 1000", "coupling", "cannot be met"),
    ],
)
def test_what_cannot_be_is_refused_with_file_line_and_key(tmp_path: Path, old: str, new: str, key: str, says: str) -> None:
    path = tmp_path / "t.toml"
    text = changed((old, new))
    path.write_text(text)
    with pytest.raises(FileError, match=says) as caught:
        read_type(str(path))
    assert caught.value.file == str(path)
    assert caught.value.line is not None
    assert text.splitlines()[caught.value.line - 1].split(" = ")[0] == key


def test_parts_of_the_users_own_stand_beside_the_type_file(tmp_path: Path) -> None:
    path = tmp_path / "t.toml"
    path.write_text(changed(('line = "RG-303"', 'line = "MY-LINE"')))
    with pytest.raises(FileError, match="'MY-LINE' is not known"):
        read_type(str(path))
    (tmp_path / "parts.toml").write_text(OWN_PARTS)
    assert read_type(str(path)).build.line == "MY-LINE"


OWN_PARTS = """
[sources.caliper]
text = "measured with a caliper"
date = "2026-11-01"

[[cable]]
name = "MY-LINE"
impedance_ohm = { value = 50, source = "caliper" }
outer_mm = { value = 4.0, source = "caliper" }
velocity_factor = { value = 0.7, source = "caliper" }
"""
