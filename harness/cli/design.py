"""``tapproof design``: wanted coupling, band and power in; turns and everything that follows out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from harness.cli import design_options as o
from harness.cli.options import JsonOption, LogOption
from harness.errors import UsageError

if TYPE_CHECKING:
    from harness.sampler.design import Design, DesignWish, Parts, SearchResult

KEEP = 5
IMPOSSIBLE = 2
"""Exit status when nothing meets the wish."""


def design(
    coupling: o.Coupling,
    band: o.Band,
    power: o.Power,
    line_swr: o.LineSwr = 1.5,
    core: o.Core = None,
    stack: o.Stack = None,
    turns: o.Turns = None,
    wire: o.Wire = None,
    line: o.Line = None,
    termination: o.Termination = "external",
    internal: o.InternalOhm = "50ohm",
    arrangement: o.Arrangement = None,
    pad: o.Pad = None,
    shunt: o.Shunt = None,
    series: o.Series = None,
    second_turns: o.SecondTurns = None,
    second_core: o.SecondCore = None,
    line_connectors: o.LineConnectors = "UHF",
    sample_connector: o.SampleConnector = "BNC",
    sleeve: o.Sleeve = "0mm",
    line_length: o.LineLength = "50mm",
    instrument_limit: o.InstrumentLimit = "20dBm",
    most_rise: o.MostRise = 40.0,
    tolerances: o.TolerancesOption = None,
    parts: o.PartsFiles = None,
    like: o.Like = None,
    keep: o.Keep = None,
    pick: o.Pick = 1,
    save: o.Save = None,
    name: o.NameOption = None,
    title: o.Title = "",
    sheet: o.Sheet = None,
    force: o.Force = False,
    log: LogOption = None,
    json_: JsonOption = False,
) -> int:
    """Design a sampler: turns and everything that follows. Without --core the best cores and arrangements are ranked."""
    return _run(dict(locals()))


def _run(given: dict[str, Any]) -> int:
    from harness import wiring
    from harness.sampler import design as engine

    found: Design | None
    whole: Design | SearchResult
    targets = [path for path in (given["save"], given["sheet"]) if path is not None]
    for path in targets:
        wiring.check_free(path, force=given["force"])
    known = wiring.design_parts(given["parts"] or [])
    wish = _wish(given)
    if given["core"] is not None and given["keep"] is None:
        found = whole = engine.design(wish, known)
    else:
        found, whole = _ranked(wish, known, given["keep"] or KEEP, given["pick"])
    rule = "" if found is not None or given["json_"] else engine.design(wish, known).practice.says
    wanted = found is not None and found.feasible
    written = _write(found, known, given) if found is not None and wanted else []  # before anything is printed: it may fail
    _print(found, whole, given, rule)
    if targets and not wanted:
        written = ["nothing was written: no design meets the wish"]
    for line in written:
        typer.echo(line, err=True)
    return 0 if wanted else IMPOSSIBLE


def _ranked(wish: DesignWish, parts: Parts, keep: int, pick: int) -> tuple[Design | None, SearchResult]:
    """Return the picked design of the ranking (None where nothing meets the wish) and the whole search."""
    from harness.sampler import design as engine

    result = engine.search(wish, parts, max(keep, pick))
    if result.designs and pick > len(result.designs):
        raise UsageError(f"--pick {pick}: only {len(result.designs)} designs meet the wish", hint="Give a smaller number.")
    return (result.designs[pick - 1] if result.designs else None), result


def _wish(given: dict[str, Any]) -> DesignWish:
    from harness import wiring
    from harness.likeness import fitted_like
    from harness.quantities import parse_band, parse_db, parse_power, parse_quantity
    from harness.sampler.design import DesignWish

    same = ("line_swr", "core", "stack", "turns", "line", "termination", "second_turns", "second_core")
    values: dict[str, Any] = {key: given[key] for key in (*same, "line_connectors", "sample_connector")}
    values |= {
        "coupling_db": parse_db(given["coupling"], "--coupling"),
        "band_hz": parse_band(given["band"], "--band"),
        "line_power": parse_power(given["power"], "--power"),
        "wire_awg": o.wire_gauge(given["wire"]),
        "kind": given["arrangement"],
        "internal_ohm": parse_quantity(given["internal"], "Ω", "--internal"),
        "pad_db": o.maybe(given["pad"], "dB", "--pad"),
        "shunt_ohm": o.maybe(given["shunt"], "Ω", "--shunt"),
        "series_ohm": o.maybe(given["series"], "Ω", "--series"),
        "sleeve": parse_quantity(given["sleeve"], "m", "--sleeve"),
        "line_length": parse_quantity(given["line_length"], "m", "--line-length"),
        "instrument_limit": o.level_watts(given["instrument_limit"], "--instrument-limit"),
        "most_core_rise": given["most_rise"],
        "tolerances": o.tolerances(given["tolerances"]),
    }
    if given["like"] is not None:
        with wiring.open_store(given["log"]) as store:
            values["like"] = fitted_like(store, given["like"])
    return DesignWish(**values)


def _print(found: Design | None, whole: Any, given: dict[str, Any], rule: str) -> None:
    from harness.cli.output import print_json, printable
    from harness.cli.print_design import design_lines
    from harness.cli.print_ranking import ranking_lines

    if given["json_"]:
        print_json(whole.as_dict())
        return
    lines = [] if whole is found else ranking_lines(whole, given["pick"], rule)
    if found is not None:
        lines += [*([""] if lines else []), *design_lines(found)]
    typer.echo("\n".join(printable(line) for line in lines))


def _write(found: Design, parts: Parts, given: dict[str, Any]) -> list[str]:
    """Write the files that are asked for; return a line for each."""
    from harness import wiring

    save, sheet = given["save"], given["sheet"]
    name = given["name"] or (save or sheet or Path("design")).stem
    lines = []
    if save is not None:
        wiring.save_type(found, save, name, given["title"], force=given["force"])
        lines.append(f"type file:   {save}   (--type {save})")
    if sheet is not None:
        wiring.write_build_sheet(found, parts, sheet, name, given["title"], force=given["force"])
        lines.append(f"build sheet: {sheet}")
    return lines
