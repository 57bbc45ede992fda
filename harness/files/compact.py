"""``sweeps.npz``: a proof's corrected sweeps as plain arrays beside the Touchstone files, so that nothing has to parse text.

Three arrays in numpy's own formats (``numpy.load(..., allow_pickle=False)`` reads them): ``index`` (JSON as bytes: for each
sweep its name, ports, traces and grid), ``frequency_hz`` (the grids one after the other), ``values`` (the traces one after the
other). Nothing is ever unpickled: the headers are checked first, and the bytes are taken as float64 and complex128.
"""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Mapping
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.errors import FileError
from harness.records import Sweep

SWEEPS_FILE = "sweeps.npz"
_MEMBERS: dict[str, np.dtype[Any]] = {
    "index.npy": np.dtype("|u1"),
    "frequency_hz.npy": np.dtype("<f8"),
    "values.npy": np.dtype("<c16"),
}
_DATE = (1980, 1, 1, 0, 0, 0)
"""The first date that the format knows: the same sweeps make the same bytes."""
MAX_INDEX = 1_000_000
_USUAL_HEADER = 128
"""Bytes before the values in a file of one dimension, as numpy pads it."""


def pack_sweeps(sweeps: Mapping[str, Sweep]) -> bytes:
    """Return the bytes of ``sweeps.npz``. Comments are not kept: they stand in the Touchstone files."""
    grids: list[NDArray[np.float64]] = []
    values: list[NDArray[np.complex128]] = []
    index: list[dict[str, Any]] = []
    for name, sweep in sweeps.items():
        place = next((at for at, grid in enumerate(grids) if np.array_equal(grid, sweep.frequency_hz)), len(grids))
        if place == len(grids):
            grids.append(np.asarray(sweep.frequency_hz, dtype=np.float64))
        index.append({"name": name, "ports": sweep.ports, "traces": list(sweep.traces), "grid": place})
        values += [np.asarray(trace, dtype=np.complex128) for trace in sweep.traces.values()]
    head = {"version": 1, "grids": [grid.size for grid in grids], "sweeps": index}
    arrays: dict[str, NDArray[Any]] = {
        "index.npy": np.frombuffer(json.dumps(head).encode(), dtype=np.uint8),
        "frequency_hz.npy": np.concatenate(grids) if grids else np.zeros(0),
        "values.npy": np.concatenate(values) if values else np.zeros(0, dtype=np.complex128),
    }
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as archive:
        for member, array in arrays.items():
            stream = io.BytesIO()
            np.lib.format.write_array(stream, array.astype(_MEMBERS[member], copy=False), allow_pickle=False)
            archive.writestr(zipfile.ZipInfo(member, _DATE), stream.getvalue())
    return packed.getvalue()


def unpack_sweeps(data: bytes, source: str) -> dict[str, Sweep]:
    """Return the sweeps by name, without comments. FileError: not such a file, a pickle, or arrays that do not fit the index."""
    try:
        return _sweeps(*_arrays(data))
    except (ValueError, KeyError, TypeError, EOFError, NotImplementedError, RuntimeError, zipfile.BadZipFile) as error:
        said = str(error).split("\n")[0] or type(error).__name__
        raise FileError(
            f"{source} holds no sweeps that can be read: {said}",
            hint="The Touchstone files beside it hold the same sweeps; 'tapproof log check' tells what was changed.",
            file=source,
        ) from None


def _arrays(data: bytes) -> tuple[bytes, NDArray[np.float64], NDArray[np.complex128]]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        found = {info.filename: info for info in archive.infolist()}
        if set(found) != set(_MEMBERS) or len(archive.infolist()) != len(_MEMBERS):
            raise ValueError("it does not hold index, frequency_hz and values alone")
        if any(info.compress_type != zipfile.ZIP_STORED or info.file_size > len(data) for info in found.values()):
            raise ValueError("its arrays are compressed")
        index, grids, values = (_array(archive.read(found[member]), dtype) for member, dtype in _MEMBERS.items())
    if index.size > MAX_INDEX:
        raise ValueError("its index is too long")
    return index.tobytes(), grids, values


def _array(data: bytes, dtype: np.dtype[Any]) -> NDArray[Any]:
    """Take one ``.npy`` by its header, which must say one dimension, this type, and as many values as bytes follow."""
    usual = _header(dtype, (len(data) - _USUAL_HEADER) // dtype.itemsize)
    if data.startswith(usual) and (len(data) - len(usual)) % dtype.itemsize == 0:
        return np.frombuffer(data, dtype, offset=len(usual))
    stream = io.BytesIO(data)
    if np.lib.format.read_magic(stream) != (1, 0):
        raise ValueError("an array is of another version of the format")
    shape, _, came = np.lib.format.read_array_header_1_0(stream)
    start = stream.tell()
    if came != dtype or len(shape) != 1 or shape[0] * dtype.itemsize != len(data) - start:
        raise ValueError(f"an array is of type {came} and shape {shape}, which is not what the file holds")
    return np.frombuffer(data, dtype, offset=start)


@lru_cache(maxsize=1000)
def _header(dtype: np.dtype[Any], size: int) -> bytes:
    """Return the header that numpy writes before ``size`` values: to compare with it is quicker than to parse it."""
    stream = io.BytesIO()
    said = {"descr": dtype.str, "fortran_order": False, "shape": (max(0, size),)}
    np.lib.format.write_array_header_1_0(stream, said)
    return stream.getvalue()


def _sweeps(index: bytes, frequencies: NDArray[np.float64], values: NDArray[np.complex128]) -> dict[str, Sweep]:
    head = json.loads(index)
    if head["version"] != 1:
        raise ValueError(f"its version is {head['version']}; this program reads version 1")
    grids = _cut(frequencies, [int(size) for size in head["grids"]])
    sweeps: dict[str, Sweep] = {}
    traces = [(entry, key) for entry in head["sweeps"] for key in entry["traces"]]
    cut = iter(_cut(values, [grids[entry["grid"]].size for entry, _ in traces]))
    for entry in head["sweeps"]:
        kept = {str(key): next(cut) for key in entry["traces"]}
        sweeps[str(entry["name"])] = Sweep(str(entry["name"]), grids[entry["grid"]], kept, int(entry["ports"]))
    return sweeps


def _cut(array: NDArray[Any], sizes: list[int]) -> list[NDArray[Any]]:
    """Cut an array into pieces of these sizes; ValueError where they do not add up."""
    if any(size < 0 for size in sizes) or sum(sizes) != array.size:
        raise ValueError("its index and its arrays do not fit each other")
    ends = np.cumsum([0, *sizes])
    return [array[start:end] for start, end in pairwise(ends)]
