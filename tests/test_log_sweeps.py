"""The arrays beside a proof's Touchstone files: the same numbers, readable by numpy alone, and never a pickle.

numpy is the outside source for the format (``numpy.load`` with ``allow_pickle=False``).
"""

from __future__ import annotations

import io
import json
import pickle
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import FileError
from harness.files import read_proof_sweeps, read_stored_sweeps, write_proof
from harness.files.compact import SWEEPS_FILE, pack_sweeps, unpack_sweeps
from harness.records import Sweep
from tests.records_for_files import corrected, proof, raw


def same(one: dict[str, Sweep], other: dict[str, Sweep]) -> None:
    assert list(one) == list(other)
    for name, sweep in one.items():
        assert (sweep.name, sweep.ports, list(sweep.traces)) == (name, other[name].ports, list(other[name].traces))
        np.testing.assert_array_equal(sweep.frequency_hz, other[name].frequency_hz)
        for key in sweep.traces:
            np.testing.assert_array_equal(sweep.trace(key), other[name].trace(key))


def test_the_arrays_hold_what_the_touchstone_files_hold(tmp_path: Path) -> None:
    filed, folder = write_proof(tmp_path, proof(), corrected(), raw(), {})
    texts = read_proof_sweeps(folder)
    same(read_stored_sweeps(folder), {name: texts[name] for name in corrected()})
    same(read_stored_sweeps(folder, filed.files), read_stored_sweeps(folder))


def test_numpy_reads_the_file_without_pickles(tmp_path: Path) -> None:
    folder = write_proof(tmp_path, proof(), corrected(), {}, {})[1]
    with np.load(folder / SWEEPS_FILE, allow_pickle=False) as arrays:
        index = json.loads(arrays["index"].tobytes())
        frequencies, values = arrays["frequency_hz"], arrays["values"]
    assert [entry["name"] for entry in index["sweeps"]] == list(corrected())
    np.testing.assert_array_equal(frequencies, corrected()["line"].frequency_hz)
    np.testing.assert_array_equal(values[:3], corrected()["line"].trace("s11"))


def test_the_same_sweeps_make_the_same_bytes() -> None:
    assert pack_sweeps(corrected()) == pack_sweeps(corrected())


def test_a_proof_from_before_the_arrays_gives_the_sweeps_of_its_texts(tmp_path: Path) -> None:
    folder = write_proof(tmp_path, proof(), corrected(), {}, {})[1]
    record = folder / "proof.json"
    old = json.loads(record.read_text())
    del old["files"][SWEEPS_FILE]
    record.write_text(json.dumps(old))
    (folder / SWEEPS_FILE).unlink()
    assert set(read_stored_sweeps(folder)) == set(corrected())


def test_changed_arrays_are_not_given_out(tmp_path: Path) -> None:
    folder = write_proof(tmp_path, proof(), corrected(), {}, {})[1]
    path = folder / SWEEPS_FILE
    data = bytearray(path.read_bytes())
    data[-200] ^= 1
    path.write_bytes(bytes(data))
    with pytest.raises(FileError, match="was changed after it was filed"):
        read_stored_sweeps(folder)


@given(st.lists(st.tuples(st.integers(1, 5), st.integers(1, 3)), max_size=4))
def test_any_sweeps_come_back(shapes: list[tuple[int, int]]) -> None:
    rng = np.random.default_rng(len(shapes))
    sweeps = {}
    for number, (points, traces) in enumerate(shapes):
        values = {f"s{at + 1}1": rng.normal(size=points) + 1j * rng.normal(size=points) for at in range(traces)}
        sweeps[f"n{number}"] = Sweep(f"n{number}", np.arange(1.0, points + 1), values, 9)
    same(unpack_sweeps(pack_sweeps(sweeps), "x"), sweeps)


class Touch:
    """Writes a file when it is unpickled."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self) -> tuple[Any, tuple[Any, ...]]:
        return (Path.write_text, (self.path, "executed"))


def archive_of(**members: bytes) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name, data in members.items():
            archive.writestr(f"{name}.npy", data)
    return packed.getvalue()


def npy(array: Any, *, pickles: bool = False) -> bytes:
    stream = io.BytesIO()
    np.save(stream, array, allow_pickle=pickles)
    return stream.getvalue()


def test_a_pickle_is_refused_and_does_not_run(tmp_path: Path) -> None:
    mark = tmp_path / "mark"
    evil = np.empty(1, dtype=object)
    evil[0] = Touch(mark)
    inside = archive_of(index=npy(np.zeros(1, np.uint8)), frequency_hz=npy(np.zeros(1)), values=npy(evil, pickles=True))
    for data in (pickle.dumps(Touch(mark)), npy(evil, pickles=True), inside):
        with pytest.raises(FileError, match="holds no sweeps"):
            unpack_sweeps(data, "sweeps.npz")
        assert not mark.exists()
    with np.load(io.BytesIO(inside), allow_pickle=True) as loaded:  # the same bytes do run where pickles are allowed
        assert loaded["values"] is not None
    assert mark.read_text() == "executed"


INDEX = {"version": 1, "grids": [2], "sweeps": [{"name": "line", "ports": 2, "traces": ["s11"], "grid": 0}]}


def hand_made(index: Any = INDEX, frequencies: Any = (1.0, 2.0), values: Any = (1j, 2j)) -> bytes:
    head = index if isinstance(index, bytes) else json.dumps(index).encode()
    arrays = npy(np.frombuffer(head, np.uint8)), npy(np.asarray(frequencies)), npy(np.asarray(values))
    return archive_of(index=arrays[0], frequency_hz=arrays[1], values=arrays[2])


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"PK\x03\x04",
        pack_sweeps(corrected())[:-30],
        hand_made(index=b"{"),
        hand_made(index={**INDEX, "version": 2}),
        hand_made(index={**INDEX, "grids": [3]}),
        hand_made(index={**INDEX, "grids": [-1, 3]}),
        hand_made(index={"version": 1, "grids": [2], "sweeps": [{"name": "line"}]}),
        hand_made(index={"version": 1, "grids": [2], "sweeps": []}),
        hand_made(index=[]),
        hand_made(frequencies=(1, 2)),
        hand_made(values=((1j, 2j),)),
        archive_of(index=npy(np.zeros(1, np.uint8)), frequency_hz=npy(np.zeros(1))),
        archive_of(index=b"", frequency_hz=b"", values=b""),
        archive_of(index=npy(np.zeros(1, np.uint8)), frequency_hz=npy(np.zeros(9))[:-8], values=npy(np.zeros(1, complex))),
    ],
)
def test_what_is_not_such_a_file_is_told(data: bytes) -> None:
    with pytest.raises(FileError, match="holds no sweeps that can be read"):
        unpack_sweeps(data, "sweeps.npz")


def test_a_hand_made_file_by_the_rules_is_read() -> None:
    np.testing.assert_array_equal(unpack_sweeps(hand_made(), "x")["line"].trace("s11"), [1j, 2j])


def test_a_header_that_promises_more_than_there_is_takes_no_memory() -> None:
    """1e12 values in the header of 16 bytes of data: refused by the header, nothing of that size is ever asked for."""
    good = npy(np.zeros(1, complex))
    evil = good.replace(b"(1,), }".ljust(20), b"(1000000000000,), }".ljust(20))
    assert evil != good
    with pytest.raises(FileError, match="holds no sweeps"):
        unpack_sweeps(archive_of(index=npy(np.zeros(1, np.uint8)), frequency_hz=npy(np.zeros(1)), values=evil), "x")
