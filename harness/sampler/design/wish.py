"""What a person wishes for: coupling, band, power, and whatever they have fixed already. All values in SI units, ratios in dB."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, get_args

from harness.errors import UsageError
from harness.quantities import show_frequency

Kind = Literal["bare winding", "winding and pad", "low-value load", "two windings"]
KINDS: tuple[Kind, ...] = get_args(Kind)
Termination = Literal["external", "internal"]


def _need(what: str, value: float, *, above: float, most: float = math.inf) -> None:
    if math.isfinite(value) and above < value <= most:
        return
    allowed = f"above {above:.3g}" + ("" if math.isinf(most) else f", at most {most:g}")
    raise UsageError(f"{what}: {value!r} is not allowed; {allowed} is", hint="Give a finite number in SI units.")


@dataclass(frozen=True, kw_only=True)
class Tolerances:
    """What a unit must meet over the band, in dB: coupling ± ``coupling_error``, flatness ±, return and insertion loss."""

    coupling_error: float = 1.0
    flatness: float = 0.5
    return_loss: float = 25.0
    insertion_loss: float = 0.1

    @classmethod
    def usual(cls, coupling_db: float) -> Tolerances:
        """Return usual tolerances for a coupling: the insertion loss leaves room for the power that goes to the sample port.

        At 30 dB that is 0.1 dB; at 10 dB a winding alone takes 0.47 dB and 0.67 dB are allowed (a choice, no source).
        """
        winding = 20 * math.log10(1 + 10 ** (-coupling_db / 10) / 2)
        return cls(insertion_loss=max(0.1, round(1.25 * winding + 0.1, 2)))

    def __post_init__(self) -> None:
        for name in ("coupling_error", "flatness", "return_loss", "insertion_loss"):
            _need(name.replace("_", " ") + " (dB)", getattr(self, name), above=0.0)


@dataclass(frozen=True, kw_only=True)
class Spread:
    """How units differ from one another. Assumptions, but for ``a_l``: the range that publishers of A_L give.

    ``a_l``, ``resistor``: ± share, evenly spread. ``miscount``: share of units with a turn too many or too few.
    ``leakage``, ``capacitance``: up to this factor either way. ``winding``: how even the turns are laid, a further factor on
    the leakage either way.
    """

    a_l: float = 0.25
    miscount: float = 0.05
    resistor: float = 0.01
    leakage: float = 2.0
    capacitance: float = 2.0
    winding: float = 1.25

    def __post_init__(self) -> None:
        for name in ("a_l", "miscount", "resistor"):
            value = getattr(self, name)
            if not 0 <= value < 1:
                raise UsageError(f"spread of units: {name} {value!r} is not a share from 0 to below 1")
        for name in ("leakage", "capacitance", "winding"):
            _need(f"spread of units: {name}", getattr(self, name), above=0.999999)


@dataclass(frozen=True, kw_only=True)
class Fitted:
    """What a built unit's proof says of leakage, winding capacitance and A_L; None where it does not.

    ``a_l`` in H for one turn squared, of ``core`` and its ``stack`` only (core None: of whatever is designed); leakage in H for
    one turn squared; capacitance in F a turn.
    """

    a_l: float | None = None
    core: str | None = None
    stack: int = 1
    leakage_per_turn_squared: float | None = None
    capacitance_per_turn: float | None = None

    @classmethod
    def from_circuit(cls, circuit: Mapping[str, float | None], core: str | None = None, stack: int = 1) -> Fitted:
        """Return what a proof's ``circuit`` holds (turns, a_l_nh, leakage_nh, winding_pf); UsageError without turns.

        Leakage goes with the square of the turns and capacitance with the turns when another number of turns is designed.
        """
        turns = circuit.get("turns")
        if turns is None or not (math.isfinite(turns) and turns > 0):
            raise UsageError(
                f"the built unit's circuit has turns {turns!r}; a number above 0 is needed",
                hint="Take a unit whose proof has a fitted circuit.",
            )
        a_l, leakage, farads = (_known(circuit, key) for key in ("a_l_nh", "leakage_nh", "winding_pf"))
        return cls(
            a_l=None if a_l is None else a_l * 1e-9,
            core=core,
            stack=stack,
            leakage_per_turn_squared=None if leakage is None else leakage * 1e-9 / turns**2,
            capacitance_per_turn=None if farads is None else farads * 1e-12 / turns,
        )


def _known(circuit: Mapping[str, float | None], key: str) -> float | None:
    value = circuit.get(key)
    if value is None:
        return None
    _need(f"the built unit's {key}", value, above=0.0)
    return value


@dataclass(frozen=True, kw_only=True)
class DesignWish:
    """A wish. ``coupling_db`` is what a 50 Ω instrument on the sample port shows; whatever is None is chosen.

    ``line_power``: W, delivered, the most the line will carry; ``line_swr``: the worst it is used at. ``internal_ohm`` counts
    with internal termination only. ``sleeve``: what a sleeve adds to the line's diameter, m. ``line_length``: m, connector to
    connector. ``instrument_limit``: the most power the instrument on the sample port bears, W (the default is an assumption).
    ``most_core_rise``: °C. A core that is named is not stacked unless ``stack`` says so. ``draws`` and ``seed``: of the
    predicted yield; no draws, no yield.
    Raises UsageError for values that are no wish: not finite, at or below zero, low above high.
    """

    coupling_db: float
    band_hz: tuple[float, float]
    line_power: float
    line_swr: float = 1.5
    core: str | None = None
    stack: int | None = None
    turns: int | None = None
    wire_awg: int | None = None
    line: str | None = None
    kind: Kind | None = None
    termination: Termination = "external"
    internal_ohm: float = 50.0
    second_core: str | None = None
    second_turns: int | None = None
    pad_db: float | None = None
    shunt_ohm: float | None = None
    series_ohm: float | None = None
    line_connectors: str = "UHF"
    sample_connector: str = "BNC"
    sleeve: float = 0.0
    line_length: float = 0.05
    instrument_limit: float = 0.1
    most_core_rise: float = 40.0
    tolerances: Tolerances = Tolerances()
    spread: Spread = Spread()
    like: Fitted | None = None
    draws: int = 2000
    seed: int = 1

    def __post_init__(self) -> None:
        self._check_numbers()
        self._check_choices()

    def _check_numbers(self) -> None:
        low, high = self.band_hz
        _need("coupling (dB)", self.coupling_db, above=0.0, most=100.0)
        _need("low edge of the band (Hz)", low, above=0.0)
        _need("high edge of the band (Hz)", high, above=0.0, most=1e9)
        if low >= high:
            raise UsageError(
                f"band: the low edge {show_frequency(low)} is not below the high edge {show_frequency(high)}",
                hint="Write it as '1.8MHz:54MHz'.",
            )
        _need("line power (W)", self.line_power, above=0.0, most=1e6)
        _need("line SWR", self.line_swr, above=0.999999999, most=100.0)
        _need("internal resistor (Ω)", self.internal_ohm, above=0.0)
        _need("length of the line (m)", self.line_length, above=0.0, most=10.0)
        _need("power limit of the instrument (W)", self.instrument_limit, above=0.0)
        _need("most temperature rise of the core (°C)", self.most_core_rise, above=0.0)
        for what, ohms in (("shunt resistor", self.shunt_ohm), ("pad (dB)", self.pad_db)):
            if ohms is not None:
                _need(what, ohms, above=0.0)
        for what, least in (("sleeve (m)", self.sleeve), ("series resistor (Ω)", self.series_ohm or 0.0)):
            if not (math.isfinite(least) and least >= 0):
                raise UsageError(f"{what}: {least!r} is not 0 or above")

    def _check_choices(self) -> None:
        if self.termination not in get_args(Termination):
            raise UsageError(f"termination: {self.termination!r} is not known", hint="Allowed: 'external', 'internal'.")
        if self.kind is not None and self.kind not in KINDS:
            raise UsageError(f"arrangement: {self.kind!r} is not known", hint=f"Allowed: {', '.join(KINDS)}.")
        for what, count, most in (
            ("turns", self.turns, 1000),
            ("turns of the second winding", self.second_turns, 1000),
            ("stacked cores", self.stack, 8),
        ):
            if count is not None and not 1 <= count <= most:
                raise UsageError(f"{what}: {count} is not from 1 to {most}")
        if not 0 <= self.draws <= 100_000:
            raise UsageError(f"draws of the yield: {self.draws} is not from 0 to 100000")
        self._check_together()

    def _check_together(self) -> None:
        of_kind: dict[Kind, bool] = {
            "winding and pad": self.pad_db is not None,
            "low-value load": self.shunt_ohm is not None or self.series_ohm is not None,
            "two windings": self.second_turns is not None or self.second_core is not None,
        }
        asked = [kind for kind, given in of_kind.items() if given]
        if len(asked) > 1 or (asked and self.kind not in (None, asked[0])):
            said = " and ".join(([self.kind] if self.kind else []) + [kind for kind in asked if kind != self.kind])
            raise UsageError(f"arrangement: {said} do not go together", hint="Give the values of one arrangement.")
        if self.series_ohm is not None and self.shunt_ohm is None:
            raise UsageError("a series resistor needs a shunt across the winding", hint="Give both, or neither.")

    @property
    def wished_kind(self) -> Kind | None:
        """The arrangement asked for, by name or by its values; None where it is free."""
        if self.kind is not None:
            return self.kind
        if self.pad_db is not None:
            return "winding and pad"
        if self.shunt_ohm is not None:
            return "low-value load"
        return "two windings" if self.second_turns is not None or self.second_core is not None else None
