"""What is known of a bench so far: the answers, each with its place in the two files."""

from __future__ import annotations

from dataclasses import dataclass, field

from harness.records import Grid, Trace

ENDS = {"LF": "\n", "CR": "\r", "CRLF": "\r\n"}
LOW_HZ, HIGH_HZ = 1e6, 100e6
POINTS = 201


@dataclass
class Draft:
    """A bench in the making. Frequencies in Hz, times in seconds. Empty texts: not answered, or not there."""

    name: str
    address: str
    paths: str = "one-path"
    connector: str = "BNC"
    unit_connector: str = "UHF"
    adapter_delay: str = ""
    low_hz: float = LOW_HZ
    high_hz: float = HIGH_HZ
    points: int = POINTS
    point_time_s: float = 0.001
    margin_s: float = 5.0

    identity: str = ""
    end: str = "LF"
    prompt: str = ""
    echo: str = "find out"
    refusal: str = ""
    identify: str = ""
    errors: str = ""
    set_up: list[str] = field(default_factory=list)
    read_back: list[tuple[str, tuple[str, ...]]] = field(default_factory=list)
    trigger: str = ""
    done: str = ""
    done_says: str = "1"
    axis: str = ""
    axis_form: str = "lines"
    axis_line: str = "%g"
    form: str = "lines"
    order: str = "big"
    line: str = "%g %g"
    select: dict[Trace, str] = field(default_factory=dict)
    traces: dict[Trace, str] = field(default_factory=dict)

    @property
    def prompted(self) -> bool:
        """Whether every reply ends with a prompt."""
        return bool(self.prompt)

    @property
    def wanted_traces(self) -> tuple[Trace, ...]:
        """The traces that the bench's analyser measures."""
        return ("s11", "s21") if self.paths == "one-path" else ("s11", "s21", "s12", "s22")

    @property
    def grid(self) -> Grid:
        """The grid of the bench."""
        return Grid(self.low_hz, self.high_hz, self.points)

    @property
    def trial_grid(self) -> Grid:
        """A short grid inside the bench's, of other numbers: what the instrument says of it cannot be left from before."""
        span = self.high_hz - self.low_hz
        return Grid(round(self.low_hz + 0.1 * span), round(self.low_hz + 0.6 * span), 11 if self.points != 11 else 13, averages=2)

    @property
    def given(self) -> set[str]:
        """The names of the settings that are read back."""
        return {name for _, gives in self.read_back for name in gives}
