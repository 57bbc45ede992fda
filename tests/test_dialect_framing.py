"""Framing: every reply whole, cut at every byte, with trailing bytes, and among noise made of framing characters."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.blocks import DefiniteBlock, block_header
from drivers.framing import CountedLines, Framer, PromptAtLast, PromptedLines, Reply
from harness.errors import ReplyError
from tests.fake_links import cut

ENDS = [b"\r\n", b"\n", b"\r", b"\n\r"]
PROMPT = b"ok: "
LINES = (b"first", b"ok: not the prompt", b"", b"ok:", b"last")


def feed(framer: Framer, *pieces: bytes) -> list[str]:
    return [framer.feed(piece) for piece in pieces]


def prompted(end: bytes) -> bytes:
    return b"".join(line + end for line in LINES) + PROMPT


@pytest.mark.parametrize("end", ENDS)
def test_prompted_lines_whole_and_cut_at_every_byte(end: bytes) -> None:
    data = prompted(end)
    for place in range(len(data)):
        framer = PromptedLines(PROMPT, len(LINES))
        verdicts = feed(framer, *cut(data, place))
        assert "whole" not in verdicts[:-1]
        assert verdicts[-1] == "whole"
        assert framer.reply().lines == LINES
    framer = PromptedLines(PROMPT, len(LINES))
    assert feed(framer, *(data[n : n + 1] for n in range(len(data)))).index("whole") == len(data) - 1


@pytest.mark.parametrize("end", ENDS)
def test_a_prompt_that_begins_a_data_line_never_ends_a_counted_reply(end: bytes) -> None:
    data = prompted(end)
    for place in range(1, len(data)):
        framer = PromptedLines(PROMPT, len(LINES))
        assert framer.feed(data[:place]) != "whole"


@pytest.mark.parametrize("end", ENDS)
def test_an_uncounted_reply_settles_by_silence_only(end: bytes) -> None:
    data = prompted(end)
    for place in range(len(data)):
        framer = PromptedLines(PROMPT, None)
        assert "whole" not in feed(framer, *cut(data, place))
        assert framer.feed(b"") == "quiet"
        assert framer.reply().lines == LINES


@pytest.mark.parametrize("after", [b"\r\n", b"x", b"ok: ", b"\r\nok: ", b" "])
def test_bytes_after_the_prompt_are_refused(after: bytes) -> None:
    framer = PromptedLines(PROMPT, 1)
    with pytest.raises(ReplyError):
        framer.feed(b"one\r\nok: " + after)


def test_too_few_lines_say_expected_and_got() -> None:
    framer = PromptedLines(PROMPT, 201, what="gamma")
    assert framer.feed(b"1\r\n" * 200 + PROMPT) == "quiet"
    with pytest.raises(ReplyError, match="gamma: 201 lines were expected, 200 came"):
        framer.reply()


def test_too_many_lines_are_refused_as_soon_as_they_come() -> None:
    with pytest.raises(ReplyError, match="2 lines and the prompt were expected; 3 lines came"):
        PromptedLines(PROMPT, 2).feed(b"1\r\n2\r\n3\r\n")


@pytest.mark.parametrize("count", [0, 1, 5])
def test_a_refusal_is_a_whole_reply_at_any_count(count: int) -> None:
    data = b"error: span\r\nok: "
    for place in range(len(data)):
        framer = PromptedLines(PROMPT, count, refusal=b"error: ")
        verdicts = feed(framer, *cut(data, place))
        assert verdicts[-1] == "whole"
        assert framer.reply().lines == (b"error: span",)


@pytest.mark.parametrize("end", ENDS)
@pytest.mark.parametrize("mode", ["on", "find out"])
def test_an_exact_echo_is_stripped_at_every_cut(mode: str, end: bytes) -> None:
    data = b"who" + end + b"NAME\r\nok: "
    for place in range(len(data)):
        framer = PromptedLines(PROMPT, 1, sent=b"who\n", echo="on" if mode == "on" else "find out")
        assert feed(framer, *cut(data, place))[-1] == "whole"
        assert framer.reply() == Reply((b"NAME",), echoed=True)


def test_no_echo_is_found_out() -> None:
    data = b"whole name\r\nok: "
    for place in range(len(data)):
        framer = PromptedLines(PROMPT, 1, sent=b"who\n", echo="find out")
        assert feed(framer, *cut(data, place))[-1] == "whole"
        assert framer.reply() == Reply((b"whole name",), echoed=False)


@pytest.mark.parametrize("came", [b"wh0\r\n", b"wo\r\n", b"whoo\r\n", b"NAME\r\n", b"\r\nwho\r\n"])
def test_another_echo_is_a_corrupted_command(came: bytes) -> None:
    framer = PromptedLines(PROMPT, 1, sent=b"who\n", echo="on")
    with pytest.raises(ReplyError, match="the echo is not what was sent: sent 'who'"):
        framer.feed(came)


def test_an_echo_that_the_dialect_does_not_know_of_is_one_line_too_many() -> None:
    with pytest.raises(ReplyError, match="1 lines and the prompt were expected; 2 lines came") as caught:
        PromptedLines(PROMPT, 1, sent=b"who\n").feed(b"who\r\nNAME\r\nok: ")
    assert "an echo that the dialect does not know of" in caught.value.hint


@pytest.mark.parametrize("end", [b"\r\n", b"\n", b"\n\r"])
def test_a_line_is_whole_at_its_line_feed(end: bytes) -> None:
    data = b"1.5" + end
    for place in range(len(data)):
        framer = CountedLines(1)
        assert "whole" in feed(framer, *cut(data, place))
        assert framer.reply().lines == (b"1.5",)


def test_a_carriage_return_is_undecided_until_the_next_byte() -> None:
    framer = CountedLines(1)
    assert framer.feed(b"1.5\r") == "quiet"
    assert framer.feed(b"\n") == "whole"
    assert framer.reply().lines == (b"1.5",)


@pytest.mark.parametrize("end", ENDS)
def test_counted_lines_are_the_same_at_every_cut(end: bytes) -> None:
    data = b"".join(line + end for line in (b"1", b"", b"3"))
    for place in range(len(data)):
        framer = CountedLines(3)
        feed(framer, *cut(data, place))
        assert framer.reply().lines == (b"1", b"", b"3")


def test_the_rest_of_an_earlier_terminator_is_no_line() -> None:
    framer = CountedLines(1)
    assert feed(framer, b"\n", b"\r\n", b"value\n") == ["more", "more", "whole"]
    assert framer.reply().lines == (b"value",)


@pytest.mark.parametrize("after", [b"2", b"2\n", b"\n\n2"])
def test_a_second_reply_in_the_same_piece_is_refused(after: bytes) -> None:
    with pytest.raises(ReplyError, match="more came than one reply"):
        CountedLines(1).feed(b"1\n" + after)


def test_lines_and_buffers_are_bounded() -> None:
    with pytest.raises(ReplyError, match="longer than 4096 bytes"):
        CountedLines(1).feed(b"x" * 5000)
    with pytest.raises(ReplyError, match="longer than the 100 bytes"):
        PromptedLines(PROMPT, 50, limit=100).feed(b"1234567\r\n" * 12)


def test_block_headers_of_201_and_1601_complex_points() -> None:
    """IEEE 488.2, definite length: 201 complex points REAL,64 and REAL,32; 1601 complex points REAL,64."""
    assert block_header(201 * 2 * 8) == b"#43216"
    assert block_header(201 * 2 * 4) == b"#41608"
    assert block_header(1601 * 2 * 8) == b"#525616"


def test_a_block_at_every_cut_with_line_feeds_and_hashes_inside() -> None:
    """The payload may hold 0x0A (IEEE 488.2): only the count tells its end."""
    payload = b"\n#\r\n" + bytes(range(20))
    for end, header in ((b"\n", b"#224"), (b"\r\n", b"#224"), (b"\n", b"#3024")):
        data = header + payload + end
        for place in range(len(data)):
            framer = DefiniteBlock(24)
            verdicts = feed(framer, *cut(data, place))
            assert verdicts[-1] == "whole"
            assert "whole" not in verdicts[:-1]
            assert framer.reply().payload == payload
        framer = DefiniteBlock(24)
        assert feed(framer, *(data[n : n + 1] for n in range(len(data)))).index("whole") == len(data) - 1


def test_a_block_without_terminator_is_not_taken() -> None:
    """A response message ends with NL (IEEE 488.2, 8.5). Here a byte is lost, and NL stands where the last byte should."""
    framer = DefiniteBlock(4)
    assert feed(framer, b"#14abc\n") == ["more"]
    with pytest.raises(ReplyError, match="incomplete"):
        framer.reply()


@pytest.mark.parametrize("last", [b"\n", b"x"])
def test_a_byte_too_many_in_a_block_is_refused(last: bytes) -> None:
    """Only LF and CRLF end a block: a payload that was pushed out by one byte leaves its last byte before the LF."""
    with pytest.raises(ReplyError, match="follows the block"):
        DefiniteBlock(4).feed(b"#14aabc" + last + b"\n")


@pytest.mark.parametrize("header", [b"#3000", b"#219", b"#221", b"#9000000021", b"#9999999999", b"#10"])
def test_a_wrong_length_is_refused_before_the_payload_is_read(header: bytes) -> None:
    with pytest.raises(ReplyError, match=r"a block of 20 bytes was expected \(5 points × 4 bytes\), its header says"):
        DefiniteBlock(20, why="5 points × 4 bytes").feed(header)


def test_a_block_of_indefinite_length_is_refused() -> None:
    with pytest.raises(ReplyError, match=r"no length \(#0\)") as caught:
        DefiniteBlock(4).feed(b"#0abcd\n")
    assert "definite length" in caught.value.hint


@pytest.mark.parametrize("came", [b"1.0,2.0\n", b"#x", b"#:12", b"#2 4", b"#1\xb2", b"#2-4", b" #14"])
def test_what_is_no_block_is_refused(came: bytes) -> None:
    with pytest.raises(ReplyError):
        DefiniteBlock(4).feed(came)


@pytest.mark.parametrize("after", [b"x", b"\nx", b"#14", b"\n\n\n"])
def test_bytes_after_a_block_are_refused(after: bytes) -> None:
    with pytest.raises(ReplyError, match="follows the block"):
        DefiniteBlock(4).feed(b"#14abcd" + after)


def test_an_incomplete_block_is_no_reply() -> None:
    framer = DefiniteBlock(4)
    assert feed(framer, b"#14abc") == ["more"]
    with pytest.raises(ReplyError, match="incomplete"):
        framer.reply()


def test_the_prompt_stands_last_once_or_twice() -> None:
    assert PromptAtLast(PROMPT, 100).feed(b"rest of a line\r\nok: ok: ") == "quiet"
    assert PromptAtLast(PROMPT, 100).feed(b"\r\nok: o") == "more"
    with pytest.raises(ReplyError, match="no prompt came"):
        PromptAtLast(PROMPT, 100).reply()


NOISE = st.lists(
    st.sampled_from([b"ok: ", b"ok:", b"o", b"\r", b"\n", b"#", b"#14", b"#0", b"4", b"abcd", b"error: ", b" "]), max_size=12
)
BINARY = st.binary(max_size=8)


def expected_lines(data: bytes) -> tuple[bytes, ...] | None:
    """The one line of a complete reply by a second way: text up to its only line end, then the prompt and nothing else."""
    for end in (b"\r\n", b"\n\r", b"\n", b"\r"):
        if data.endswith(end + PROMPT):
            line = data[: -len(end + PROMPT)]
            return None if b"\r" in line or b"\n" in line else (line,)
    return None


@given(NOISE, st.lists(st.integers(0, 60), max_size=4))
def test_noise_is_a_reply_only_where_it_has_its_exact_form(pieces: list[bytes], places: list[int]) -> None:
    data = b"".join(pieces)
    framer = PromptedLines(PROMPT, 1)
    try:
        verdicts = feed(framer, *cut(data, *(min(place, len(data)) for place in places)))
    except ReplyError:
        assert expected_lines(data) is None
        return
    complete = bool(verdicts) and verdicts[-1] == "whole"
    assert complete == (expected_lines(data) is not None)
    if complete:
        assert framer.reply().lines == expected_lines(data)


@given(NOISE, BINARY, st.integers(0, 60))
def test_noise_in_a_block_raises_only_reply_errors_and_never_gives_another_length(
    pieces: list[bytes], more: bytes, place: int
) -> None:
    data = b"".join(pieces) + more
    framer = DefiniteBlock(4)
    try:
        feed(framer, *cut(data, min(place, len(data))))
        found = framer.reply().payload
    except ReplyError:
        return
    assert len(found) == 4
    assert data.lstrip(b"\r\n").startswith((b"#14" + found, b"#204" + found))


@given(st.binary(min_size=4, max_size=4), st.integers(0, 12))
def test_any_payload_comes_through_a_block(payload: bytes, place: int) -> None:
    data = block_header(4) + payload + b"\n"
    framer = DefiniteBlock(4)
    assert feed(framer, *cut(data, min(place, len(data))))[-1] == "whole"
    assert framer.reply().payload == payload
