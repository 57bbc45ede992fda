"""Every parser of a reply, and of what a user sends: whole, cut at every byte, with bytes after it, and among noise of its signs.

What a parser takes must be what was written; everything else is a ReplyError (or, on the instrument's side, an answer), and never
another exception.
"""

from __future__ import annotations

import string
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.blocks import DefiniteBlock, block_header
from drivers.dialect import parse_error_entry, same_words
from drivers.framing import CountedLines, EchoMode, Framer, PromptAtLast, PromptedLines
from drivers.links import parse_address
from drivers.simulated.languages import language_of
from drivers.simulated.link_faults import Spoiler
from drivers.values import line_pattern, parse_number, read_block, read_lines, read_list
from harness.errors import ReplyError, TapproofError, UsageError
from harness.records import Grid
from tests.fake_links import cut, dialect
from tests.link_fault_bench import RecordingBench
from tests.simulated_texts import bench_of

PLACES = st.lists(st.integers(0, 400), max_size=6)
TEXT = st.text(string.ascii_letters + string.digits + " ,.:;#+-", max_size=30).map(str.encode)
ENDS = st.sampled_from([b"\r\n", b"\n", b"\r", b"\n\r"])
SIGNS = st.lists(
    st.sampled_from([b"ok: ", b"ok:", b"o", b"\r", b"\n", b"#", b"#14", b"#216", b"#0", b"1", b"e", b",", b"error: ", b"who"]),
    max_size=16,
).map(b"".join)
# Two digits of exponent are all that the plain language has: nothing between 0 and 1e-99.
FINITE = st.floats(-900, 900, allow_nan=False).map(lambda value: float(f"{value:.12e}") if abs(value) > 1e-30 else 0.0)


def fed(framer: Framer, data: bytes, places: list[int]) -> str:
    verdict = "more"
    for piece in cut(data, *(min(place, len(data)) for place in places)):
        verdict = framer.feed(piece)
    return verdict


@given(st.lists(TEXT.filter(lambda line: not line.startswith(b"ok: ")), min_size=1, max_size=6), ENDS, PLACES)
def test_prompted_lines_come_through_at_any_cut(lines: list[bytes], end: bytes, places: list[int]) -> None:
    data = b"".join(line + end for line in lines) + b"ok: "
    counted = PromptedLines(b"ok: ", len(lines))
    assert fed(counted, data, places) == "whole"
    assert counted.reply().lines == tuple(lines)
    free = PromptedLines(b"ok: ", None)
    assert fed(free, data, places) == "quiet"
    assert free.reply().lines == tuple(lines)


@given(TEXT.filter(bool), ENDS, PLACES, st.sampled_from(["on", "find out"]))
def test_an_echo_comes_off_at_any_cut(line: bytes, end: bytes, places: list[int], mode: EchoMode) -> None:
    framer = PromptedLines(b"ok: ", 1, sent=b"average 4\n", echo=mode)
    assert fed(framer, b"average 4" + end + line + b"\r\nok: ", places) == "whole"
    assert framer.reply().lines == (line,)
    assert framer.reply().echoed


@given(TEXT.filter(bool), st.sampled_from([b"\n", b"\r\n", b"\n\r"]), PLACES)
def test_a_message_comes_through_at_any_cut(line: bytes, end: bytes, places: list[int]) -> None:
    framer = CountedLines(1)
    fed(framer, line + end, places)
    assert framer.reply().lines == (line,)


FRAMERS: dict[str, Callable[[], Framer]] = {
    "prompted": lambda: PromptedLines(b"ok: ", 2, refusal=b"error: ", limit=60),
    "prompted, any number": lambda: PromptedLines(b"ok: ", None, limit=60),
    "prompted, echo": lambda: PromptedLines(b"ok: ", 1, sent=b"who\n", echo="on"),
    "prompted, echo found out": lambda: PromptedLines(b"ok: ", 1, sent=b"who\n", echo="find out"),
    "prompt at last": lambda: PromptAtLast(b"ok: ", 60),
    "lines": lambda: CountedLines(2, limit=60),
    "line, echo": lambda: CountedLines(1, sent=b"who\n", echo="on"),
    "block": lambda: DefiniteBlock(4),
    "block, echo": lambda: DefiniteBlock(4, sent=b"who\n", echo="find out"),
}


def outcome(framer: Framer, data: bytes, places: list[int]) -> object:
    try:
        verdict = fed(framer, data, places)
        reply = framer.reply()
    except ReplyError as error:
        return "refused" if error.message and error.hint else "refused without a word"
    assert len(framer.tail()) <= 60
    return (verdict, reply) if verdict != "more" else "more"


@pytest.mark.parametrize("name", FRAMERS)
@given(data=SIGNS, places=PLACES)
def test_noise_of_framing_signs_is_read_or_refused_alike_at_any_cut(name: str, data: bytes, places: list[int]) -> None:
    """The pieces that bytes come in change nothing, but whether a whole reply was seen before more bytes came."""
    whole, pieces = outcome(FRAMERS[name](), data, []), outcome(FRAMERS[name](), data, places)
    assert "refused without a word" not in (whole, pieces)
    if "refused" not in (whole, pieces):
        assert whole == pieces


@given(st.lists(st.tuples(FINITE, FINITE), min_size=1, max_size=8), PLACES, st.integers(0, 400), st.integers(1, 255))
def test_a_plain_trace_comes_through_and_a_changed_byte_is_refused_or_changes_one_number(
    pairs: list[tuple[float, float]], places: list[int], at: int, mask: int
) -> None:
    pattern = line_pattern("%+.12e %+.12e")
    data = b"".join(b"%+.12e %+.12e\r\n" % pair for pair in pairs) + b"ok: "
    framer = PromptedLines(b"ok: ", len(pairs))
    assert fed(framer, data, places) == "whole"
    table = read_lines(framer.reply().lines, pattern, len(pairs), "gamma")
    assert table.tolist() == [list(pair) for pair in pairs]
    at = min(at, len(data) - 1)
    spoilt = data[:at] + bytes([data[at] ^ mask]) + data[at + 1 :]
    again = PromptedLines(b"ok: ", len(pairs))
    try:
        verdict = fed(again, spoilt, places)
        found = read_lines(again.reply().lines, pattern, len(pairs), "gamma")
    except ReplyError:
        return
    if verdict == "whole":
        assert int(np.sum(found != table)) <= 1


@given(st.lists(st.tuples(FINITE, FINITE), min_size=1, max_size=8), st.integers(0, 400), st.sampled_from([8, 4]), PLACES)
def test_a_binary_trace_comes_through_and_a_lost_or_doubled_byte_is_never_a_trace(
    pairs: list[tuple[float, float]], at: int, size: int, places: list[int]
) -> None:
    payload = np.array(pairs, dtype=f">f{size}").tobytes()
    data = block_header(len(payload)) + payload + b"\n"
    framer = DefiniteBlock(len(payload))
    assert fed(framer, data, places) == "whole"
    table = read_block(framer.reply().payload, len(pairs), 2, size, "big", "x")
    assert np.array_equal(table, np.array(pairs, dtype=f"f{size}"))
    start = len(data) - len(payload) - 1
    at = start + at % len(payload)
    assert outcome(DefiniteBlock(len(payload)), data[:at] + data[at + 1 :], places) in ("more", "refused")
    assert outcome(DefiniteBlock(len(payload)), data[: at + 1] + data[at:], []) in ("more", "refused")


@given(st.lists(FINITE, min_size=2, max_size=12).filter(lambda numbers: len(numbers) % 2 == 0), PLACES)
def test_a_list_comes_through_and_its_decimal_commas_are_refused(numbers: list[float], places: list[int]) -> None:
    line = ",".join(f"{number:+.12E}" for number in numbers).encode()
    framer = CountedLines(1)
    fed(framer, line + b"\n", places)
    found = read_list(framer.reply().lines[0], len(numbers) // 2, 2, "x")
    assert found.ravel().tolist() == numbers
    with pytest.raises(ReplyError) as caught:
        read_list(line.replace(b".", b","), len(numbers) // 2, 2, "x")
    assert "comma" in caught.value.hint


@given(st.lists(st.sampled_from([*"0123456789+-.eE,; #nafi\t", "9.91E37", "nan", "1e400"]), max_size=12))
def test_noise_of_number_signs_is_a_finite_number_or_refused(pieces: list[str]) -> None:
    text = "".join(pieces)
    for read in (
        lambda: parse_number(text.encode(), "x"),
        lambda: read_list(text.encode(), 1, 1, "x")[0, 0],
        lambda: line_pattern("%g").read(text.encode(), "x")[0],
    ):
        try:
            value = float(read())
        except ReplyError:
            continue
        assert np.isfinite(value)
        assert abs(value) < 9.9e37
        assert value == float(text)


@given(st.text(string.printable, max_size=30))
def test_an_error_entry_is_a_number_with_a_text_or_refused(said: str) -> None:
    try:
        code, _ = parse_error_entry(said, "SYST:ERR?")
    except ReplyError:
        return
    assert said.strip().partition(",")[0].strip() != ""
    assert code == int(said.partition(",")[0])


@given(st.text(string.printable, max_size=20))
def test_words_are_compared_and_never_guessed(said: str) -> None:
    if same_words("LINear", said):
        assert said.split(",")[0].strip().strip('"').upper() in ("LIN", "LINEAR")


ADDRESS = ["serial", "socket", "visa", "://", ":", "/", "?", "=", "&", "[", "]", "TCPIP", "9", "x"]


@given(st.lists(st.sampled_from(ADDRESS), max_size=10))
def test_an_address_is_understood_or_refused_in_words(pieces: list[str]) -> None:
    said = ""
    try:
        parse_address("".join(pieces))
    except UsageError as error:
        said = error.hint
    assert said == "" or "Addresses look like these" in said


@pytest.mark.parametrize("name", ["plain-serial", "scpi-simulated"])
@given(said=st.text(string.printable, max_size=40))
def test_what_is_read_back_is_what_was_asked_for_or_refused(name: str, said: str) -> None:
    spoken, grid = dialect(name), Grid(1e6, 2e6, 21)
    for entry in spoken.file.read_back:
        try:
            numbers = spoken.check_read_back(entry, said, grid)
        except ReplyError:
            continue
        asked = {"low": 1e6, "high": 2e6, "points": 21, "averages": 1}
        assert all(abs(value - asked[key]) <= 1.1 for key, value in numbers.items())


WORDS = {
    "serial": [
        "who",
        "span",
        "average",
        "take",
        "axis",
        "gamma",
        "1000000",
        "2e6",
        "21",
        " ",
        "\n",
        "\r",
        "\x00",
        "é",
        "-1",
        "ok: ",
    ],
    "scpi": [
        "*IDN?",
        "*RST",
        "FREQ:STAR",
        "SWE:POIN",
        "TRAC?",
        "S11",
        "FORM",
        "REAL,32",
        "INIT",
        ";",
        ":",
        " ",
        "1E6",
        "\n",
        "?",
        "#",
    ],
}


@pytest.mark.parametrize("which", WORDS)
@given(data=st.data())
def test_the_instruments_take_any_bytes_alike_at_any_cut(which: str, data: st.DataObject) -> None:
    text = "".join(data.draw(st.lists(st.sampled_from(WORDS[which]), max_size=14))).encode()
    places = data.draw(PLACES)

    def answers(pieces: list[bytes]) -> bytes:
        bench = RecordingBench(bench_of("serial" if which == "serial" else "scpi", 'noise = "-300 dB"\ndrift = "-300 dB"\n'))
        model = Spoiler(lambda: language_of(bench))
        model.receive(b"span 1000000 2000000 11\n" if which == "serial" else b"SWE:POIN 11\n")
        return b"".join(model.receive(piece) for piece in pieces)

    try:
        assert answers([text]) == answers(cut(text, *(min(place, len(text)) for place in places)))
    except TapproofError as error:  # pragma: no cover  # an instrument answers; it does not raise
        pytest.fail(error.message)
