"""The options of ``tapproof design``, worded once, and their way from text to numbers."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.errors import UsageError

if TYPE_CHECKING:
    from harness.sampler.design import Tolerances

Coupling = Annotated[str, typer.Option("--coupling", metavar="DB", help="Wanted, into a 50 ohm instrument: 30dB.")]
Band = Annotated[str, typer.Option("--band", metavar="LOW:HIGH", help="Where it must hold: 1.8MHz:54MHz.")]
Power = Annotated[str, typer.Option("--power", metavar="W", help="The most the line will carry: 1500W.")]
LineSwr = Annotated[float, typer.Option("--line-swr", metavar="SWR", help="The worst SWR of the line.")]
Core = Annotated[str | None, typer.Option("--core", metavar="NAME", help="Core, as FT-50-43; without it the best are ranked.")]
Stack = Annotated[int | None, typer.Option("--stack", metavar="N", help="Cores one on the other.")]
Turns = Annotated[int | None, typer.Option("--turns", metavar="N", help="Turns, if they are fixed.")]
Wire = Annotated[str | None, typer.Option("--wire", metavar="AWG", help="Winding wire: 24, or 'AWG 24'.")]
Line = Annotated[str | None, typer.Option("--line", metavar="NAME", help="The coax through the core, such as RG-303.")]
Termination = Annotated[str, typer.Option("--termination", metavar="WHERE", help="external or internal.")]
InternalOhm = Annotated[str, typer.Option("--internal", metavar="OHM", help="The resistor of an internal termination: 50ohm.")]
Arrangement = Annotated[
    str | None,
    typer.Option("--arrangement", metavar="KIND", help="bare winding, winding and pad, low-value load, or two windings."),
]
Pad = Annotated[str | None, typer.Option("--pad", metavar="DB", help="A pad behind the winding: 10dB.")]
Shunt = Annotated[str | None, typer.Option("--shunt", metavar="OHM", help="A low value across the winding: 10ohm.")]
Series = Annotated[str | None, typer.Option("--series", metavar="OHM", help="In series with the port, beside --shunt: 39ohm.")]
SecondTurns = Annotated[int | None, typer.Option("--second-turns", metavar="N", help="Of a second winding behind the first.")]
SecondCore = Annotated[str | None, typer.Option("--second-core", metavar="NAME", help="Its core.")]
LineConnectors = Annotated[str, typer.Option("--line-connectors", metavar="NAME", help="Of line in and line out.")]
SampleConnector = Annotated[str, typer.Option("--sample-connector", metavar="NAME", help="Of the sample port.")]
Sleeve = Annotated[str, typer.Option("--sleeve", metavar="MM", help="What a sleeve adds to the line's diameter: 0.5mm.")]
LineLength = Annotated[str, typer.Option("--line-length", metavar="MM", help="From connector to connector: 50mm.")]
InstrumentLimit = Annotated[
    str, typer.Option("--instrument-limit", metavar="LEVEL", help="The most that the instrument bears: '30 dBm' or 1W.")
]
MostRise = Annotated[float, typer.Option("--most-rise", metavar="CELSIUS", help="The most a core may warm, in °C.")]
TolerancesOption = Annotated[
    str | None,
    typer.Option("--tolerances", metavar="LIST", help="coupling=1dB,flatness=0.5dB,return-loss=25dB,insertion-loss=0.1dB."),
]
PartsFiles = Annotated[
    list[Path] | None, typer.Option("--parts", metavar="FILE", help="Parts of your own, added to the tables; may be given again.")
]
Like = Annotated[str | None, typer.Option("--like", metavar="UNIT", help="Take strays and A_L from this unit's latest proof.")]
Keep = Annotated[int | None, typer.Option("--keep", metavar="N", min=1, max=20, help="Rank the best N.")]
Pick = Annotated[int, typer.Option("--pick", metavar="N", min=1, max=20, help="Which of the ranking to show, save and draw.")]
Save = Annotated[Path | None, typer.Option("--save", metavar="TYPE.toml", help="Write the design as a type file.")]
NameOption = Annotated[str | None, typer.Option("--name", metavar="NAME", help="The type's name; else that of the file.")]
Title = Annotated[str, typer.Option("--title", metavar="TEXT", help="The heading of its sheets.")]
Sheet = Annotated[Path | None, typer.Option("--sheet", metavar="FILE.html", help="Write the build sheet.")]
Force = Annotated[bool, typer.Option("--force", help="Write over files that are there.")]

_TOLERANCES = {
    "coupling": "coupling_error",
    "flatness": "flatness",
    "return-loss": "return_loss",
    "insertion-loss": "insertion_loss",
}


def wire_gauge(text: str | None) -> int | None:
    """Return the gauge of "24", "AWG 24" or "#24"; UsageError for anything else."""
    if text is None:
        return None
    digits = text.strip().lower().removeprefix("awg").removeprefix("#").strip()
    if not (digits.isascii() and digits.isdigit() and len(digits) <= 2):
        raise UsageError(f"--wire: {text!r} is no wire gauge", hint="Write it as, for example, 24 or 'AWG 24'.")
    return int(digits)


def level_watts(text: str, what: str) -> float:
    """Return the watts of "30 dBm" or "1 W"; UsageError, naming ``what``, for no unit or another."""
    from harness.quantities import parse_power, parse_quantity

    if text.strip().lower().endswith("dbm"):
        from harness.analysis.levels import watts_of_dbm

        level = parse_quantity(text.strip()[:-3] + "dBm", "dBm", what)
        if not -200 <= level <= 200:
            raise UsageError(f"{what}: {text!r} is not a level of an instrument; allowed is −200 dBm to 200 dBm")
        return float(watts_of_dbm(level))
    try:
        return parse_power(text, what)
    except UsageError as error:
        raise UsageError(error.message, hint="Write it as, for example, '30 dBm' or '1 W'.") from None


def tolerances(text: str | None) -> Tolerances:
    """Return the tolerances of "coupling=1dB,flatness=0.5dB"; what is not named keeps its usual value. UsageError."""
    from harness.quantities import parse_db
    from harness.sampler.design import Tolerances

    given: dict[str, Any] = {}
    for part in text.split(",") if text is not None else ():
        name, separator, value = part.partition("=")
        key = name.strip().lower().replace("_", "-").replace(" ", "-").removesuffix("-error")
        if not separator or key not in _TOLERANCES:
            raise UsageError(
                f"--tolerances: {part.strip()!r} is not NAME=VALUE with a known name",
                hint=f"Names: {', '.join(_TOLERANCES)}; for example --tolerances coupling=1dB,flatness=0.5dB.",
            )
        if _TOLERANCES[key] in given:
            raise UsageError(f"--tolerances: {key} is given twice", hint="Give each once.")
        given[_TOLERANCES[key]] = parse_db(value, f"--tolerances, {key}")
    return Tolerances(**given)


def maybe(text: str | None, unit: str, what: str) -> float | None:
    """Return a quantity, or None for an option that was not given."""
    from harness.quantities import parse_quantity

    return None if text is None else parse_quantity(text, unit, what)
