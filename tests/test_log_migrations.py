"""Migrations of the log: from every earlier version, whole or not at all; later versions are refused. No outside source."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, inspect

from harness.errors import StoreError
from harness.files import LogAddress
from harness.log import open_log
from harness.log.engine import make_engine, told
from harness.log.migrations import MIGRATIONS, Migration, migrate
from harness.log.schema import METADATA
from tests.batch_records import next_serial
from tests.records_for_files import proof

VERSION_1 = """
CREATE TABLE migrations (number INTEGER NOT NULL PRIMARY KEY, name VARCHAR(100) NOT NULL);
CREATE TABLE units (name VARCHAR(64) NOT NULL PRIMARY KEY, entered INTEGER NOT NULL, batch VARCHAR(64),
  type VARCHAR(64) NOT NULL);
CREATE TABLE proofs (id VARCHAR(64) NOT NULL PRIMARY KEY, unit VARCHAR(64) NOT NULL REFERENCES units (name), batch VARCHAR(64),
  type VARCHAR(64) NOT NULL, bench VARCHAR(64), measured VARCHAR(27) NOT NULL, measured_local VARCHAR(40) NOT NULL,
  decision VARCHAR(20) NOT NULL, probability DOUBLE PRECISION, program VARCHAR(64) NOT NULL, folder VARCHAR(300) NOT NULL,
  record TEXT NOT NULL, withdrawn TEXT);
CREATE TABLE figures (proof VARCHAR(64) NOT NULL REFERENCES proofs (id), name VARCHAR(64) NOT NULL,
  value DOUBLE PRECISION NOT NULL, low DOUBLE PRECISION, high DOUBLE PRECISION, decision VARCHAR(20), PRIMARY KEY (proof, name));
CREATE TABLE faults (proof VARCHAR(64) NOT NULL REFERENCES proofs (id), position INTEGER NOT NULL, fault VARCHAR(64) NOT NULL,
  weight DOUBLE PRECISION NOT NULL, PRIMARY KEY (proof, position));
INSERT INTO migrations VALUES (1, 'units and proofs');
INSERT INTO units VALUES ('CL-0007', 1, 'autumn', 'hf30');
"""
"""A log of version 1 as it stood on disk, with one unit and one proof (put in by the fixture). Never changed."""


def database(root: Path) -> sqlite3.Connection:
    return sqlite3.connect(root / "log.sqlite")


def engine_of(root: Path) -> Engine:
    return make_engine(LogAddress(root))


def numbers(root: Path) -> list[int]:
    with closing(database(root)) as plain:
        return [row[0] for row in plain.execute("SELECT number FROM migrations ORDER BY number")]


def test_a_log_of_version_1_is_brought_up_and_keeps_its_proofs(tmp_path: Path) -> None:
    one = proof()
    row = ("ab12cd34ef56", "CL-0007", "autumn", "hf30", None, "2024-05-04T08:11:12.000000Z", "2024-05-04T10:11:12+02:00")
    rest = ("conforms", 0.9991, "tapproof 0.1.0", "proofs/CL-0007/x", one.model_dump_json(), None)
    with closing(database(tmp_path)) as plain, plain:
        plain.executescript(VERSION_1)
        plain.execute("INSERT INTO proofs VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", row + rest)
    with open_log(tmp_path) as log:
        assert log.version == len(MIGRATIONS)
        assert [entry.record() for entry in log.latest()] == [one]
        assert next_serial(log, "autumn") == "CL-0008"
        assert not log.record(one, tmp_path / "proofs" / "CL-0007" / "x")
    assert numbers(tmp_path) == [migration.number for migration in MIGRATIONS]


def test_a_log_of_version_4_tells_what_was_reworked_and_when_a_reference_was_chosen(tmp_path: Path) -> None:
    engine = engine_of(tmp_path)
    migrate(engine, MIGRATIONS[:4])
    engine.dispose()
    one = proof().model_copy(update={"drift": {"reference": None, "reworked": "new core"}})
    with closing(database(tmp_path)) as plain, plain:
        units = "INSERT INTO units VALUES ('CL-0007', 1, 'autumn', 'hf30', ?), ('CL-0008', 2, 'autumn', 'hf30', NULL)"
        plain.execute(units, (one.proof,))
        plain.execute(
            "INSERT INTO proofs (id, unit, type, measured, measured_local, decision, program, folder, record)"
            " VALUES (?, 'CL-0007', 'hf30', '2024-05-04T08:11:12.000000Z', '2024-05-04T10:11:12+02:00', 'conforms', 'x', 'y', ?)",
            (one.proof, one.model_dump_json()),
        )
    with open_log(tmp_path) as log:
        assert [line.reworked for line in log.lines()] == ["new core"]
        assert log.references() == {"CL-0007": (one.proof, "2024-05-04T10:11:12+02:00")}


def test_the_migrations_are_numbered_without_a_gap() -> None:
    assert [migration.number for migration in MIGRATIONS] == list(range(1, len(MIGRATIONS) + 1))


def test_the_migrated_tables_are_the_ones_that_the_queries_see(tmp_path: Path) -> None:
    engine = engine_of(tmp_path)
    migrate(engine)
    found = inspect(engine)
    assert set(found.get_table_names()) == {*METADATA.tables, "migrations"}
    for name, table in METADATA.tables.items():
        real = {column["name"]: column for column in found.get_columns(name)}
        assert list(real) == [column.name for column in table.columns]
        for column in table.columns:
            is_type = real[column.name]["type"]
            assert is_type.python_type is column.type.python_type
            assert getattr(is_type, "length", None) == getattr(column.type, "length", None)
            assert real[column.name]["nullable"] == column.nullable
        assert found.get_pk_constraint(name)["constrained_columns"] == [column.name for column in table.primary_key]
        foreign = [(key["constrained_columns"], key["referred_table"]) for key in found.get_foreign_keys(name)]
        assert foreign == [([key.parent.name], key.column.table.name) for key in table.foreign_keys]
        indices = {index["name"]: index["column_names"] for index in found.get_indexes(name)}
        assert indices == {index.name: [column.name for column in index.columns] for index in table.indexes}
    engine.dispose()


class OvertakenMigrations(tuple[Migration, ...]):
    """The list of migrations of a process that is overtaken by another one after it has looked at the version."""

    root: Path

    def __getitem__(self, which: Any) -> Any:
        open_log(self.root).close()
        return super().__getitem__(which)


def test_a_process_that_is_overtaken_finds_the_work_done(tmp_path: Path) -> None:
    engine = engine_of(tmp_path)
    overtaken = OvertakenMigrations(MIGRATIONS)
    overtaken.root = tmp_path
    assert migrate(engine, overtaken) == len(MIGRATIONS)
    engine.dispose()
    assert numbers(tmp_path) == [migration.number for migration in MIGRATIONS]


@pytest.mark.parametrize("good_statements", [0, 1, 2])
def test_a_migration_that_fails_leaves_the_version_before_it(tmp_path: Path, good_statements: int) -> None:
    good = ("ALTER TABLE units ADD COLUMN colour VARCHAR(9)", "CREATE TABLE extra (x INTEGER)")[:good_statements]
    bad = Migration(len(MIGRATIONS) + 1, "bad", (*good, "CREATE TABLE units (again INTEGER)"))
    address = LogAddress(tmp_path)
    engine = engine_of(tmp_path)
    migrate(engine)
    with closing(database(tmp_path)) as plain:
        before = plain.execute("SELECT sql FROM sqlite_master ORDER BY name").fetchall()
    with pytest.raises(StoreError, match="cannot open the log"), told(address, "open"):
        migrate(engine, (*MIGRATIONS, bad))
    engine.dispose()
    with closing(database(tmp_path)) as plain:
        assert plain.execute("SELECT sql FROM sqlite_master ORDER BY name").fetchall() == before
    assert numbers(tmp_path) == [migration.number for migration in MIGRATIONS]
    open_log(tmp_path).close()


def test_a_first_migration_that_fails_leaves_an_empty_database(tmp_path: Path) -> None:
    engine = engine_of(tmp_path)
    with pytest.raises(StoreError), told(LogAddress(tmp_path), "open"):
        migrate(engine, (Migration(1, "bad", (*MIGRATIONS[0].statements, "CREATE nonsense")),))
    engine.dispose()
    with closing(database(tmp_path)) as plain:
        assert plain.execute("SELECT name FROM sqlite_master").fetchall() == []


def test_a_log_of_a_later_version_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    open_log(tmp_path).close()
    later = len(MIGRATIONS) + 1
    with closing(database(tmp_path)) as plain, plain:
        plain.execute("INSERT INTO migrations VALUES (?, 'of the future')", (later,))
    with pytest.raises(StoreError, match=f"of version {later}; this program knows versions up to {later - 1}") as caught:
        open_log(tmp_path)
    assert "newer program" in caught.value.hint
    assert numbers(tmp_path)[-1] == later


def test_a_database_of_something_else_is_refused(tmp_path: Path) -> None:
    with closing(database(tmp_path)) as plain, plain:
        plain.execute("CREATE TABLE units (name TEXT)")
    with pytest.raises(StoreError, match="was not made by this program"):
        open_log(tmp_path)
