"""Functions of bytes that may end in one way only: without an exception. What a parser is allowed to raise is caught here.

Each target checks more than that nothing breaks: what is read must read back the same, or nothing may have been written.
"""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Callable, Mapping
from functools import cache, partial
from pathlib import Path
from typing import Any

import numpy as np

from drivers.dialect import Dialect, parse_dialect, parse_error_entry
from drivers.framing import Query
from harness.errors import CommandRefused, FileError, ReplyError, StoreError, TapproofError
from harness.files.disk import sha256_of
from harness.log import open_log
from harness.log.exporting import export
from harness.log.importing import import_archive
from harness.log.manifest import MANIFEST, parse_manifest
from harness.log.unit_log import Log
from harness.log.withdrawing import withdraw_proof
from harness.records import Grid
from harness.touchstone import read_sweep, write_sweep
from tests.batch_records import file_proof, unit_proof
from tests.fake_links import dialect

POINTS = 3
GRID = Grid(1e6, 3e6, POINTS)
SMALL_DISK = Path("/dev/shm")
"""A file system in memory where there is one: the log target writes an archive for every input."""


def _told(error: TapproofError, *, hint: bool = False) -> None:
    """An error that is allowed says what came, and where asked for what to do."""
    assert error.message
    assert error.hint or not hint


def touchstone(data: bytes) -> None:
    """The first byte chooses the ports; the rest is the file. What is read is written and reads back to the same bits."""
    ports = 1 + data[0] % 4 if data else 1
    text = data[1:].decode("utf-8", errors="replace")
    try:
        sweep = read_sweep(text, "line", ports, "line")
    except FileError as error:
        _told(error)
        return
    again = read_sweep(write_sweep(sweep), "line", ports, "again")
    np.testing.assert_array_equal(again.frequency_hz, sweep.frequency_hz)
    assert set(again.traces) == set(sweep.traces)
    for key in sweep.traces:
        np.testing.assert_array_equal(again.traces[key], sweep.traces[key])


def dialect_reply(data: bytes) -> None:
    """Two bytes choose the query and where the reply is cut; the rest is the reply. All numbers that come out are finite."""
    if len(data) < 2:
        return
    makers = _queries()
    query = makers[data[0] % len(makers)]()
    reply, step = data[2:], 1 + data[1] % 16
    try:
        for at in range(0, len(reply), step):
            query.framer.feed(reply[at : at + step])
        value = query.read(query.framer.reply())
    except (ReplyError, CommandRefused) as error:
        _told(error, hint=True)
        return
    if isinstance(value, np.ndarray):
        assert value.shape == (POINTS,)
        assert np.isfinite(value).all()


def settings(data: bytes) -> None:
    """The first byte chooses a question for the settings; the rest is the answer, read against what was asked for."""
    if not data:
        return
    text = data[1:].decode("latin-1")
    plain, scpi = _dialects()
    entries = [(spoken, entry) for spoken in (plain, scpi) for entry in spoken.file.read_back]
    spoken, entry = entries[data[0] % len(entries)]
    try:
        numbers = spoken.check_read_back(entry, text, GRID)
        assert all(np.isfinite(number) for number in numbers.values())
        parse_error_entry(text, "SYSTem:ERRor?")
    except ReplyError as error:
        _told(error)


def dialect_file(data: bytes) -> None:
    """A dialect file, whose messages can then be made, and nothing that is no plain ASCII leaves in one."""
    try:
        spoken = parse_dialect(data.decode("utf-8", errors="replace"), "some.toml")
    except FileError as error:
        _told(error)
        return
    for message in spoken.set_up(GRID) if GRID.spacing in spoken.file.words.spacing else ():
        assert message.isascii()
        assert message.isprintable()


def archive(data: bytes) -> None:
    """The bytes of an archive as they are: refused, with nothing written, or taken whole."""
    _import(data)


def archive_members(data: bytes) -> None:
    """A true archive with one member spliced: which, where (two bytes), how many bytes go; the rest takes their place.

    The checksums in record and manifest are made to fit, so that the reading behind them is reached as well.
    """
    if len(data) < 4:
        return
    parts = dict(_true_parts())
    names = sorted(parts)
    name, put = names[data[0] % len(names)], data[4:]
    old = parts[name]
    at = int.from_bytes(data[1:3], "big") % (len(old) + 1)
    parts[name] = old[:at] + put + old[at + data[3] :]
    for holder in (next(one for one in names if one.endswith("proof.json")), MANIFEST):
        before = parts[holder]
        parts[holder] = before.replace(sha256_of(old).encode(), sha256_of(parts[name]).encode()) if holder != name else before
        if holder != MANIFEST and holder != name:
            parts[MANIFEST] = parts[MANIFEST].replace(sha256_of(before).encode(), sha256_of(parts[holder]).encode())
    _import(_zipped(parts))


def manifest(data: bytes) -> None:
    """The manifest of an archive alone."""
    try:
        parse_manifest(data.decode("utf-8", errors="replace"), "an archive").members()
    except FileError as error:
        _told(error)


TARGETS: Mapping[str, Callable[[bytes], None]] = {
    "touchstone": touchstone,
    "dialect-reply": dialect_reply,
    "settings": settings,
    "dialect-file": dialect_file,
    "archive": archive,
    "archive-members": archive_members,
    "manifest": manifest,
}


# -- what the targets share -----------------------------------------------------------------------------------------------


@cache
def _dialects() -> tuple[Dialect, Dialect]:
    return dialect("plain-serial"), dialect("scpi-simulated")


@cache
def _queries() -> tuple[Callable[[], Query[Any]], ...]:
    plain, scpi = _dialects()
    ascii_ = dialect("scpi-simulated", ('form = "real64" ', 'form = "ascii" '))
    short = dialect("scpi-simulated", ('form = "real64" ', 'form = "real32" '))
    found = (plain, scpi, ascii_, short, plain.with_echo(True), scpi.with_echo(True))
    makers: list[Callable[[], Query[Any]]] = []
    for one in found:
        makers += [one.identify, partial(one.ask, "who"), partial(one.axis, POINTS), partial(one.trace, "s11", POINTS)]
    return (*makers, partial(_take, plain))


def _take(spoken: Dialect) -> Query[None]:
    message = spoken.command("take")
    assert isinstance(message, Query)
    return message


@cache
def _true_parts() -> Mapping[str, bytes]:
    """The members of an archive with one proof, withdrawn, as the program writes it."""
    with tempfile.TemporaryDirectory() as folder, open_log(Path(folder) / "log") as log:
        file_proof(log, unit_proof("CL-0001", "one1", 30.1))
        when, program = "2024-05-20T10:00:00Z", "tapproof 0.1.0"
        withdraw_proof(log.address.folder, log, "one1", "load forgotten", when=when, who="", program=program)
        target = Path(folder) / "one.zip"
        export(log, log.address.folder, target, ["one1"], program="tapproof 0.1.0", made="2024-06-01T10:00:00+02:00")
        with zipfile.ZipFile(target) as opened:
            return {name: opened.read(name) for name in opened.namelist()}


def _zipped(parts: Mapping[str, bytes]) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return made.getvalue()


@cache
def _place() -> tuple[tempfile.TemporaryDirectory[str], Log]:
    """A folder that ends with the process, and a log in it."""
    folder = tempfile.TemporaryDirectory(dir=SMALL_DISK if SMALL_DISK.is_dir() else None, ignore_cleanup_errors=True)
    return folder, open_log(Path(folder.name) / "log")


def _import(data: bytes) -> None:
    folder, log = _place()
    path = Path(folder.name) / "some.zip"
    path.write_bytes(data)
    before = log.count()
    try:
        done = import_archive(log, log.address.folder, path)
    except (FileError, StoreError) as error:
        _told(error)
        assert log.count() == before
    else:
        assert log.count() == before + len(done.new)
    beside = {entry.name for entry in Path(folder.name).iterdir()}
    assert beside == {"log", "some.zip"}, beside
    within = {entry.name for entry in log.address.folder.iterdir() if not entry.name.startswith("log.sqlite")}
    assert within <= {"proofs", "pending", "withdrawals"}, within


def seeds(name: str) -> list[bytes]:
    """Return inputs that a target takes as true, to begin from."""
    if name == "touchstone":
        shared = [path for path in Path(__file__).parents[2].glob("fixtures/**/*.s[1-4]p") if path.stat().st_size < 20_000]
        return [bytes([int(path.suffix[2]) - 1]) + path.read_bytes()[:8000] for path in sorted(shared)[:30]] + [
            b"\x01! tapproof sweep 1\n! points: 1\n! not measured, written as zeros: S12 S22\n"
            b"# Hz S RI R 50\n1e6 .1 .2 .3 .4 0 0 0 0\n",
            b"\x00# MHz S DB R 75\n1 -3 45\n2 -3 46 ! said\n",
            b"\x01[Version] 2.0\n# GHz S MA R 50\n[Number of Ports] 2\n[Two-Port Data Order] 21_12\n[Number of Frequencies] 1\n"
            b"[Reference] 50 75\n[Matrix Format] Upper\n[Network Data]\n1 .9 10 .1 20 .9 30\n[End]\n",
        ]
    if name in ("archive", "archive-members"):
        parts = _true_parts()
        order = sorted(parts)
        return [_zipped(parts)] if name == "archive" else [bytes([at, 0, 0, 0]) for at in range(len(order))]
    simple: Mapping[str, list[bytes]] = {
        "dialect-reply": [
            b"\x00\x03maker,analyser,1,1\r\nok: ",
            b"\x02\x05" + b"00000001000000.000\r\n" * 3 + b"ok: ",
            b"\x03\x02" + b"+1.000000000000e+00 -1.000000000000e-01\r\n" * 3 + b"ok: ",
            b"\x00\x01error: unknown\r\nok: ",
            b"\x04\x00maker,analyser,1,1\n",
            b"\x06\x07#224" + b"\x41" * 24 + b"\n",
            b"\x07\x07#248" + b"\x3f" * 48 + b"\n",
            b"\x0a\x01+1.0E6,2E6,3000000\n",
            b"\x0b\x01+1,2,3,4,5,-6E-1\n",
            b"\x10\x00who\r\nmaker,analyser\r\nok: ",
        ],
        "settings": [
            b"\x00000001000000.000 000003000000.000 3",
            b"\x0016",
            b"\x021e6",
            b'\x05-113,"Undefined header"',
            b"\x05LIN",
            b"\x08REAL,64",
        ],
        "dialect-file": [
            path.read_bytes() for path in sorted((Path(__file__).parents[2] / "drivers" / "dialects").glob("*.toml"))
        ],
        "manifest": [_true_parts()[MANIFEST]],
    }
    return simple[name]
