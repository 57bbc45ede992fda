"""Link faults: every fault ends in right numbers after a stated recovery or in one clear error, never in wrong numbers.

On a virtual wire all of them, in virtual time; on real links those that do not take long, side by side. The long ones, and the
document, are of ``python -m tests.evidence.link_faults``.
"""

from __future__ import annotations

import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.simulated import link_faults as lf
from drivers.simulated.link_faults import LinkFault
from tests.evidence.link_faults import NEVER, cells, document, faults_of, run
from tests.link_fault_bench import Outcome, allowed_seconds_of, strike
from tests.link_fault_cases import CASES, KINDS, PLAIN, SCPI, Case

VIRTUAL = [(case, link) for case, link in cells(slow=True) if not case.real_only]


def test_there_are_at_least_twenty_faults_on_each_link() -> None:
    for link in KINDS:
        assert sum(case.end(link) != "-" for case in CASES) >= 20
    assert len({case.name for case in CASES}) == len(CASES)


@pytest.mark.parametrize(("case", "link"), VIRTUAL, ids=[f"{case.name}, {link}" for case, link in VIRTUAL])
def test_every_fault_on_a_virtual_wire(case: Case, link: str) -> None:
    outcome = strike(case, link, real=False)
    assert faults_of([outcome]) == []
    assert outcome.seconds <= allowed_seconds_of(link)


@pytest.mark.skipif(sys.platform == "win32", reason="this platform has no pseudo-terminals")
@pytest.mark.thorough
def test_faults_on_real_links() -> None:
    """All links in one pool: the cells wait most of their time. What a busy machine needs on top counts as no hang."""
    outcomes = run(cells(slow=False), slack_s=120.0)
    assert {link: sum(outcome.link == link for outcome in outcomes) >= 20 for link in KINDS} == dict.fromkeys(KINDS, True)
    assert faults_of(outcomes) == []


def test_the_document_counts_what_happened_and_names_no_place() -> None:
    case = CASES[0]
    outcomes = [
        Outcome(case, "serial", "right", "", 0.5, "goes on"),
        Outcome(case, "tcp", "link", "reading from socket://127.0.0.1:40000: it is gone. Check.", 0.5, "started again"),
        Outcome(case, "hislip", "WRONG", "", 0.5, "goes on"),
    ]
    text = document(outcomes, 7, "2000-01-01")
    assert "3 cells, 1 faults: 1 ended in right numbers at once, 0 in right" in text
    assert "Wrong numbers: 1." in text
    assert "*link*: reading from ADDRESS: it is gone" in text
    assert "127.0.0.1" not in text
    assert len(faults_of(outcomes)) == 2
    assert set(NEVER) >= {"WRONG", "HANG", "TRACEBACK", "LOST"}


def one(words: str, spoil: lf.Spoil, *, double: bool, times: int | None = 1) -> Case:
    plain_or_scpi = PLAIN if words in PLAIN.values() else SCPI
    assert words in plain_or_scpi.values()
    return Case("drawn", lambda _, link: (LinkFault(words, spoil, times=times),), "-", double=double)


PLACES = st.floats(0, 1, exclude_max=True)
CHANGES = st.one_of(
    st.builds(lf.without_byte, PLACES),
    st.builds(lf.with_bytes, PLACES, st.sampled_from([b"0", b"9", b"\n", b"\r\n", b"ok: ", b"\r\nok: ", b" ", b"e", b"\x00"])),
    st.builds(lf.flipped, PLACES, st.integers(0, 7)),
    st.builds(lf.cut_off, PLACES),
    st.builds(lf.torn, PLACES),
)


@settings(max_examples=150)
@given(st.sampled_from(["gamma", "forward", "span", "average", "who", "take"]), CHANGES)
def test_no_change_of_one_place_makes_wrong_numbers_on_a_serial_line(message: str, spoil: lf.Spoil) -> None:
    outcome = strike(one(message, spoil, double=False), "serial", real=False)
    assert outcome.end not in NEVER, outcome
    assert outcome.afterwards != "WRONG"


@settings(max_examples=100)
@given(
    st.sampled_from(["TRACe:DATA? S11", "TRACe:DATA? S21", "SENSe:SWEep:POINts?", "*IDN?", "*OPC?", "SYSTem:ERRor?"]),
    CHANGES,
    st.sampled_from(["tcp", "hislip"]),
)
def test_no_change_of_one_place_makes_wrong_numbers_with_double_reading(message: str, spoil: lf.Spoil, link: str) -> None:
    outcome = strike(one(message, spoil, double=True), link, real=False)
    assert outcome.end not in NEVER, outcome
    assert outcome.afterwards != "WRONG"


def test_a_bit_flipped_inside_the_instrument_is_seen_with_double_reading_only() -> None:
    """The stated limit: the link's own checksum cannot see it, and one reading cannot either."""
    flip = lf.flipped(0.3, 2)
    assert strike(one("TRACe:DATA? S11", flip, double=False), "tcp", real=False).end == "WRONG"
    assert strike(one("TRACe:DATA? S11", flip, double=True), "tcp", real=False).end == "recovered"


def test_on_a_serial_line_double_reading_needs_no_asking() -> None:
    flip = lf.flipped(0.3, 0, digit=True)
    assert strike(one("gamma", flip, double=False), "serial", real=False).end == "recovered"
