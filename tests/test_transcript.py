"""The transcript: what went over the wire, in escapes that anybody can read."""

from __future__ import annotations

import hashlib

from drivers.transcript import Transcript


def test_taking_begins_anew() -> None:
    transcript = Transcript()
    transcript.sent(0.0, b"who\n")
    transcript.received(0.1, b"analyser\r\n")
    assert transcript.take().splitlines() == ["    0.000000 > who\\n", "    0.100000 < analyser\\r\\n"]
    transcript.sent(0.2, b"take\n")
    assert transcript.take() == "    0.200000 > take\\n\n"
    assert transcript.take() == ""


def test_what_was_dropped_is_counted_only_since_the_last_take() -> None:
    transcript = Transcript(most_entries=2)
    for number in range(5):
        transcript.sent(float(number), b"x")
    assert transcript.take().startswith("# the first 3 entries were dropped\n")
    transcript.sent(9.0, b"y")
    assert transcript.take() == "    9.000000 > y\n"


def test_a_long_block_is_kept_as_length_and_hash() -> None:
    block = bytes(range(256)) * 20
    transcript = Transcript()
    transcript.received(0.0, block[:100])
    transcript.received(0.1, block[100:])
    said = transcript.text()
    assert f"(5120 bytes, sha256 {hashlib.sha256(block).hexdigest()}, begins)" in said
    assert said.count("\n") == 1
