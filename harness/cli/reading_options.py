"""The options of ``tapproof reading``, worded once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

At = Annotated[str | None, typer.Option("--at", metavar="FREQUENCY", help="The transmitter's frequency: 7.1MHz.")]
LevelText = Annotated[
    str | None,
    typer.Option("--level", metavar="LEVEL", help="What the instrument shows: '-5 dBm', '2.3 Vpp', '0.8 Vrms', '12 mW'."),
]
Trace = Annotated[
    Path | None, typer.Option("--trace", metavar="FILE.csv", help="A scope's trace (time, volts) instead of a level.")
]
IntoText = Annotated[
    str,
    typer.Option(
        "--into", metavar="WHAT", help="What the port is read into: 50ohm, 1Mohm, or tee (1 Mohm beside a 50 ohm load)."
    ),
]
Pads = Annotated[
    list[str] | None, typer.Option("--pad", metavar="DB", help="A pad at the port: 20dB, or 20dB±0.3dB; may be given again.")
]
Cables = Annotated[
    list[str] | None, typer.Option("--cable", metavar="CABLE", help="A cable to the instrument: 'RG-303 1m', or its loss, 0.4dB.")
]
Accuracy = Annotated[
    str | None,
    typer.Option("--accuracy", metavar="DB", help="How far the instrument may be off, either way: 0.5dB, or 3% of volts."),
]
InputSwr = Annotated[
    float | None, typer.Option("--input-swr", metavar="SWR", help="The most SWR of what loads the port, and of pads.")
]
InputReturnLoss = Annotated[
    str | None, typer.Option("--input-return-loss", metavar="DB", help="The same as a return loss: 26dB.")
]
InputCapacitance = Annotated[
    str | None, typer.Option("--input-capacitance", metavar="F", help="A high-impedance input's capacitance: 15pF.")
]
LineSwr = Annotated[
    float | None, typer.Option("--line-swr", metavar="SWR", help="The line's SWR; else the most that the type is for.")
]
HarmonicSwr = Annotated[
    float | None, typer.Option("--harmonic-swr", metavar="SWR", help="The line's SWR off the carrier, with --spectrum.")
]
WaveformName = Annotated[
    str | None, typer.Option("--waveform", metavar="NAME", help="cw, two-tone, or am: tells mean power from peak envelope power.")
]
Depth = Annotated[str | None, typer.Option("--depth", metavar="PERCENT", help="Depth of --waveform am: 80%.")]
SpectrumFile = Annotated[
    Path | None, typer.Option("--spectrum", metavar="FILE.csv", help="A list of spectral lines: frequency, level in dBm.")
]
Carriers = Annotated[
    list[str] | None, typer.Option("--carrier", metavar="FREQUENCY", help="The carrier in the list, or each of two tones.")
]
LimitsName = Annotated[
    str | None, typer.Option("--limits", metavar="L", help="Limits for the spectrum: us-97.307, or a file of your own.")
]
Bandwidth = Annotated[
    str | None, typer.Option("--bandwidth", metavar="HZ", help="The necessary bandwidth: what is within it is not judged.")
]
SafeFlag = Annotated[bool, typer.Option("--safe", help="The most line power, band by band, and what gives way first.")]
Limit = Annotated[
    str | None, typer.Option("--limit", metavar="LEVEL", help="The most that the instrument's input bears: '30 dBm'.")
]
Power = Annotated[
    str | None,
    typer.Option(
        "--power", metavar="W", help="Planned line power: the level at the port, and the pad. With --log-reading: as told."
    ),
]
TableFlag = Annotated[bool, typer.Option("--table", help="The unit's coupling over frequency as CSV; with --json as JSON.")]
TwoColumn = Annotated[
    bool, typer.Option("--two-column", help="With --table: frequency and coupling as plain text in two columns.")
]
LogReading = Annotated[bool, typer.Option("--log-reading", help="Keep this reading in the log, for a heat run.")]
HeatRunFlag = Annotated[bool, typer.Option("--heat-run", help="Show the unit's logged readings against each other.")]
