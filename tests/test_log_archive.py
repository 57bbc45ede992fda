"""Export and import: a merge that writes nothing over, and an archive that is trusted in nothing.

ZIP structures after PKWARE's APPNOTE 6.3; hostile archives after the usual list (path traversal, links, bombs, case). The rest
are the project's own rules.
"""

from __future__ import annotations

import hashlib
import io
import json
import stat
import struct
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from harness.errors import FileError, StoreError, UsageError
from harness.log import check_log, open_log
from harness.log.archive_file import Bounds, open_archive
from harness.log.exporting import chosen, export
from harness.log.importing import Imported, import_archive
from harness.log.unit_log import Log
from harness.log.withdrawing import withdraw_proof
from tests.batch_records import file_batch, file_proof, unit_proof
from tests.records_for_files import FullDisk, proof, tree

MADE = {"program": "tapproof 0.1.0", "made": "2024-06-01T10:00:00+02:00"}


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    with open_log(tmp_path / "one") as opened:
        yield opened


@pytest.fixture
def other(tmp_path: Path) -> Iterator[Log]:
    with open_log(tmp_path / "two") as opened:
        yield opened


def send(log: Log, target: Path, *units: str) -> Path:
    done = export(log, log.address.folder, target, chosen(log, units, None), **MADE)
    assert done.left_out == ()
    return target


def receive(log: Log, archive: Path) -> Imported:
    return import_archive(log, log.address.folder, archive)


def withdraw(log: Log, identity: str, reason: str) -> None:
    withdraw_proof(log.address.folder, log, identity, reason, when="2024-05-20T10:00:00Z", who="", program="tapproof 0.1.0")


def told(log: Log) -> list[tuple[object, ...]]:
    return [
        (entry.text, entry.folder, entry.withdrawn, entry.withdrawn_when)
        for unit in log.unit_names()
        for entry in log.history(unit)
    ]


def filed(log: Log) -> dict[str, bytes]:
    root = log.address.folder
    places = [path for top in ("proofs", "withdrawals") for path in (root / top).rglob("*") if path.is_file()]
    return {path.relative_to(root).as_posix(): path.read_bytes() for path in places}


def test_a_log_comes_out_of_an_archive_as_it_went_in(log: Log, other: Log, tmp_path: Path) -> None:
    file_batch(log, (30.1, 30.2, 30.3))
    file_proof(log, unit_proof("CL-0001", "again1", 30.15, day=20))
    file_proof(log, unit_proof("apple", "apple1", 30.4, day=1, fault="turns"))
    withdraw(log, "autumn0002", "load forgotten")
    done = receive(other, send(log, tmp_path / "a.zip"))
    assert (len(done.new), done.withdrawn, done.conflicts) == (5, ["autumn0002"], [])
    assert told(other) == told(log)
    assert filed(other) == filed(log)
    assert [line.unit for line in other.batch_lines("autumn")] == [line.unit for line in log.batch_lines("autumn")]
    assert check_log(other.address.folder, other) == []
    again = receive(other, tmp_path / "a.zip")
    assert (again.new, len(again.known), again.withdrawn, again.conflicts) == ([], 5, [], [])
    assert filed(other) == filed(log)


def test_the_archive_holds_a_table_of_all_figures_and_its_own_checksums(log: Log, tmp_path: Path) -> None:
    file_batch(log, (30.1,))
    with zipfile.ZipFile(send(log, tmp_path / "a.zip")) as archive:
        manifest = json.loads(archive.read("manifest.json"))
        table = archive.read("figures.csv").decode().splitlines()
        (listed,) = manifest["proofs"]
        for name, digest in listed["files"].items():
            assert hashlib.sha256(archive.read(f"{listed['folder']}/{name}")).hexdigest() == digest
    assert manifest["schema_version"] == 1
    assert table[0].startswith("unit,proof,batch,type,bench,when,decision,probability,withdrawn,figure,value,low,high")
    assert any(line.split(",")[9:11] == ["coupling_db", "30.1"] for line in table)


def test_only_what_was_asked_for_is_exported(log: Log, other: Log, tmp_path: Path) -> None:
    file_batch(log, (30.1, 30.2))
    file_batch(log, (30.5,), batch="spring", prefix="SP-")
    receive(other, send(log, tmp_path / "a.zip", "CL-0002"))
    assert other.unit_names() == ["CL-0002"]
    assert chosen(log, (), "spring") == ["spring0001"]
    assert chosen(log, ("CL-0001",), "spring") == ["autumn0001", "spring0001"]
    for units, batch in ((("CL-9",), None), ((), "summer")):
        with pytest.raises(UsageError, match="the log knows no"):
            chosen(log, units, batch)
    with pytest.raises(UsageError, match="holds no proof"):
        chosen(other.__class__(other.address.__class__(tmp_path / "empty")), (), None)


def test_two_logs_are_merged(log: Log, other: Log, tmp_path: Path) -> None:
    file_batch(log, (30.1, 30.2))
    file_batch(other, (30.7,), batch="spring", prefix="SP-")
    receive(other, send(log, tmp_path / "a.zip"))
    receive(log, send(other, tmp_path / "b.zip"))
    assert sorted(entry.proof for entry in log.entries()) == sorted(entry.proof for entry in other.entries())
    assert filed(log) == filed(other)


def test_another_proof_with_the_same_id_is_a_conflict_and_stays_out(log: Log, other: Log, tmp_path: Path) -> None:
    file_proof(log, unit_proof("CL-0001", "shared", 30.1))
    file_proof(log, unit_proof("CL-0002", "second", 30.2))
    file_proof(other, unit_proof("CL-0001", "shared", 29.9))
    before = filed(other)
    done = receive(other, send(log, tmp_path / "a.zip"))
    assert done.new == ["second"]
    (conflict,) = done.conflicts
    assert "another proof with this id" in conflict
    assert {name: data for name, data in filed(other).items() if name in before} == before
    assert other.history("CL-0001")[0].record().figures["coupling_db"].value == 29.9


def test_another_reason_of_withdrawal_is_a_conflict(log: Log, other: Log, tmp_path: Path) -> None:
    file_proof(log, unit_proof("CL-0001", "shared", 30.1))
    receive(other, send(log, tmp_path / "a.zip"))
    withdraw(log, "shared", "load forgotten")
    withdraw(other, "shared", "wrong cable")
    done = receive(other, send(log, tmp_path / "b.zip"))
    assert (done.withdrawn, len(done.conflicts)) == ([], 1)
    assert other.history("CL-0001")[0].withdrawn == "wrong cable"


def test_a_unit_of_the_same_name_but_for_case_is_a_conflict(log: Log, other: Log, tmp_path: Path) -> None:
    file_proof(log, unit_proof("cl-0001", "lower1", 30.1))
    file_proof(other, unit_proof("CL-0001", "upper1", 30.1))
    done = receive(other, send(log, tmp_path / "a.zip"))
    assert (done.new, len(done.conflicts)) == ([], 1)
    assert not (other.address.folder / "proofs" / "cl-0001").exists()
    file_proof(log, unit_proof("CL-0001", "upper2", 30.1))
    with pytest.raises(UsageError, match="cannot be in one archive"):
        send(log, tmp_path / "b.zip")


def test_a_folder_that_was_lost_is_put_back(log: Log, tmp_path: Path) -> None:
    folder = file_proof(log, unit_proof("CL-0001", "shared", 30.1))
    archive = send(log, tmp_path / "a.zip")
    before = filed(log)
    for path in sorted(folder.rglob("*"), reverse=True):
        path.rmdir() if path.is_dir() else path.unlink()
    folder.rmdir()
    assert receive(log, archive).restored == ["shared"]
    assert filed(log) == before


def test_a_damaged_folder_is_neither_exported_nor_written_over(log: Log, tmp_path: Path) -> None:
    file_proof(log, unit_proof("CL-0001", "whole1", 30.1))
    folder = file_proof(log, unit_proof("CL-0002", "broken", 30.1))
    archive = send(log, tmp_path / "a.zip")
    (folder / "line.s2p").write_text("changed")
    done = export(log, log.address.folder, tmp_path / "b.zip", chosen(log, (), None), **MADE)
    assert done.proofs == 1
    assert "line.s2p was changed" in done.left_out[0]
    assert len(receive(log, archive).conflicts) == 1
    assert (folder / "line.s2p").read_text() == "changed"


def test_an_archive_is_never_written_over(log: Log, tmp_path: Path) -> None:
    file_batch(log, (30.1,))
    target = tmp_path / "a.zip"
    target.write_text("mine")
    with pytest.raises(UsageError, match="is there already"):
        send(log, target)
    assert target.read_text() == "mine"
    with pytest.raises(StoreError, match="cannot write"):
        send(log, tmp_path / "no" / "a.zip")
    assert [name for name in tree(tmp_path) if name.endswith(".partial")] == []


def test_a_disk_that_fills_up_leaves_whole_proofs_and_a_second_import_goes_on(log: Log, other: Log, tmp_path: Path) -> None:
    file_batch(log, (30.1, 30.2))
    archive = send(log, tmp_path / "a.zip")
    with pytest.raises(StoreError, match="no space left"):
        import_archive(other, other.address.folder, archive, disk=FullDisk(15))
    assert len(other.entries()) == 1
    assert check_log(other.address.folder, other) == []
    assert (receive(other, archive).new, other.count()) == (["autumn0002"], 2)


# --- archives that somebody made ---


def untouched(other: Log, archive: Path, match: str) -> None:
    """The archive is refused for this reason, and nothing was written anywhere."""
    before = [name for name in tree(archive.parent) if "log.sqlite" not in name]
    with pytest.raises(FileError, match=match):
        receive(other, archive)
    assert [name for name in tree(archive.parent) if "log.sqlite" not in name] == before
    assert other.entries() == []


def rewritten(archive: Path, change: Callable[[dict[str, bytes]], None]) -> Path:
    """Write the archive again with its members changed."""
    with zipfile.ZipFile(archive) as old:
        members = {name: old.read(name) for name in old.namelist()}
    change(members)
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as new:
        for name, data in members.items():
            new.writestr(name, data)
    return archive


def with_member(archive: Path, info: zipfile.ZipInfo, data: bytes = b"x") -> Path:
    with zipfile.ZipFile(archive, "a") as opened:
        opened.writestr(info, data)
    return archive


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, list[tuple[object, ...]]]:
    """An archive of one proof, made once, and what its log tells."""
    root = tmp_path_factory.mktemp("good")
    with open_log(root / "log") as log:
        file_batch(log, (30.1,))
        return send(log, root / "a.zip").read_bytes(), told(log)


@pytest.fixture
def archive(good: tuple[bytes, list[tuple[object, ...]]], tmp_path: Path) -> Path:
    (tmp_path / "sent").mkdir()
    path = tmp_path / "sent" / "a.zip"
    path.write_bytes(good[0])
    return path


NAMES = [
    "../outside.txt",
    "proofs/../../outside.txt",
    "/etc/outside.txt",
    "proofs//outside.txt",
    "proofs/./outside.txt",
    "C:/outside.txt",
    "C:outside.txt",
    "proofs\\outside.txt",
    "..\\outside.txt",
    "proofs/CON/x.txt",
    "proofs/aux.txt",
    "proofs/LPT1",
    "proofs/x/.hidden",
    "proofs/x.",
    "proofs/x ",
    "proofs/x\ny",
    "proofs/ü.txt",
    "proofs/" + "a" * 300,
    "a/b/c/d/e/f.txt",
    "proofs/folder/",
    "",
]


@pytest.mark.parametrize("name", NAMES)
def test_a_name_that_no_log_has_is_refused(other: Log, archive: Path, name: str) -> None:
    info = zipfile.ZipInfo("placeholder")
    info.filename = name  # ZipInfo's own constructor would tidy some of them
    untouched(other, with_member(archive, info), "is not read")


def test_a_name_that_ends_in_a_hidden_byte_is_refused(other: Log, archive: Path) -> None:
    with_member(archive, zipfile.ZipInfo("figures_csv"))
    archive.write_bytes(archive.read_bytes().replace(b"figures_csv", b"figures\0csv"))
    untouched(other, archive, "is not read")


@pytest.mark.parametrize("kind", [stat.S_IFLNK, stat.S_IFDIR, stat.S_IFIFO, stat.S_IFCHR])
def test_links_and_special_files_are_refused(other: Log, archive: Path, kind: int) -> None:
    info = zipfile.ZipInfo("proofs/link")
    info.external_attr = (kind | 0o777) << 16
    untouched(other, with_member(archive, info, b"/etc"), "is a link or another special file")


@pytest.mark.parametrize("name", ["MANIFEST.json", "Proofs/x", "figures.csv/x"])
def test_names_that_are_one_on_some_systems_are_refused(other: Log, archive: Path, name: str) -> None:
    untouched(other, with_member(archive, zipfile.ZipInfo(name)), "are one name on some systems")


def test_the_same_name_twice_is_refused(other: Log, archive: Path) -> None:
    with pytest.warns(UserWarning, match="Duplicate name"):
        with_member(archive, zipfile.ZipInfo("figures.csv"))
    untouched(other, archive, "twice")


def test_a_bomb_is_refused_by_what_it_promises(other: Log, archive: Path) -> None:
    with zipfile.ZipFile(archive, "a", zipfile.ZIP_DEFLATED) as opened:
        opened.writestr("bomb", b"\0" * 20_000_000)
    untouched(other, archive, "would grow")


def test_a_bomb_that_lies_about_its_size_is_refused_when_it_is_read(archive: Path) -> None:
    """The central directory promises ten bytes; the stream holds a million."""
    with zipfile.ZipFile(archive, "a", zipfile.ZIP_DEFLATED) as opened:
        opened.writestr("bomb", b"\0" * 1_000_000)
    data = bytearray(archive.read_bytes())
    at = data.rfind(b"PK\x01\x02")
    assert data[at + 46 : at + 50] == b"bomb"
    data[at + 24 : at + 28] = struct.pack("<I", 10)
    archive.write_bytes(bytes(data))
    with open_archive(archive) as opened, pytest.raises(FileError, match=r"damaged|another length"):
        opened.read("bomb", 1_000_000)


@pytest.mark.parametrize(
    ("bounds", "match"),
    [
        (Bounds(archive=100), "bytes; at most 100 are read"),
        (Bounds(directory=100), "its list of names has"),
        (Bounds(members=3), "files; at most 3 are read"),
        (Bounds(member=100), "bytes; at most 100 are read"),
        (Bounds(total=1000), "its files would have"),
        (Bounds(depth=2), "folders deep; at most 2"),
    ],
)
def test_every_bound_holds(other: Log, archive: Path, bounds: Bounds, match: str) -> None:
    with pytest.raises(FileError, match=match):
        import_archive(other, other.address.folder, archive, bounds)
    assert other.entries() == []


def test_an_encrypted_or_strangely_compressed_member_is_refused(other: Log, archive: Path) -> None:
    original = archive.read_bytes()
    at = original.rfind(b"PK\x01\x02")
    for offset, value, match in ((8, 1, "is encrypted"), (10, 12, "compressed by method 12")):
        data = bytearray(original)
        data[at + offset : at + offset + 2] = struct.pack("<H", value)
        archive.write_bytes(bytes(data))
        untouched(other, archive, match)


@pytest.mark.parametrize("content", [b"", b"hello", b"PK\x05\x06", b"PK\x05\x06" + b"\xff" * 18, b"\0" * 100_000])
def test_what_is_no_archive_is_refused(other: Log, tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "a.zip"
    path.write_bytes(content)
    untouched(other, path, "is not read")


def test_an_archive_cut_anywhere_is_refused(other: Log, archive: Path) -> None:
    data = archive.read_bytes()
    for cut in range(1, len(data), len(data) // 40):
        archive.write_bytes(data[:cut])
        with pytest.raises(FileError, match="is not read"):
            receive(other, archive)
    assert other.entries() == []


def test_an_archive_with_a_flipped_byte_is_refused_or_the_same(
    good: tuple[bytes, list[tuple[object, ...]]], other: Log, archive: Path
) -> None:
    data = archive.read_bytes()
    for at in range(0, len(data), len(data) // 60):
        changed = bytearray(data)
        changed[at] ^= 0x10
        archive.write_bytes(bytes(changed))
        try:
            receive(other, archive)
        except FileError:
            continue
        assert told(other) == good[1]  # a byte that means nothing, a time stamp for instance


def test_a_missing_archive_or_a_folder_is_told(other: Log, tmp_path: Path) -> None:
    with pytest.raises(FileError, match="cannot be read"):
        receive(other, tmp_path / "none.zip")
    with pytest.raises(FileError, match="no regular file"):
        receive(other, tmp_path)


def changed_manifest(archive: Path, change: Callable[[dict[str, object]], None]) -> Path:
    def rewrite(members: dict[str, bytes]) -> None:
        manifest = json.loads(members["manifest.json"])
        change(manifest)
        members["manifest.json"] = json.dumps(manifest).encode()

    return rewritten(archive, rewrite)


def test_an_archive_of_a_later_schema_is_refused(other: Log, archive: Path) -> None:
    untouched(other, changed_manifest(archive, lambda manifest: manifest.update(schema_version=2)), "archive of schema 2")


@pytest.mark.parametrize("text", [b"", b"{}", b"[]", b"\xff", b'{"what": "something else"}'])
def test_a_manifest_that_is_none_is_refused(other: Log, archive: Path, text: bytes) -> None:
    untouched(other, rewritten(archive, lambda members: members.update({"manifest.json": text})), "manifest.json")


def test_files_beside_the_manifest_are_refused(other: Log, archive: Path) -> None:
    untouched(other, rewritten(archive, lambda members: members.update({"proofs/CL-0001/extra": b""})), "does not list")


def test_a_file_that_the_manifest_lists_and_that_is_not_there_is_refused(other: Log, archive: Path) -> None:
    def lose(members: dict[str, bytes]) -> None:
        members.pop(next(name for name in members if name.endswith("/coupled.s2p")))

    untouched(other, rewritten(archive, lose), "has no proofs/CL-0001/.*/coupled.s2p")


def forged(archive: Path, **changes: object) -> Path:
    """Change the proof's record and make every checksum fit again: only the record itself is wrong."""

    def rewrite(members: dict[str, bytes]) -> None:
        manifest = json.loads(members["manifest.json"])
        (listed,) = manifest["proofs"]
        name = f"{listed['folder']}/proof.json"
        members[name] = json.dumps(json.loads(members[name]) | changes).encode()
        listed["files"]["proof.json"] = hashlib.sha256(members[name]).hexdigest()
        members["manifest.json"] = json.dumps(manifest).encode()

    return rewritten(archive, rewrite)


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({"unit": "CL-0002"}, "the manifest says"),
        ({"proof": "other1"}, "the manifest says"),
        ({"batch": "../x"}, "is not a name"),
        ({"files": {}}, "lists other files"),
        ({"schema_version": 2}, "of schema 2"),
        ({"figures": {"coupling_db": {"value": "NaN"}}}, "no number|not a proof record"),
        ({"decision": "perhaps"}, "not a proof record"),
    ],
)
def test_a_forged_record_is_refused(other: Log, archive: Path, changes: dict[str, object], match: str) -> None:
    untouched(other, forged(archive, **changes), match)


def test_a_proof_in_the_wrong_place_is_refused(other: Log, archive: Path) -> None:
    def move(members: dict[str, bytes]) -> None:
        manifest = json.loads(members["manifest.json"])
        (listed,) = manifest["proofs"]
        old, new = listed["folder"], listed["folder"].replace("CL-0001", "CL-0009")
        listed["folder"] = new
        for name in [name for name in members if name.startswith(old)]:
            members[name.replace(old, new)] = members.pop(name)
        members["manifest.json"] = json.dumps(manifest).encode()

    untouched(other, rewritten(archive, move), "it belongs in proofs/CL-0001")


def test_a_link_in_the_log_folder_is_not_followed_out_of_it(other: Log, archive: Path, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (other.address.folder / "proofs").mkdir()
    (other.address.folder / "proofs" / "CL-0001").symlink_to(outside)
    with pytest.raises(StoreError, match="leads out of the log folder"):
        receive(other, archive)
    assert list(outside.iterdir()) == []


def test_the_archive_is_plain_zip(archive: Path) -> None:
    """zipfile's own test of every member's checksum."""
    with zipfile.ZipFile(io.BytesIO(archive.read_bytes())) as opened:
        assert opened.testzip() is None


def test_a_proof_of_an_unlisted_batch_is_no_trouble(log: Log, other: Log, tmp_path: Path) -> None:
    file_proof(log, proof(unit="con", identity="device1", batch=None))
    assert receive(other, send(log, tmp_path / "a.zip")).new == ["device1"]
    assert told(other) == told(log)
