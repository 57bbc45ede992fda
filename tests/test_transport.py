"""The only loop that waits: deadlines, slices, the dirty mark, and what the transcript keeps. Time passes in reads only."""

from __future__ import annotations

import hashlib
from collections.abc import Callable

import pytest

from drivers.dialect import Identity
from drivers.framing import CountedLines, Query, Reply
from drivers.transcript import Transcript, escaped
from drivers.transport import SLICE_S, Limits, Session
from harness.errors import CommandRefused, InstrumentError, LinkError, ReplyError, ReplyTimeout
from tests.fake_links import FakeTransport, Piece, dialect

LIMITS = Limits(10.0, 3.0, 4.0)


def ask(read: Callable[[Reply], str] = lambda reply: reply.lines[0].decode()) -> Query[str]:
    return Query("value?", b"value?\n", CountedLines(1, what="value?"), read)


def session(*pieces: Piece) -> tuple[Session, FakeTransport]:
    transport = FakeTransport(lambda data: pieces)
    return Session(transport, clock=transport.clock), transport


def test_a_reply_in_pieces_is_one_reply() -> None:
    talk, transport = session((0.1, b"1."), (1.0, b"5"), (2.0, b"\n"))
    assert talk.exchange(ask(), LIMITS) == "1.5"
    assert transport.clock.seconds == pytest.approx(102.0)
    assert not talk.dirty


def test_no_read_waits_longer_than_a_quarter_of_a_second() -> None:
    talk, transport = session((2.9, b"1\n"))
    talk.exchange(ask(), LIMITS)
    assert SLICE_S == 0.25
    assert max(transport.waits) <= 0.25
    assert min(transport.waits) > 0


def test_the_idle_limit_counts_from_the_last_byte() -> None:
    talk, transport = session((2.5, b"1"), (5.0, b"."), (7.5, b"5"))
    with pytest.raises(ReplyTimeout, match=r"no complete reply to value\? from fake:// after 10\.0 s \(allowed: 10\.0 s in all"):
        talk.exchange(ask(), LIMITS)
    assert transport.clock.seconds == pytest.approx(110.0)
    talk, transport = session((2.5, b"1"))
    with pytest.raises(ReplyTimeout, match=r"after 5\.5 s .* 3\.0 s without a byte\): 1 bytes came, the last '1'"):
        talk.exchange(ask(), LIMITS)


def test_what_comes_unasked_after_a_reply_makes_that_reply_doubtful() -> None:
    """The rest of a reply, the same once more, a late one: the reply that was taken may be to another question."""
    talk, transport = session((0.1, b"1\n"), (0.2, b"2\n"))
    assert talk.exchange(ask(), LIMITS) == "1"
    transport.clock.seconds += 1
    with pytest.raises(ReplyError, match=r"after the reply to value\? more came .* the last bytes '2") as caught:
        talk.exchange(ask(), LIMITS)
    assert caught.value.hint
    assert talk.dirty
    assert transport.sent == [b"value?\n"]
    assert "< 1\\n2\\n\n" in talk.transcript.text()
    assert "# reply: after the reply to value?" in talk.transcript.text()


def test_a_greeting_before_the_first_reply_and_line_ends_are_no_answers() -> None:
    talk, transport = session((0.1, b"1\n"), (0.2, b"\r\n"))
    transport.coming.append((transport.clock.seconds, b"Good morning\n"))
    for _ in range(3):
        assert talk.exchange(ask(), LIMITS) == "1"
        transport.clock.seconds += 1


def test_one_deadline_for_the_whole_exchange_however_many_bytes_trickle() -> None:
    talk, transport = session(*((n * 0.5, b"1") for n in range(100)))
    with pytest.raises(ReplyTimeout):
        talk.exchange(ask(), LIMITS)
    assert transport.clock.seconds == pytest.approx(110.0)


def test_a_reply_that_may_go_on_settles_after_a_short_silence() -> None:
    talk, transport = session((0.0, b"1.5\r"))
    assert talk.exchange(ask(), LIMITS) == "1.5"
    assert 0 < transport.clock.seconds - 100.0 < 0.1


def test_progress_is_told_while_waiting() -> None:
    talk, _ = session((1.0, b"1\n"))
    seen: list[tuple[float, float]] = []
    talk.exchange(ask(), LIMITS, lambda so_far, expected: seen.append((so_far, expected)))
    assert seen == [(0.25, 4.0), (0.5, 4.0), (0.75, 4.0), (1.0, 4.0)]


def test_what_came_before_the_question_is_dropped() -> None:
    talk, transport = session((0.0, b"new\n"))
    transport.coming.append((99.0, b"old\n"))
    assert talk.exchange(ask(), LIMITS) == "new"


def unreadable(reply: Reply) -> str:
    raise ReplyError("not what the dialect describes", hint="Try again.")


def refused(reply: Reply) -> str:
    raise CommandRefused("refused", hint="Try another.")


def stopped(so_far: float, expected: float) -> None:
    raise KeyboardInterrupt


def test_a_timeout_an_unreadable_reply_and_an_interruption_make_the_session_dirty() -> None:
    talk, _ = session()
    with pytest.raises(ReplyTimeout):
        talk.exchange(ask(), LIMITS)
    assert talk.dirty
    talk, _ = session((0.0, b"x\n"))
    with pytest.raises(ReplyError):
        talk.exchange(ask(unreadable), LIMITS)
    assert talk.dirty
    talk, _ = session((0.0, b"x\n"))
    with pytest.raises(KeyboardInterrupt):
        talk.exchange(ask(), LIMITS, stopped)
    assert talk.dirty
    talk, _ = session((0.0, b"x\n"))
    with pytest.raises(CommandRefused):
        talk.exchange(ask(refused), LIMITS)
    assert not talk.dirty


def test_a_dirty_session_with_no_way_back_says_nothing_more() -> None:
    talk, transport = session()
    with pytest.raises(ReplyTimeout):
        talk.exchange(ask(), LIMITS)
    before = list(transport.sent)
    for again in (lambda: talk.exchange(ask(), LIMITS), lambda: talk.send(b"x\n")):
        with pytest.raises(InstrumentError, match="did not end properly"):
            again()
    assert transport.sent == before


def test_the_way_back_is_taken_once_and_before_the_next_message() -> None:
    talk, transport = session()
    calls: list[int] = []
    talk.recover = lambda found: calls.append(len(transport.sent))
    with pytest.raises(ReplyTimeout):
        talk.exchange(ask(), LIMITS)
    transport.answer = lambda data: [(0.0, b"1\n")]
    assert talk.exchange(ask(), LIMITS) == "1"
    assert talk.exchange(ask(), LIMITS) == "1"
    assert calls == [1]


def test_a_way_back_that_fails_leaves_the_session_dirty() -> None:
    talk, _ = session()

    def fail(found: Session) -> None:
        raise ReplyTimeout("no prompt", hint="Check power.")

    talk.recover = fail
    talk.dirty = True
    for _ in range(2):
        with pytest.raises(ReplyTimeout, match="no prompt"):
            talk.exchange(ask(), LIMITS)
        assert talk.dirty


def test_silence_is_waited_for_and_endless_noise_is_not() -> None:
    talk, transport = session()
    transport.coming.extend((100.0 + n * 0.2, b"noise") for n in range(10))
    assert talk.wait_for_silence(0.25) == b"noise" * 10
    assert transport.clock.seconds == pytest.approx(102.05)
    assert talk.wait_for_silence(0.25) == b""
    transport.coming.extend((102.3 + n * 0.2, b"noise") for n in range(1000))
    with pytest.raises(ReplyTimeout, match="waiting for silence"):
        talk.wait_for_silence(0.25, limit_s=10.0)


def test_the_link_is_closed_when_the_device_is_gone() -> None:
    talk, transport = session()
    transport.vanished = True
    with pytest.raises(LinkError):
        talk.exchange(ask(), LIMITS)
    assert transport.closed == 1


def test_partial_bytes_stay_in_the_transcript() -> None:
    talk, _ = session((0.5, b"1."), (0.75, b"\xff\x00"))
    with pytest.raises(ReplyTimeout):
        talk.exchange(ask(), LIMITS)
    lines = talk.transcript.text().splitlines()
    assert lines[0] == "    0.000000 # opened fake://"
    assert lines[1] == "    0.000000 > value?\\n"
    assert lines[2] == "    0.500000 < 1.\\xff\\x00"
    assert lines[3].startswith("    3.750000 # timeout: no complete reply to value?")


def test_escapes_are_printable_and_without_ambiguity() -> None:
    everything = bytes(range(256))
    shown = escaped(everything)
    assert shown.isascii()
    assert shown.isprintable()
    assert shown.encode("ascii").decode("unicode_escape").encode("latin-1") == everything


def test_long_messages_are_kept_as_length_and_hash_of_the_whole() -> None:
    block = b"#43216" + bytes(3216) + b"\n"
    kept = Transcript()
    kept.sent(0.0, b"x?\n")
    for start in range(0, len(block), 100):
        kept.received(1.0 + start, block[start : start + 100])
    kept.sent(90.0, b"y" * 500)
    lines = kept.text().splitlines()
    assert lines[1] == f"    1.000000 < (3223 bytes, sha256 {hashlib.sha256(block).hexdigest()}, begins) {escaped(block[:48])}"
    assert lines[2].startswith(f"   90.000000 > (500 bytes, sha256 {hashlib.sha256(b'y' * 500).hexdigest()}, begins) yyy")


def test_the_transcript_is_bounded_and_says_what_it_dropped() -> None:
    kept = Transcript(most_entries=3)
    for n in range(10):
        kept.sent(float(n), b"x")
    assert kept.text().splitlines() == [
        "# the first 7 entries were dropped",
        *(f"    {n}.000000 > x" for n in (7, 8, 9)),
    ]


def test_a_query_of_a_shipped_dialect_goes_through_a_session() -> None:
    talk, transport = session((0.0, b"NAME 1\r\nok: "))
    assert talk.exchange(dialect("plain-serial").identify(), LIMITS) == Identity("NAME 1", False)
    assert transport.sent == [b"who\n"]
