"""The shipped band table, and what a band file is refused for."""

from importlib.resources import files

import pytest

from harness.analysis import parse_bands
from harness.errors import FileError

# Amateur bands in MHz, ITU Radio Regulations Article 5 and national tables; edges differ by region.
EDGES = {
    "160 m": (1.81, 2.0),
    "80 m": (3.5, 4.0),
    "60 m": (5.3515, 5.3665),
    "40 m": (7.0, 7.3),
    "30 m": (10.10, 10.15),
    "20 m": (14.0, 14.35),
    "17 m": (18.068, 18.168),
    "15 m": (21.0, 21.45),
    "12 m": (24.89, 24.99),
    "10 m": (28.0, 29.7),
    "6 m": (50, 54),
}
GOOD = 'source = "here"\n[bands."40 m"]\nlow = "7 MHz"\nhigh = "7.3 MHz"\n'


def test_the_shipped_bands_are_those_of_the_table() -> None:
    text = files("harness.data").joinpath("bands.toml").read_text(encoding="utf-8")
    bands = parse_bands(text, "bands.toml")
    assert [band.name for band in bands] == list(EDGES)
    for band in bands:
        assert (band.low_hz, band.high_hz) == pytest.approx([edge * 1e6 for edge in EDGES[band.name]], abs=1e-3)
    assert [band.low_hz for band in bands] == sorted(band.low_hz for band in bands)
    assert "Article 5" in text


def test_the_centre_is_the_middle() -> None:
    assert parse_bands(GOOD, "bands.toml")[0].centre_hz == pytest.approx(7.15e6)


@pytest.mark.parametrize(
    ("text", "says", "line"),
    [
        (GOOD.replace('"7 MHz"', '"7,0 MHz"'), "comma", 3),
        (GOOD.replace('"7 MHz"', '"7"'), "no unit", 3),
        (GOOD.replace('"7 MHz"', '"8 MHz"'), "is not below high", 2),
        (GOOD + 'width = "1 MHz"\n', "is not a key", 5),
        ('source = "here"\n[bands]\n', "bands", None),
        ("bands = [", "is not TOML", None),
        (GOOD.replace("source", "origin"), "origin is not a key", 1),
    ],
)
def test_a_bad_band_file_is_refused_with_its_line(text: str, says: str, line: int | None) -> None:
    with pytest.raises(FileError, match=says) as caught:
        parse_bands(text, "bands.toml")
    assert caught.value.file == "bands.toml"
    if line is not None:
        assert caught.value.line == line
    assert caught.value.hint
