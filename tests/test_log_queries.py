"""Questions to the log: what is asked of it, and that answers come along an index. Calendar months: the Gregorian calendar."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.log import Line, Query, open_log
from harness.log.due import due_time
from harness.log.queries import RARE, newest_lines, proofs_of_batch
from harness.log.unit_log import Log
from tests.batch_records import enter_many, renamed, unit_proof
from tests.records_for_files import proof


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    with open_log(tmp_path) as opened:
        yield opened


def enter(log: Log, unit: str, identity: str, when: str, **more: object) -> None:
    made = proof(unit, identity, when=when).model_copy(update=more)
    log.record(made, log.address.folder / "proofs" / unit / identity)


def ids(lines: list[Line]) -> list[str]:
    return [line.proof for line in lines]


def test_a_line_tells_figures_and_faults(log: Log) -> None:
    enter(log, "CL-0001", "aaaa", "2024-05-04T10:00:00Z")
    (line,) = log.lines()
    assert (line.unit, line.batch, line.type, line.bench) == ("CL-0001", "autumn", "hf30", "simulated-serial")
    assert (line.when, line.decision, line.probability) == ("2024-05-04T10:00:00Z", "conforms", 0.9991)
    coupling = line.figures["coupling_db"]
    assert (coupling.value, coupling.low, coupling.high, coupling.decision) == (30.12, 29.98, 30.26, "conforms")
    assert line.faults == (("turns", 0.97),)
    assert line.due == "2025-05-04T10:00:00.000000Z"  # hf30: a recheck every 12 months


def test_many_lines_keep_their_own_figures(log: Log) -> None:
    """More than one query holds: 1,100 units in parts of 500."""
    base = unit_proof("CL-0000", "id0000", 30.0, fault="turns")
    couplings = {f"CL-{number:04d}": 30 + number / 1e4 for number in range(1100)}
    enter_many(log, [renamed(base, unit, f"id{unit[3:]}", coupling) for unit, coupling in couplings.items()])
    assert {line.unit: line.figures["coupling_db"].value for line in log.lines(limit=None)} == couplings
    assert [line.unit for line in log.batch_lines("autumn")] == list(couplings)
    assert {line.faults for line in log.lines(limit=None)} == {(("turns", 0.97),)}


def test_days_are_those_that_the_bench_wrote(log: Log) -> None:
    enter(log, "A", "east", "2024-05-04T00:30:00+13:00")  # the third in UTC
    enter(log, "B", "west", "2024-05-03T23:30:00-11:00")  # the fourth in UTC
    enter(log, "C", "late", "2024-05-05T12:00:00Z")
    assert sorted(ids(log.lines(Query(since="2024-05-04")))) == ["east", "late"]
    assert ids(log.lines(Query(until="2024-05-03"))) == ["west"]
    assert ids(log.lines(Query(since="2024-05-04", until="2024-05-04"))) == ["east"]


def test_filters_ask_the_newest_proof_that_counts(log: Log) -> None:
    enter(log, "A", "aaaa", "2024-05-01T10:00:00Z", faults=())
    enter(log, "B", "bbbb", "2024-05-02T10:00:00Z")
    enter(log, "B", "cccc", "2024-05-03T10:00:00Z", faults=(), decision="undecided")
    assert ids(log.lines(Query(fault="turns"))) == []
    assert ids(log.lines(Query(decision="undecided"))) == ["cccc"]
    assert ids(log.lines(Query(unit="A"))) == ["aaaa"]
    assert ids(log.lines(Query(batch="autumn", type_name="hf30", bench="simulated-serial"))) == ["cccc", "aaaa"]
    log.withdraw("cccc", "load forgotten")
    assert ids(log.lines(Query(fault="turns"))) == ["bbbb"]


def test_a_common_fault_is_found_as_a_rare_one_is(log: Log) -> None:
    base = unit_proof("CL-0000", "id0000", 30.0, fault="turns")
    enter_many(log, [renamed(base, f"CL-{number:04d}", f"id{number:04d}", 30.1) for number in range(RARE + 10)])
    assert len(log.lines(Query(fault="turns"), None)) == RARE + 10
    assert log.lines(Query(fault="termination missing"), None) == []


def test_units_that_are_due_stand_with_the_longest_due_first(log: Log) -> None:
    enter(log, "A", "aaaa", "2023-05-01T10:00:00Z")
    enter(log, "B", "bbbb", "2023-03-01T10:00:00Z")
    enter(log, "C", "cccc", "2022-01-01T10:00:00Z")
    enter(log, "C", "dddd", "2024-05-01T10:00:00Z")  # rechecked since
    assert ids(log.lines(Query(due_before="2024-05-02T00:00:00.000000Z"))) == ["bbbb", "aaaa"]
    assert ids(log.lines(Query(due_before="2024-04-01T00:00:00.000000Z"))) == ["bbbb"]


@pytest.mark.parametrize(
    ("when", "months", "due"),
    [
        ("2024-01-31T10:00:00Z", 1, "2024-02-29T10:00:00.000000Z"),
        ("2023-01-31T10:00:00Z", 1, "2023-02-28T10:00:00.000000Z"),
        ("2024-11-15T10:00:00+02:00", 2, "2025-01-15T08:00:00.000000Z"),
        ("2024-02-29T10:00:00Z", 12, "2025-02-28T10:00:00.000000Z"),
        ("2024-05-04T10:00:00Z", 240, "2044-05-04T10:00:00.000000Z"),
        ("2024-05-04T10:00:00Z", None, None),
    ],
)
def test_due_is_counted_in_calendar_months(when: str, months: int | None, due: str | None) -> None:
    assert due_time(when, months) == due


def test_a_unit_has_the_batch_that_was_said_last_in_whatever_order_proofs_are_entered(log: Log) -> None:
    enter(log, "A", "newest", "2024-05-03T10:00:00Z", batch=None)
    enter(log, "A", "oldest", "2024-05-01T10:00:00Z", batch="spring")
    enter(log, "A", "middle", "2024-05-02T10:00:00Z", batch="autumn")
    assert ids(log.batch_lines("autumn")) == ["oldest", "middle", "newest"]
    assert log.batch_lines("spring") == []
    assert ids(log.lines()) == ["newest"]


def test_a_record_of_an_earlier_version_is_the_same_proof(log: Log) -> None:
    """Later versions add fields with defaults: what was entered before them must not look changed."""
    from sqlalchemy import update

    from harness.log.schema import PROOFS

    one = proof("A", "aaaa")
    log.record(one, log.address.folder / "x")
    with log._writing.begin() as connection:
        connection.execute(update(PROOFS).values(record=one.model_dump_json(exclude_defaults=True)))
    assert not log.record(one, log.address.folder / "x")


QUERIES = {
    "list": newest_lines(Query(), 50),
    "list --batch": newest_lines(Query(batch="autumn"), 50),
    "list --since": newest_lines(Query(since="2024-05-01"), 50),
    "list --due": newest_lines(Query(due_before="2024-05-01"), 50),
    "list --fault": newest_lines(Query(fault="turns"), 50),
    "list --fault, a common one": newest_lines(Query(fault="turns"), 50, rare=False),
    "batch": proofs_of_batch("autumn"),
}


@pytest.mark.parametrize("name", QUERIES)
def test_no_question_reads_the_whole_table(log: Log, name: str) -> None:
    """Asked of SQLite's own plan: rows are found along an index, never by a scan of the table without one."""
    text = QUERIES[name].compile(log._engine, compile_kwargs={"literal_binds": True})
    with log._engine.connect() as connection:
        plan = [row[3] for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {text}")]
    assert plan
    for line in plan:
        assert "INDEX" in line or "B-TREE" in line or not line.startswith("SCAN"), plan
    if name in ("list", "list --since", "list --due", "list --fault, a common one"):
        assert not any("TEMP B-TREE" in line for line in plan), plan
    assert any("proofs_by_unit" in line for line in plan), plan


def test_ids_stand_by_unit_and_age(log: Log) -> None:
    enter(log, "B", "bbbb", "2024-05-01T10:00:00Z")
    enter(log, "A", "aaaa", "2024-05-02T10:00:00Z")
    enter(log, "B", "cccc", "2024-05-03T10:00:00Z")
    assert log.ids() == ["bbbb", "cccc", "aaaa"]
    assert log.ids(unit="B") == ["bbbb", "cccc"]
    assert log.ids(batch="autumn") == log.ids()
    assert (log.ids(unit="X"), log.count(), log.unit_names()) == ([], 3, ["A", "B"])
