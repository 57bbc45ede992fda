"""Numbers of replies: strict ASCII, the dialect's own pattern, finite, and a value."""

from __future__ import annotations

import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.values import line_pattern, parse_number, read_block, read_lines, read_list
from harness.errors import ReplyError

PAIR = line_pattern("%+.12e %+.12e")


@pytest.mark.parametrize(
    ("text", "value"), [("1", 1.0), ("+1.80000000E+006", 1.8e6), (".5", 0.5), ("-2.e-3", -2e-3), (" 7 ", 7.0)]
)
def test_numbers_of_nr1_nr2_and_nr3_form(text: str, value: float) -> None:
    """Decimal numeric response data, IEEE 488.2."""
    assert parse_number(text.encode(), "x") == value


@pytest.mark.parametrize(
    "text",
    ["", "1_000", "nan", "inf", "-Infinity", "1e400", "0x10", "1 2", "١", "１", "1e", "--1", "1.2.3", "+", ".", "1e1000", "\t1"],
)
def test_what_python_would_take_or_guess_is_refused(text: str) -> None:
    with pytest.raises(ReplyError):
        parse_number(text.encode(), "x")


@pytest.mark.parametrize("text", ["9.91E37", "+9.910000E+037", "9.9E37", "-9.9E37", "9.90000E+37"])
def test_no_value_is_an_error_and_never_a_number(text: str) -> None:
    """SCPI-1999: 9.91E37 is not-a-number, ±9.9E37 infinity."""
    with pytest.raises(ReplyError, match="no value"):
        parse_number(text.encode(), "x")


@pytest.mark.parametrize("text", ["1,5", "-1,234e-03"])
def test_a_decimal_comma_is_named(text: str) -> None:
    with pytest.raises(ReplyError, match="decimal comma"):
        parse_number(text.encode(), "x")


def test_a_decimal_comma_in_a_line_is_named() -> None:
    with pytest.raises(ReplyError, match=r"gamma, point 1: .* decimal comma"):
        read_lines((b"-1,234567000000e-03 +4,567890000000e-02",), PAIR, 1, "gamma")


@pytest.mark.parametrize("line", [b"-1.234567000000e-03 +4.567890000000e-02", b"+0.000000000000e+00 -1.000000000000e+00"])
def test_a_byte_dropped_doubled_or_changed_in_its_kind_is_refused_at_every_place(line: bytes) -> None:
    """A free-form reader takes 23 of the 26 shortened lines of "-1.234567e-03 4.567890e-02"; the fixed-width form takes none."""
    assert len(PAIR.read(line, "x")) == 2
    for place in range(len(line)):
        for spoilt in (
            line[:place] + line[place + 1 :],
            line[: place + 1] + line[place:],
            line[:place] + b"?" + line[place + 1 :],
        ):
            with pytest.raises(ReplyError):
                PAIR.read(spoilt, "x")


def test_a_free_form_takes_most_shortened_lines() -> None:
    """The measured 23 of 26, which is why the shipped dialect uses a fixed-width form."""
    line = b"-1.234567e-03 4.567890e-02"
    free = line_pattern("%g %g")
    taken = 0
    for place in range(len(line)):
        try:
            free.read(line[:place] + line[place + 1 :], "x")
        except ReplyError:
            continue
        taken += 1
    assert taken == 23


def test_a_byte_dropped_from_a_frequency_is_refused_at_every_place() -> None:
    pattern = line_pattern("%018.3f")
    line = b"%018.3f" % 54e6
    assert line == b"00000054000000.000"
    assert pattern.read(line, "axis") == (54e6,)
    for place in range(len(line)):
        with pytest.raises(ReplyError):
            pattern.read(line[:place] + line[place + 1 :], "axis")


@pytest.mark.parametrize("form", ["%18.3f %18.3f", "%020.9e %020.9e", "% .9e % .9e"])
def test_a_byte_dropped_from_padded_numbers_is_refused_at_every_place(form: str) -> None:
    pattern = line_pattern(form)
    line = (form % (1.8e6, 2.5e5)).encode()
    assert pattern.read(line, "x") == (1.8e6, 2.5e5)
    for place in range(len(line)):
        with pytest.raises(ReplyError):
            pattern.read(line[:place] + line[place + 1 :], "x")


@given(st.floats(allow_nan=False, allow_infinity=False, width=32).filter(lambda value: abs(value) < 1e37))
def test_every_line_printed_with_the_format_is_read_back(value: float) -> None:
    """Python's % operator prints as ISO C does, with a two-digit exponent below 1e100."""
    for text in ("%+.12e", "% .9e", "%.6e", "%+.17E", "%024.12e", "%30.12e", "%+024.15e"):
        assert line_pattern(text).read((text % value).encode(), "x")[0] == pytest.approx(value, rel=1e-6)
    for text in ("%.3f", "%018.3f", "%+.6f", "%60.2f"):
        if text == "%60.2f":
            with pytest.raises(ValueError, match="width of at most 40"):
                line_pattern(text)
        elif abs(value) < 1e12:
            assert line_pattern(text).read((text % value).encode(), "x")[0] == pytest.approx(value, abs=1e-3)


@pytest.mark.parametrize(
    "text", ["", "%d", "%s %s", "%.3e%", "%e", "%-12.3e", "12 %%", "%.3e é", "%.3e %.3e %.3e %.3e %.3e", "%.0e"]
)
def test_a_format_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"%\+\.12e|digits"):
        line_pattern(text)


def test_only_formats_with_every_place_fixed_say_so() -> None:
    fixed = {"%+.12e %+.12e": True, "%018.3f": True, "%.12e": False, "%.3f": False, "%g %g": False}
    assert {text: line_pattern(text).fixed for text in fixed} == fixed


def test_a_comma_list_is_read_in_pairs() -> None:
    assert read_list(b"1.0,2.0,-3.0E+00, 4", 2, 2, "x").tolist() == [[1.0, 2.0], [-3.0, 4.0]]


@pytest.mark.parametrize("line", [b"1,2,3", b"1,2,3,4,5", b"", b"1,2,3,4,"])
def test_a_list_of_another_length_says_expected_and_got(line: bytes) -> None:
    with pytest.raises(ReplyError, match=r"S11: 4 numbers were expected, \d came"):
        read_list(line, 2, 2, "S11")


def test_a_list_with_decimal_commas_is_named_in_the_hint() -> None:
    with pytest.raises(ReplyError, match="4 numbers were expected, 8 came") as caught:
        read_list(b"1,5,2,5,3,5,4,5", 2, 2, "S11")
    assert "decimal comma" in caught.value.hint


def test_an_empty_place_in_a_list_is_named_by_its_number() -> None:
    with pytest.raises(ReplyError, match="S11, number 3: '' is not a number"):
        read_list(b"1,2,,4", 2, 2, "S11")


@pytest.mark.parametrize("points", [1, 2, 201])
def test_lines_of_another_number_say_expected_and_got(points: int) -> None:
    with pytest.raises(ReplyError, match=f"gamma: {points} lines were expected, 3 came"):
        read_lines((b"+1.000000000000e+00 +1.000000000000e+00",) * 3, PAIR, points, "gamma")


@pytest.mark.parametrize(("order", "mark"), [("big", ">"), ("little", "<")])
@pytest.mark.parametrize(("size", "kind"), [(8, "d"), (4, "f")])
def test_blocks_of_both_widths_and_byte_orders(order: str, mark: str, size: int, kind: str) -> None:
    """IEEE 754 binary32 and binary64, against the standard library's struct."""
    numbers = [0.5, -0.25, 1e-3, 12.0]
    payload = struct.pack(f"{mark}4{kind}", *numbers)
    found = read_block(payload, 2, 2, size, "big" if order == "big" else "little", "x")
    assert found.dtype == np.float64
    assert found == pytest.approx(np.array(numbers).reshape(2, 2), rel=1e-7)


@pytest.mark.parametrize("kind", [">4d", ">4f"])
@pytest.mark.parametrize("bad", [float("nan"), float("inf"), float("-inf"), 9.91e37, 9.9e37, -9.9e37])
def test_a_block_with_no_value_is_refused_by_number(kind: str, bad: float) -> None:
    with pytest.raises(ReplyError, match="number 3"):
        read_block(struct.pack(kind, 1.0, 2.0, bad, 4.0), 2, 2, struct.calcsize(kind) // 4, "big", "x")


@given(st.text(alphabet="0123456789+-.eE,_ nafi\t١", max_size=12))
def test_noise_is_a_number_only_in_the_strict_form(text: str) -> None:
    try:
        value = parse_number(text.encode(), "x")
    except ReplyError:
        return
    assert np.isfinite(value)
    assert set(text.strip(" ")) <= set("0123456789+-.eE")
    assert value == float(text)
