"""The dialect file and what it makes of messages and settings. Numbers and framing have their own files."""

from __future__ import annotations

import numpy as np
import pytest

from drivers.dialect import parse_dialect, parse_error_entry, same_words
from harness.errors import FileError, ReplyError, UsageError
from harness.records import Grid
from tests.fake_links import dialect, shipped

GRID = Grid(1.8e6, 54e6, 201, averages=4)


def test_the_plain_language_is_sent_byte_for_byte() -> None:
    plain = dialect("plain-serial")
    assert plain.set_up(GRID) == ("span 1800000.000 54000000.000 201", "average 4")
    assert plain.identify().data == b"who\n"
    assert plain.axis(201).data == b"axis\n"
    assert [plain.trace(trace, 201).data for trace in plain.traces] == [b"gamma\n", b"forward\n", b"backward\n", b"gamma2\n"]


def test_the_scpi_set_up_is_of_standard_nodes() -> None:
    """SCPI-1999: SENSe:FREQuency, SENSe:SWEep, SENSe:AVERage, FORMat, INITiate; IEEE 488.2: *CLS."""
    assert dialect("scpi-simulated").set_up(Grid(1e6, 5e7, 201, "log", 2)) == (
        "*CLS",
        "INITiate:CONTinuous OFF",
        "SENSe:FREQuency:STARt 1000000.0",
        "SENSe:FREQuency:STOP 50000000.0",
        "SENSe:SWEep:POINts 201",
        "SENSe:SWEep:SPACing LOGarithmic",
        "SENSe:AVERage:COUNt 2",
        "SENSe:AVERage:STATe ON",
        "FORMat:DATA REAL,64",
        "FORMat:BORDer NORMal",
    )


def test_the_data_form_is_chosen_in_the_file() -> None:
    spoken = dialect("scpi-simulated", ('form = "real64"', 'form = "real32"'), ('order = "big" ', 'order = "little" '))
    assert spoken.set_up(GRID)[-2:] == ("FORMat:DATA REAL,32", "FORMat:BORDer SWAPped")
    query = spoken.trace("s11", 201)
    assert query.framer.feed(b"#41608") == "more"
    with pytest.raises(ReplyError, match=r"1608 bytes was expected \(201 points × 2 values × 4 bytes\), its header says 3216"):
        spoken.trace("s11", 201).framer.feed(b"#43216")


def test_the_standard_scpi_file_names_every_line_to_fill_in() -> None:
    text = shipped("scpi")
    spoken = parse_dialect(text, "mine.toml")
    lines = text.splitlines()
    assert [key for _, key in spoken.unfilled] == ["send", *["select", "send"] * 4]
    assert all("FILL IN" in lines[line - 1] for line, _ in spoken.unfilled)
    with pytest.raises(FileError, match=r"mine\.toml, line \d+: send is still to be filled in \(9 such values"):
        spoken.require_complete()


def test_the_standard_scpi_file_works_when_filled_in() -> None:
    lines = [line.split("FILL IN")[0] + ('X"]' if "select" in line else 'X?"') if "= " in line and "FILL IN" in line else line
             for line in shipped("scpi").splitlines()]  # fmt: skip
    spoken = parse_dialect("\n".join(lines), "mine.toml")
    spoken.require_complete()
    assert spoken.file.traces["s21"].select == ("X",)
    assert spoken.trace("s21", 3).data == b"X?\n"


BAD = [
    ('style = "prompt"', 'style = "prompts"', "dialect.style"),
    ('prompt = "ok: "', "", "the prompt is needed"),
    ('prompt = "ok: "', r'prompt = "ok\u0007"', "printable ASCII"),
    ('echo = "off"', 'echo = "maybe"', "dialect.echo"),
    ('end = "\\n"', 'end = "\\t"', "dialect.end"),
    ('send = "who"', 'send = "wh\\no"', "printable ASCII"),
    ('send = "who"', 'send = "wé"', "printable ASCII"),
    ('send = "average {averages}"', 'send = "average {count}"', r"only \{low\}, \{high\}"),
    ('send = "average {averages}"', 'send = "average {averages.real}"', r"only \{low\}, \{high\}"),
    ('send = "average {averages}"', 'send = "average {averages"', "expected '}'"),
    ('send = "average {averages}"', 'send = "average {averages:.3q}"', "format"),
    ('line = "%018.3f"', 'line = "%d"', "not understood"),
    ('line = "%018.3f"', 'line = "%g %g"', "2 numbers; 1 needed"),
    ('line = "%+.12e %+.12e"', 'line = "%+.12e"', "1 numbers; 2 needed"),
    ('within = "0.001 Hz"', "within = 0.001", "text with a unit"),
    ('gives = ["averages"]', 'gives = ["average"]', "read_back"),
    ('gives = ["averages"]', 'gives = ["averages"]\nsays = "1"', "not both"),
    ('gives = ["low", "high", "points"]', 'gives = ["low"]', "gives no points"),
    ("[traces]", "[tracks]", "tracks is not a key|traces is missing"),
    ("s11 =", "s31 =", "traces"),
    ('form = "lines"\nline = "%+.12e %+.12e"', 'form = "real64"', "blocks go with"),
    ('form = "lines"\nline = "%+.12e %+.12e"', 'form = "lines"', "line"),
    ("[sweep]", "[sweep]\nfast = true", "sweep.fast is not a key"),
]


@pytest.mark.parametrize(("old", "new", "says"), BAD)
def test_a_wrong_file_is_refused_with_what_is_wrong(old: str, new: str, says: str) -> None:
    with pytest.raises(FileError, match=says) as caught:
        dialect("plain-serial", (old, new))
    assert caught.value.file == "plain-serial.toml"


def test_a_wrong_value_is_found_by_its_line() -> None:
    text = shipped("plain-serial").replace('echo = "off"', 'echo = "maybe"')
    with pytest.raises(FileError) as caught:
        parse_dialect(text, "mine.toml")
    assert caught.value.line is not None
    assert "maybe" in text.splitlines()[caught.value.line - 1]


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('done = "*OPC?"', "", "sweep.done is missing"),
        ('real64 = "REAL,64"', "", "no word for 'real64'"),
        ('big = "NORMal"', "", "no word for 'big'"),
        ('style = "message"', 'style = "message"\nrefusal = "error"', "refusal goes with"),
    ],
)
def test_a_wrong_scpi_file_is_refused(old: str, new: str, says: str) -> None:
    with pytest.raises(FileError, match=says):
        dialect("scpi-simulated", (old, new))


def test_text_that_is_no_toml_or_far_too_long_is_refused() -> None:
    with pytest.raises(FileError, match="not TOML"):
        parse_dialect("[dialect", "mine.toml")
    with pytest.raises(FileError, match="at most"):
        parse_dialect("#" * 300_000, "mine.toml")


@pytest.mark.parametrize("said", ["LIN", "lin", "LINEAR", "Linear", " LIN "])
def test_long_and_short_forms_are_one_word(said: str) -> None:
    """SCPI-1999: the short form is what stands in capitals."""
    assert same_words("LINear", said)


@pytest.mark.parametrize(
    ("asked", "said"), [("REAL,64", "REAL,64"), ("ASCii", "ASC,0"), ("1", "ON"), ("1", "1"), ("OFF", "0"), ("a", "A")]
)
def test_words_that_are_the_same(asked: str, said: str) -> None:
    assert same_words(asked, said)


@pytest.mark.parametrize(
    ("asked", "said"), [("LINear", "LINE"), ("REAL,64", "REAL,32"), ("REAL,64", "REAL"), ("1", "0"), ("LINear", "LOG"), ("x", "")]
)
def test_words_that_differ(asked: str, said: str) -> None:
    assert not same_words(asked, said)


@pytest.mark.parametrize(
    ("said", "code", "text"),
    [
        ('0,"No error"', 0, "No error"),
        ('+0,"No error"', 0, "No error"),
        ("0", 0, ""),
        ('-113,"Undefined header"', -113, "Undefined header"),
        ('-222,"Data out of range;5E9"', -222, "Data out of range;5E9"),
    ],
)
def test_entries_of_the_error_queue(said: str, code: int, text: str) -> None:
    """SCPI-1999: number, then text in quotes; 0,"No error" may come as +0."""
    assert parse_error_entry(said, "SYSTem:ERRor?") == (code, text)


@pytest.mark.parametrize("said", ["", "No error", "x,0", "1.5,2"])
def test_what_is_no_entry_of_an_error_queue_is_refused(said: str) -> None:
    with pytest.raises(ReplyError, match="no entry of an error queue"):
        parse_error_entry(said, "SYSTem:ERRor?")


def test_settings_read_back_are_compared() -> None:
    plain = dialect("plain-serial")
    span, average = plain.file.read_back
    assert plain.check_read_back(span, "1800000.000 54000000.000 201", GRID) == {"low": 1.8e6, "high": 54e6, "points": 201}
    assert plain.check_read_back(average, "4", GRID) == {"averages": 4}
    for entry, said, says in (
        (span, "1800000.000 54000001.000 201", "high 54000000.0 was asked for"),
        (span, "1800000.000 54000000.000 202", "points 201 was asked for"),
        (span, "1800000.000 54000000.000", "3 values were expected"),
        (span, "1800000,000 54000000,000 201", "3 values were expected"),
        (average, "1", "averages 4 was asked for"),
        (average, "4,5", "decimal comma"),
        (average, "nan", "not a number"),
    ):
        with pytest.raises(ReplyError, match=says):
            plain.check_read_back(entry, said, GRID)


def test_the_axis_may_differ_by_what_the_file_allows() -> None:
    plain = dialect("plain-serial")
    asked = GRID.frequencies()
    plain.check_axis(np.round(asked, 3), GRID)
    with pytest.raises(ReplyError, match="point 7 of 201"):
        plain.check_axis(asked + np.where(np.arange(201) == 6, 0.2, 0), GRID)
    with pytest.raises(ReplyError, match="do not rise"):
        plain.check_axis(asked[::-1].copy(), GRID)


def test_an_axis_in_binary32_may_differ_by_its_rounding_only() -> None:
    spoken = dialect("scpi-simulated", ('form = "real64"', 'form = "real32"'))
    asked = GRID.frequencies()
    spoken.check_axis(asked.astype(np.float32).astype(np.float64), GRID)
    with pytest.raises(ReplyError, match="apart"):
        spoken.check_axis(asked * (1 + 1e-6), GRID)


def test_a_linear_axis_is_not_taken_for_a_logarithmic_one() -> None:
    log = Grid(1.8e6, 54e6, 201, "log")
    with pytest.raises(ReplyError, match="point"):
        dialect("scpi-simulated").check_axis(GRID.frequencies(), log)
    with pytest.raises(UsageError, match="no word for log spacing"):
        dialect("plain-serial").set_up(log)
