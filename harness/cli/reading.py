"""``tapproof reading``: what a reading at the sample port means on the line, and how much power is safe."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.cli import reading_options as o
from harness.cli.options import JsonOption, LogOption, NoteOption
from harness.errors import UsageError

if TYPE_CHECKING:
    from harness.analysis.reading.answer import Answer
    from harness.analysis.reading.chain import Chain
    from harness.proving import Records
    from harness.readings import ReadUnit

_WAYS = {
    "level": "--level",
    "trace": "--trace",
    "spectrum": "--spectrum",
    "safe": "--safe",
    "table": "--table",
    "heat_run": "--heat-run",
}
_ONLY_WITH = {
    "carrier": ("spectrum",),
    "limits": ("spectrum",),
    "bandwidth": ("spectrum",),
    "harmonic_swr": ("spectrum",),
    "limit": ("safe", "power"),
    "waveform": ("level",),
    "depth": ("level",),
    "two_column": ("table",),
    "log_reading": ("level", "trace"),
    "note": ("level", "trace"),
}


def reading(
    unit: Annotated[str, typer.Argument(metavar="UNIT", help="The unit's serial.")],
    at: o.At = None,
    level: o.LevelText = None,
    trace: o.Trace = None,
    into: o.IntoText = "50ohm",
    pad: o.Pads = None,
    cable: o.Cables = None,
    accuracy: o.Accuracy = None,
    input_swr: o.InputSwr = None,
    input_return_loss: o.InputReturnLoss = None,
    input_capacitance: o.InputCapacitance = None,
    line_swr: o.LineSwr = None,
    waveform: o.WaveformName = None,
    depth: o.Depth = None,
    spectrum: o.SpectrumFile = None,
    carrier: o.Carriers = None,
    limits: o.LimitsName = None,
    bandwidth: o.Bandwidth = None,
    harmonic_swr: o.HarmonicSwr = None,
    safe: o.SafeFlag = False,
    limit: o.Limit = None,
    power: o.Power = None,
    table: o.TableFlag = False,
    two_column: o.TwoColumn = False,
    log_reading: o.LogReading = False,
    heat_run: o.HeatRunFlag = False,
    note: NoteOption = "",
    log: LogOption = None,
    json_: JsonOption = False,
) -> int:
    """Tell what a reading at the sample port means on the line, from the unit's own proof; safe power; a correction table."""
    return _run(dict(locals()))


def _run(given: dict[str, Any]) -> int:
    way = _way(given)
    from harness import readings, wiring

    with wiring.open_store(given["log"]) as store:
        read = readings.open_unit(given["unit"], store)
        document, lines = _ANSWERS[way](read, given, store)
    _print(document, lines, json_=given["json_"])
    return 0


def _way(given: dict[str, Any]) -> str:
    """Return what is asked; UsageError where it is nothing, two things, or an option goes with another."""
    asked = [key for key in _WAYS if given[key]]
    if not asked and given["power"] is not None:
        asked = ["power"]
    if not asked:
        hint = "For example --at 7.1MHz --level '-5 dBm', or --safe --limit '30 dBm', --power 100W, --spectrum FILE.csv, --table."
        raise UsageError("nothing is asked of the unit", hint=hint)
    if len(asked) > 1:
        raise UsageError(f"{_WAYS[asked[0]]} and {_WAYS[asked[1]]} are two questions", hint="Ask them one after the other.")
    for key, ways in _ONLY_WITH.items():
        if given[key] and asked[0] not in ways:
            names = " or ".join(_WAYS.get(way, f"--{way}") for way in ways)
            raise UsageError(f"--{key.replace('_', '-')} goes with {names} only", hint="Leave it out.")
    if given["power"] is not None and asked[0] not in ("power", "safe") and not given["log_reading"]:
        raise UsageError(
            f"--power does not go with {_WAYS[asked[0]]}", hint="With --log-reading it is the power as another told it."
        )
    if asked[0] in ("level", "trace") and given["at"] is None:
        raise UsageError("a reading needs its frequency", hint="Add, for example, --at 7.1MHz.")
    return asked[0]


_Said = tuple[Any, list[str]]


def _chain(given: dict[str, Any]) -> Chain:
    from harness.analysis.reading.wish import chain_of
    from harness.readings import shipped_cables

    return chain_of(
        given["into"],
        given["pad"] or (),
        given["cable"] or (),
        shipped_cables(),
        accuracy=given["accuracy"],
        input_swr=given["input_swr"],
        input_return_loss=given["input_return_loss"],
        capacitance=given["input_capacitance"],
    )


def _line_swr(read: ReadUnit, given: dict[str, Any]) -> float:
    from harness.analysis.reading.wish import swr_of

    return float(read.known.type.use.line_swr) if given["line_swr"] is None else swr_of(given["line_swr"], "--line-swr")


def _at(given: dict[str, Any]) -> float | None:
    from harness.analysis.reading.wish import frequency_of

    return None if given["at"] is None else frequency_of(given["at"], "--at")


def _level(read: ReadUnit, given: dict[str, Any], store: Records) -> _Said:
    from harness import readings
    from harness.analysis.reading.answer import Asked, answer
    from harness.analysis.reading.waveform import waveform
    from harness.analysis.reading.wish import depth_of

    shown = readings.level_of(given["level"], None if given["json_"] else readings.person())
    known_as = None if given["waveform"] is None else waveform(given["waveform"], depth_of(given["depth"]))
    if known_as is None and given["depth"] is not None:
        raise UsageError("--depth goes with --waveform am", hint="Add --waveform am.")
    asked = Asked(_at(given) or 0.0, shown, _chain(given), _line_swr(read, given), known_as)
    return _told(read, given, store, answer(read.known, asked), asked.chain)


def _trace(read: ReadUnit, given: dict[str, Any], store: Records) -> _Said:
    from harness import readings
    from harness.analysis.reading.answer import answer

    asked = readings.asked_of_trace(given["trace"], _at(given) or 0.0, _chain(given), _line_swr(read, given))
    return _told(read, given, store, answer(read.known, asked), asked.chain)


def _told(read: ReadUnit, given: dict[str, Any], store: Records, found: Answer, chain: Chain) -> _Said:
    from harness import readings
    from harness.cli.print_reading import answer_document, answer_lines

    whose = "stated" if given["line_swr"] is not None else "type"
    document, lines = answer_document(read, found, whose), answer_lines(read, found, whose)
    if given["log_reading"]:
        kept = readings.keep(read, found, chain, given["power"], given["note"], store)
        document["logged"] = kept.id
        lines += ["", f"  logged as reading {kept.id}; 'tapproof reading {kept.unit} --heat-run' shows them all"]
    return document, lines


def _spectrum(read: ReadUnit, given: dict[str, Any], store: Records) -> _Said:
    from harness import readings
    from harness.analysis.reading.spectrum import AskedSpectrum, spectrum
    from harness.analysis.reading.wish import frequency_of, swr_of
    from harness.cli.print_spectrum import spectrum_document, spectrum_lines

    chain, swr = _chain(given), _line_swr(read, given)
    if chain.into != "50ohm":
        raise UsageError("a spectrum is read into 50 ohm", hint="Leave --into out.")
    hz, dbm = readings.read_spectrum(given["spectrum"])
    width = given["bandwidth"]
    asked = AskedSpectrum(
        hz,
        dbm,
        chain,
        swr,
        swr if given["harmonic_swr"] is None else swr_of(given["harmonic_swr"], "--harmonic-swr"),
        tuple(frequency_of(one, "--carrier") for one in given["carrier"] or ()),
        None if width is None else frequency_of(width, "--bandwidth"),
        None if given["limits"] is None else readings.read_limits(given["limits"]),
    )
    found = spectrum(read.known, asked)
    return spectrum_document(read, asked, found), spectrum_lines(read, asked, found)


def _bearable(given: dict[str, Any]) -> float | None:
    from harness.analysis.reading.level import level_watts

    return None if given["limit"] is None else level_watts(given["limit"], "--limit")


def _safe(read: ReadUnit, given: dict[str, Any], store: Records) -> _Said:
    from harness.analysis.reading.safe import bands_of, planned, safe_power
    from harness.analysis.reading.wish import line_watts_of
    from harness.cli.print_safe import planned_lines, safe_document, safe_lines
    from harness.readings import shipped_bands

    chain, swr, limit = _chain(given), _line_swr(read, given), _bearable(given)
    bands = bands_of(read.known, shipped_bands(), _at(given))
    found = safe_power(read.known, read.parts, bands, chain, swr, limit)
    rows, watts = [], None
    if given["power"] is not None:
        watts = line_watts_of(given["power"])
        rows = planned(read.known, bands, watts, chain, swr, limit)
    document = safe_document(read, found, rows, watts)
    lines = safe_lines(read, found) + (["", *planned_lines(read, rows, watts, swr, limit)] if watts is not None else [])
    return document, lines


def _planned(read: ReadUnit, given: dict[str, Any], store: Records) -> _Said:
    from harness.analysis.reading.safe import bands_of, planned
    from harness.analysis.reading.wish import line_watts_of
    from harness.cli.print_safe import planned_document, planned_lines
    from harness.readings import shipped_bands

    chain, swr, limit = _chain(given), _line_swr(read, given), _bearable(given)
    watts = line_watts_of(given["power"])
    rows = planned(read.known, bands_of(read.known, shipped_bands(), _at(given)), watts, chain, swr, limit)
    return planned_document(read, rows, watts, swr, limit), planned_lines(read, rows, watts, swr, limit, alone=True)


def _table(read: ReadUnit, given: dict[str, Any], store: Records) -> _Said:
    from harness.analysis.reading.correction import as_csv, as_two_columns, correction_rows

    text = as_two_columns(read.known) if given["two_column"] else as_csv(read.known)
    document = {"unit": read.standing.unit, "proof": read.standing.as_dict(), "table": correction_rows(read.known)}
    return document, text.splitlines()


def _heat_run(read: ReadUnit, given: dict[str, Any], store: Records) -> _Said:
    from harness.analysis.reading.heat_run import heat_runs
    from harness.cli.print_safe import heat_document, heat_lines

    runs = heat_runs(store.log.readings(read.standing.unit))
    if not runs:
        raise UsageError(
            f"the log holds no readings of {read.standing.unit}",
            hint="Log them with --at FREQUENCY --level LEVEL --power W --log-reading, at low and at full power.",
        )
    return heat_document(read, runs), heat_lines(read, runs)


_ANSWERS: dict[str, Callable[[ReadUnit, dict[str, Any], Records], _Said]] = {
    "level": _level,
    "trace": _trace,
    "spectrum": _spectrum,
    "safe": _safe,
    "power": _planned,
    "table": _table,
    "heat_run": _heat_run,
}


def _print(document: Any, lines: list[str], *, json_: bool) -> None:
    from harness.cli.output import print_json, printable

    if json_:
        print_json(document)
    else:
        typer.echo("\n".join(printable(line) for line in lines))
