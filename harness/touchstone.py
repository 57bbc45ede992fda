"""Touchstone files: a sweep as text, and text as a sweep. Pure; opening and decoding files is the edge's work.

scikit-rf does the reading of numbers. It never sees a path or a foreign byte: the text is checked line by line first
(``touchstone_check``), and what the parser gets is written anew from the numbers that have passed. Written are version 1.1
files (IBIS Open Forum, 2002): RI, Hz, 50 Ω, every digit. Three comment lines at the top make our own files safe to read back::

    ! tapproof sweep 1
    ! points: 201
    ! not measured, written as zeros: S12 S22
"""

from __future__ import annotations

import io
import re
import unicodedata

import numpy as np
from numpy.typing import NDArray

from harness.errors import DataError
from harness.records import Sweep
from harness.touchstone_check import MAX_CHARACTERS, MAX_COMMENTS, MAX_POINTS, MAX_PORTS, REFERENCE_OHM, Scan, scan

MARK = "tapproof sweep 1"
OPTIONS = "# Hz S RI R 50"
POINTS = "points: "
UNMEASURED = "not measured, written as zeros: "
ONE_PORT = "column: "
MAX_COMMENT = 300
"""Characters of one comment; what is longer is cut."""
ZEROS_SAID = "S12 and S22 are zeros throughout: taken as not measured"
NOISE_SAID = "the noise data of the file are not read"
OPEN_END_SAID = "the last line has no line end: if the file was cut in its last number, this cannot be seen"
RENORMALISED_SAID = "renormalised to 50 ohm from "

_PLAIN_NUMBER = r"-?[0-9]{1,400}(?:\.[0-9]{1,400})?(?:e[+-][0-9]{1,3})?"
_ROWS = {ports: re.compile(rf"(?>{_PLAIN_NUMBER}(?: {_PLAIN_NUMBER}){{{2 * ports**2}}}\n)+") for ports in (1, 2)}
_PLAIN_COMMENT = re.compile(rf"! (?!\s*port\s+impedance\b)[ -~]{{1,{MAX_COMMENT}}}", re.IGNORECASE)

_SPELLED = str.maketrans(
    {"\u03a9": "ohm", "\u03bc": "u", "\u2212": "-", "\u2013": "-", "\u00b0": " deg", "\u00b1": "+/-", "\u00df": "ss"}
)


def clean_comment(text: str) -> str:
    """Return ``text`` as it may stand in a comment line: printable ASCII, one line, at most 300 characters, no end blanks."""
    spelled = unicodedata.normalize("NFKD", text).translate(_SPELLED)
    kept = [letter for letter in spelled if not unicodedata.combining(letter)]
    plain = "".join(_ascii(letter) for letter in kept)
    return plain.strip()[:MAX_COMMENT].strip()


def _ascii(letter: str) -> str:
    if letter in "\t\n\r" or unicodedata.category(letter)[0] in "CZ":
        return " "
    return letter if letter.isascii() else "?"


def write_sweep(sweep: Sweep) -> str:
    """Return the sweep as a version 1.1 file: lines end in LF, numbers read back to the same floats.

    ``sweep.comments`` become comment lines (cleaned; empty ones dropped). Traces that are absent are written as zeros, and the
    third line says which. DataError where the sweep is no file: no trace, wrong lengths, values or frequencies not finite,
    frequencies that do not rise, more than 9 ports.
    """
    keys = _columns(sweep)
    frequencies = _frequencies(sweep)
    traces = {key: _values(sweep, key, frequencies.size) for key in sweep.traces}
    absent = [key.upper() for key in keys if key not in traces]
    lines = [MARK, f"{POINTS}{frequencies.size}", f"{UNMEASURED}{' '.join(absent) or 'none'}"]
    if sweep.ports == 1:
        lines.append(f"{ONE_PORT}{keys[0].upper()}")
    comments = [line for line in map(clean_comment, sweep.comments) if line]
    if len(comments) > MAX_COMMENTS - len(lines):
        raise DataError(
            f"the sweep {sweep.name} has {len(comments)} comments; at most {MAX_COMMENTS - len(lines)} can be written"
        )
    lines += comments
    head = [f"! {line}" for line in lines] + [OPTIONS]
    nothing = np.zeros(frequencies.size, dtype=np.complex128)
    table = np.stack([traces.get(key, nothing) for key in keys], axis=1)
    rows = [_row(hz, values, sweep.ports) for hz, values in zip(frequencies.tolist(), table.view(float).tolist(), strict=True)]
    return "\n".join([*head, *rows]) + "\n"


def _columns(sweep: Sweep) -> list[str]:
    """Return the trace of each column of the file, in the order of the file."""
    ports = sweep.ports
    if not 1 <= ports <= MAX_PORTS:
        raise DataError(f"the sweep {sweep.name} has {ports} ports; 1 to {MAX_PORTS} can be written")
    if not sweep.traces:
        raise DataError(f"the sweep {sweep.name} has no trace", hint="Measure it again.")
    if ports == 1:
        # A one-port file has one column without a name: a reflection taken at another analyser port fits as well.
        keys = list(sweep.traces)[:1]
        allowed = {f"s{port}{port}" for port in range(1, MAX_PORTS + 1)} if len(sweep.traces) == 1 else set()
    else:
        keys = [f"s{i}{j}" for i, j in _order(ports)]
        allowed = set(keys)
    strange = sorted(set(sweep.traces) - allowed)
    if strange:
        raise DataError(f"the sweep {sweep.name} has {', '.join(strange).upper()}; a {ports}-port file has no room for it")
    return keys


def _order(ports: int) -> list[tuple[int, int]]:
    pairs = [(i, j) for i in range(1, ports + 1) for j in range(1, ports + 1)]
    # Two-port rows are N11 N21 N12 N22, all others go row by row of the matrix (Touchstone 1.1).
    return sorted(pairs, key=lambda pair: pair[::-1]) if ports == 2 else pairs


def _frequencies(sweep: Sweep) -> NDArray[np.float64]:
    hz = np.asarray(sweep.frequency_hz, dtype=np.float64)
    if hz.ndim != 1 or not 1 <= hz.size <= MAX_POINTS:
        raise DataError(f"the sweep {sweep.name} has {hz.size} points; 1 to {MAX_POINTS} can be written")
    if not (np.isfinite(hz).all() and hz[0] > 0 and (np.diff(hz) > 0).all()):
        raise DataError(f"the frequencies of the sweep {sweep.name} are not finite, above 0 Hz and rising")
    return hz


def _values(sweep: Sweep, key: str, points: int) -> NDArray[np.complex128]:
    values = np.asarray(sweep.traces[key], dtype=np.complex128)
    if values.shape != (points,):
        raise DataError(f"{key.upper()} of the sweep {sweep.name} has the shape {values.shape}; {points} points are needed")
    if not np.isfinite(values).all():
        raise DataError(f"{key.upper()} of the sweep {sweep.name} holds values that are not finite", hint="Measure it again.")
    return values


def _row(hz: float, parts: list[float], ports: int) -> str:
    """Return the line of a point, or its lines; ``parts``: real and imaginary parts in turn."""
    words = list(map(repr, parts))
    if ports <= 2:
        return " ".join([repr(hz), *words])
    pairs = [" ".join(words[at : at + 2]) for at in range(0, len(words), 2)]
    lines: list[str] = []
    for start in range(0, len(pairs), ports):
        row = pairs[start : start + ports]
        lines += [" ".join(row[at : at + 4]) for at in range(0, ports, 4)]
    return "\n".join([f"{hz!r} {lines[0]}", *lines[1:]])


def read_sweep(text: str, name: str, ports: int, source: str) -> Sweep:
    """Return the sweep of a file's text, called ``name``; frequencies in Hz, S-parameters at 50 Ω.

    Versions 1.x, 2.0 and 2.1; RI, MA and DB; real reference resistances are renormalised to 50 Ω. Columns that our own comment
    calls not measured are absent, and so are S12 and S22 of a two-port file that holds nothing but zeros there (the usual
    file of a one-path instrument). Comments come back cleaned, with what was done to the data said in them.
    FileError (file, line, reason, what is allowed) for everything that is not by the rules, and for more ports or fewer than
    ``ports``; ``source`` is the file's name in messages.
    """
    plain = _plain(text, ports, source)
    seen = scan(text, ports, source) if plain is None else plain[0]
    frequency_hz, s = _parse(seen) if plain is None else plain[1:]
    said, absent, column, comments = _own_lines(seen)
    if seen.impedance_line and not said:
        seen.refuse(
            seen.impedance_line,
            "a comment gives port impedances other than 50 ohm",
            "An impedance in a comment is no part of Touchstone; export the file normalised to 50 ohm.",
        )
    if seen.has_noise:
        comments.append(NOISE_SAID)
    if said:
        _zeros_as_said(seen, s, absent)
    elif ports == 2 and not s[:, :, 1].any():
        absent = {"s12", "s22"}
        comments.append(ZEROS_SAID)
    if not said and not seen.ends_with_newline:
        comments.append(OPEN_END_SAID)
    if any(ohm != REFERENCE_OHM for ohm in seen.references):
        s = _renormalised(seen, s, absent)
        comments.append(f"{RENORMALISED_SAID}{', '.join(f'{ohm:g}' for ohm in seen.references)} ohm")
    traces = Sweep.from_matrix(name, frequency_hz, s).traces
    kept = {key if ports > 1 else column: trace for key, trace in traces.items() if key not in absent}
    if not kept:
        seen.refuse(None, "no trace was measured", "At least one column holds a measurement.")
    return Sweep(name, frequency_hz, kept, ports, tuple(comments))


def _plain(text: str, ports: int, source: str) -> tuple[Scan, NDArray[np.float64], NDArray[np.complex128]] | None:
    """Return what a one- or two-port file holds that is in the very form of ``write_sweep``: (scan, Hz, S); None else.

    Such a file is read at once, without a look at each line; whatever is not quite so is left to the careful way.
    """
    head, mark, body = text.partition(f"\n{OPTIONS}\n")
    comments = head.split("\n")
    tidy = 1 <= ports <= 2 and mark and len(text) <= MAX_CHARACTERS and f"! {MARK}" in comments and _ROWS[ports].fullmatch(body)
    if not tidy or len(comments) > MAX_COMMENTS or not all(map(_PLAIN_COMMENT.fullmatch, comments)):
        return None
    rows = [line.split(" ") for line in body.split("\n")[:-1]]
    numbers = np.array([float(token) for row in rows for token in row]).reshape(len(rows), -1)
    hz = np.ascontiguousarray(numbers[:, 0])
    if len(rows) > MAX_POINTS or not np.isfinite(numbers).all() or not hz[0] > 0 or not (np.diff(hz) > 0).all():
        return None
    seen = Scan(source, ports, unit="hz", format="ri", comments=[line[1:] for line in comments], rows=rows)
    seen.row_lines = list(range(len(comments) + 2, len(comments) + 2 + len(rows)))
    seen.ends_with_newline = True
    s = np.ascontiguousarray(numbers[:, 1:]).view(np.complex128).reshape(-1, ports, ports)
    return seen, hz, np.ascontiguousarray(s.swapaxes(1, 2))  # a two-port row is N11 N21 N12 N22


def _parse(seen: Scan) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Let scikit-rf read the checked numbers: frequencies in Hz, shape (F,), and S, shape (F, n, n), as in the file."""
    from skrf.io.touchstone import Touchstone

    stream = io.StringIO("\n".join([*_canonical_head(seen), *map(" ".join, seen.rows)]) + "\n")
    stream.name = "checked.ts" if seen.version else f"checked.s{seen.ports}p"
    with np.errstate(all="ignore"):
        parsed = Touchstone(stream)
    frequency_hz = np.asarray(parsed.f, dtype=np.float64)
    s = np.ascontiguousarray(parsed.s, dtype=np.complex128)
    bad = ~np.isfinite(s).all(axis=(1, 2))
    if bad.any():
        line = seen.row_lines[int(np.argmax(bad))]
        seen.refuse(line, "the row holds a value that is no finite number as a ratio", "Magnitudes in dB stay below 6000 dB.")
    level = np.flatnonzero(np.diff(frequency_hz) <= 0)
    if level.size:
        seen.refuse(seen.row_lines[int(level[0]) + 1], "the frequency is repeated", "Frequencies rise from row to row.")
    return frequency_hz, s


def _canonical_head(seen: Scan) -> list[str]:
    options = f"# {seen.unit} s {seen.format} r {REFERENCE_OHM:g}"
    if seen.version is None:
        return [options]
    order = [f"[Two-Port Data Order] {seen.keywords['two-port data order']}"] if seen.ports == 2 else []
    return [
        f"[Version] {seen.version}",
        options,
        f"[Number of Ports] {seen.ports}",
        *order,
        f"[Number of Frequencies] {len(seen.rows)}",
        f"[Matrix Format] {seen.keywords.get('matrix format', 'full')}",
        "[Network Data]",
    ]


def _own_lines(seen: Scan) -> tuple[bool, set[str], str, list[str]]:
    """Return (is it ours, absent traces, the one column's trace, other comments); refuse where our own counts do not hold."""
    raw = [comment.strip(" \t") for comment in seen.comments]
    if MARK not in raw:
        return False, set(), "s11", [line for line in map(clean_comment, raw) if line]
    at = raw.index(MARK)
    own = raw[at + 1 : at + (4 if seen.ports == 1 else 3)]
    expected = [rf"{POINTS}([0-9]{{1,6}})", rf"{UNMEASURED}(none|S[0-9]{{2}}(?: S[0-9]{{2}})*)", rf"{ONE_PORT}(S[0-9]{{2}})"]
    found = [re.fullmatch(pattern, line) for pattern, line in zip(expected, own, strict=False)]
    answers = [match[1] for match in found if match is not None]
    if len(answers) != (3 if seen.ports == 1 else 2):
        seen.refuse(None, f"the lines behind '! {MARK}' were changed", "Take the file as the program wrote it.")
    if int(answers[0]) != len(seen.rows):
        seen.refuse(
            None, f"the file says {answers[0]} points and holds {len(seen.rows)}: it is cut", "Copy the whole file again."
        )
    if not seen.ends_with_newline:
        seen.refuse(seen.row_lines[-1], "the last line has no line end: the file is cut", "Copy the whole file again.")
    absent = set() if answers[1] == "none" else set(answers[1].lower().split())
    rest = raw[:at] + raw[at + 1 + len(answers) :]
    return True, absent, answers[2].lower() if seen.ports == 1 else "s11", [line for line in map(clean_comment, rest) if line]


def _zeros_as_said(seen: Scan, s: NDArray[np.complex128], absent: set[str]) -> None:
    allowed = {f"s{i}{j}" for i, j in _order(seen.ports)}
    for key in sorted(absent):
        column = s[:, int(key[1]) - 1, int(key[2]) - 1] if key in allowed else None
        if column is None or column.any():
            seen.refuse(None, f"{key.upper()} is said to be not measured, and is not zeros", "Take the file as it was written.")


def _renormalised(seen: Scan, s: NDArray[np.complex128], absent: set[str]) -> NDArray[np.complex128]:
    from skrf.network import renormalize_s

    if absent:
        seen.refuse(
            None,
            f"the reference resistance is not {REFERENCE_OHM:g} ohm, and {', '.join(sorted(absent)).upper()} are not measured",
            "Without all traces the file cannot be brought to 50 ohm. Export it at 50 ohm.",
        )
    old = np.broadcast_to(np.array(seen.references, dtype=np.complex128), s.shape[:2]).copy()
    with np.errstate(all="ignore"):
        renormalised = np.asarray(renormalize_s(s, old, REFERENCE_OHM), dtype=np.complex128)
    if not np.isfinite(renormalised).all():
        seen.refuse(None, "the data cannot be brought to 50 ohm", "Export the file at 50 ohm.")
    return renormalised
