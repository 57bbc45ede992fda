"""The simulated bench: what a hand can connect on it, and what an imperfect analyser then shows.

Everything follows from the bench file's seed, the unit's name and the order in which things are done; time is virtual. One
lock lets the hand (one thread) and the instrument behind the link (another) share it.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping

import numpy as np

from drivers.simulated.algebra import Complexes, Floats, Part, seen_from
from drivers.simulated.assembly import OFFSETS, Assembly, Things, check_ends, join_key
from drivers.simulated.error_terms import Direction, ErrorTerms, quality_of, readings
from drivers.simulated.hidden import HiddenErrors, draw_hidden
from drivers.simulated.mistakes import Made, check_mistake, make
from drivers.simulated.parts import (
    Contact,
    adapter_line,
    draw_contact,
    draw_load,
    draw_offset,
    draws,
    loose_contact,
    reflecting_adapter,
)
from drivers.simulated.units import build_unit
from harness.errors import UsageError
from harness.records import ANALYSER_1, ANALYSER_2, Bench, Grid, HookUp, SamplerType, SimulatedEntry, Sweep, Trace
from harness.records.hookup import UNIT_PORTS
from harness.sampler import SamplerCircuit, three_port

CHANGE_SECONDS = 40.0
"""Virtual time that one change of cables takes; common practice, no source."""

_WAYS: Mapping[Trace, tuple[Direction, int]] = {
    "s11": ("forward", 0),
    "s21": ("forward", 1),
    "s22": ("reverse", 0),
    "s12": ("reverse", 1),
}


class SimulatedBench:
    """One bench, one analyser, at most one unit.

    ``session`` names one sitting at the bench: error terms, loads and units stay the same from session to session, while
    noise, connectors and drift are drawn anew (give each run its own, or a recheck repeats the first run's noise). Where the
    bench file's correction is by the analyser, only small residual errors are left in what the instrument shows.
    ``adapter_sweeps`` holds the two-port sweep of each adapter that the bench file gives as a ``file``, by that file's name.
    ``hidden``: how far standards, receivers and cables are from what is taken of them; by default as the bench file's table
    ``[simulated]`` and its seed say.
    """

    def __init__(
        self,
        bench: Bench,
        sampler_type: SamplerType | None = None,
        *,
        session: str = "",
        adapter_sweeps: Mapping[str, Sweep] | None = None,
        hidden: HiddenErrors | None = None,
    ) -> None:
        self.bench = bench
        self.sampler_type = sampler_type
        self.entry = bench.simulated or SimulatedEntry()
        self.seconds = 0.0
        self.hookup: HookUp | None = None
        self.unit: str | None = None
        self.circuit: SamplerCircuit | None = None
        quality = quality_of(bench.analyser.paths, bench.correction.by)
        self.hidden = draw_hidden(self.entry) if hidden is None else hidden
        high, loss = bench.sweep.high, self.entry.load_return_loss
        self.terms = ErrorTerms(self.entry.seed, session, self.entry.drift, quality, self.hidden.flex)
        self.loads = {name: draw_load(self.entry.seed, name, loss, high) for name in bench.loads}
        self.offset = draw_offset(self.entry.seed)
        self._adapter_sweeps = adapter_sweeps or {}
        self._noise = draws(self.entry.seed, "noise", session)
        self._hands = draws(self.entry.seed, "connectors", session)
        self._made = Made(())
        self._contacts: dict[str, Contact] = {}
        self._mistaken: set[str] = set()
        self._lock = threading.RLock()
        for mistake in self.entry.mistakes.values():
            check_mistake(mistake)

    # -- the hand ------------------------------------------------------------------------------------------------------

    def insert_unit(self, name: str) -> None:
        """Put the unit ``name`` of the bench's type on the bench, with its adapters; all cables hang free afterwards.

        The same name on a bench of the same seed and type is always the same unit. Raises UsageError without a type, and for a
        fault in the bench file that is not known.
        """
        if self.sampler_type is None:
            raise UsageError("the simulated bench was started without a type", hint="Give the type of the units with --type.")
        circuit = build_unit(self.sampler_type, self.entry, name)
        with self._lock:
            self.unit, self.circuit = name, circuit
            self.hookup, self._made = None, Made(())
            adapted = self._adapters(np.array([self.bench.sweep.high]))
            self._contacts = {f"inner {end}": self._fresh() for end in adapted} if self._connectors_vary else {}

    def connect(self, hookup: HookUp, mistake: str | None = None) -> None:
        """Take the cables to a hook-up; joins that stay are not touched. The same joins again are taken apart and made anew.

        ``mistake``: what to do wrong (see ``mistakes.MISTAKES``). Without it, a mistake that the bench file names for this
        hook-up is made the first time this hook-up is made, and not again. Virtual time goes on by 40 s.
        Raises UsageError for ends that are not on the bench, unit connectors without a unit, and impossible mistakes.
        """
        with self._lock:
            if mistake is None and hookup.name not in self._mistaken:
                mistake = self.entry.mistakes.get(hookup.name)
            made = make(hookup, mistake, self._made)
            check_ends(made, self.loads, self.circuit is not None)
            self._mistaken.add(hookup.name)
            untouched = made is self._made
            if not untouched:
                again = self.hookup is not None and hookup.joins == self.hookup.joins
                before = Made(()) if again else self._made
                self._remake(made, before)
                self._move_cables(made, before)
            self.hookup, self._made = hookup, made
            self.advance(CHANGE_SECONDS)

    def advance(self, seconds: float) -> None:
        """Let virtual time pass: the analyser drifts."""
        with self._lock:
            self.seconds += seconds
            self.terms.advance(seconds)

    # -- the instrument ------------------------------------------------------------------------------------------------

    @property
    def paths(self) -> str:
        """Return "one-path" or "two-path"."""
        return self.bench.analyser.paths

    @property
    def identity(self) -> str:
        """Return the identity string that the instrument gives."""
        return f"tapproof,simulated analyser {self.paths},{self.entry.seed},1"

    @property
    def traces(self) -> tuple[Trace, ...]:
        """Return the traces that the analyser can measure."""
        return ("s11", "s21") if self.paths == "one-path" else ("s11", "s21", "s12", "s22")

    def raw(self, traces: tuple[Trace, ...], grid: Grid, averages: int | None = None) -> dict[Trace, Complexes]:
        """Return what the receivers show for each trace, uncorrected, shape (points,): error terms, leakage and noise in it.

        ``averages`` (default: the grid's) divides the noise by its square root. Virtual time goes on by points × averages ×
        point time for each direction that is driven. Raises UsageError for a trace that a one-path analyser does not measure.
        """
        missing = [trace for trace in traces if trace not in self.traces]
        if missing:
            raise UsageError(
                f"a {self.paths} analyser does not measure {', '.join(missing).upper()}",
                hint=f"It measures {', '.join(self.traces).upper()}.",
            )
        count = grid.averages if averages is None else averages
        frequency_hz = grid.frequencies()
        with self._lock:
            s = self._two_port(frequency_hz)
            ways = dict.fromkeys(_WAYS[trace][0] for trace in traces)
            clean = {way: self._readings(s, way, frequency_hz) for way in ways}
            waves = {trace: self.hidden.shown(clean[_WAYS[trace][0]][_WAYS[trace][1]]) for trace in traces}
            shown = {trace: wave + self._trace_noise(grid.points, count) for trace, wave in waves.items()}
            self.advance(len(ways) * grid.points * count * self.bench.sweep.point_time)
        return shown

    # -- the truth, for tests ------------------------------------------------------------------------------------------

    def unit_three_port(self, frequency_hz: Floats, *, adapters: bool = False) -> Complexes:
        """Return the unit's true S-matrix, shape (F, 3, 3), ports line in, line out, sample; UsageError without a unit.

        With ``adapters`` it is what stands at the adapters' cable side, with ideal connectors.
        """
        if self.circuit is None:
            raise UsageError("no unit is on the simulated bench", hint="Insert a unit first.")
        s = np.asarray(three_port(self.circuit, frequency_hz), dtype=np.complex128)
        if not adapters:
            return s
        found = self._adapters(frequency_hz)
        bare = tuple(end if end not in found else f"{end} bare" for end in UNIT_PORTS)
        parts = [Part(s, bare), *(Part(two_port, (end, f"{end} adapter")) for end, two_port in found.items())]
        return seen_from(parts, [(f"{end} adapter", f"{end} bare") for end in found], UNIT_PORTS)

    def truth(self, frequency_hz: Floats, hookup: HookUp | None = None) -> Complexes:
        """Return the true two-port between the analyser's connectors, shape (F, 2, 2).

        As it is connected now, mistakes and connectors in it; or, for a ``hookup``, as it would be without either.
        """
        with self._lock:
            if hookup is None:
                return self._two_port(frequency_hz)
            made = Made(hookup.joins)
            check_ends(made, self.loads, self.circuit is not None)
            return Assembly(self._things(frequency_hz, made), made, {}, frequency_hz).two_port()

    # -- inside --------------------------------------------------------------------------------------------------------

    @property
    def _connectors_vary(self) -> bool:
        return not self.entry.ideal_connectors and self.entry.repeatability is not None

    def _fresh(self) -> Contact:
        size = self.entry.repeatability
        return Contact() if size is None else draw_contact(self._hands, size, self.bench.sweep.high)

    def _remake(self, made: Made, before: Made) -> None:
        """Keep the connectors of joins that stay, draw those of new ones and of loose ends."""
        kept = {key: contact for key, contact in self._contacts.items() if key.startswith("inner ")}
        for join in made.joins if self._connectors_vary else ():
            for number in (1, 2) if join.through else (1,):
                key = join_key(join.one, join.other, number)
                stays = join in before.joins and key in self._contacts
                kept[key] = self._contacts[key] if stays else self._fresh()
            if join.other in OFFSETS:
                kept[f"inner of {join.other}"] = self._fresh()
        for end, extra in made.extras:
            if extra == "loose":
                kept[f"loose {end}"] = loose_contact(self._hands)
        self._contacts = kept

    def _move_cables(self, made: Made, before: Made) -> None:
        """Lay anew the analyser cables that go somewhere else, or come off and on again."""
        for port, end in ((1, ANALYSER_1), (2, ANALYSER_2)):
            now, then = ([join for join in one.joins if end in (join.one, join.other)] for one in (made, before))
            if now != then:
                self.terms.move(port)

    def _readings(self, s: Complexes, way: Direction, frequency_hz: Floats) -> tuple[Complexes, Complexes]:
        reflection, through = readings(self.terms, s, way, frequency_hz)
        leak = self.hidden.leakage.get(way)
        unit_is_there = any(end in UNIT_PORTS for join in self._made.joins for end in (join.one, join.other))
        return reflection, through if leak is None or not unit_is_there else through + leak(frequency_hz)

    def _trace_noise(self, points: int, averages: int) -> Complexes:
        size = 10 ** (self.entry.noise / 20) / np.sqrt(2 * averages)
        return np.asarray(self._noise.normal(size=(points, 2)) @ np.array([1, 1j]) * size, dtype=np.complex128)

    def _two_port(self, frequency_hz: Floats) -> Complexes:
        return Assembly(self._things(frequency_hz, self._made), self._made, self._contacts, frequency_hz).two_port()

    def _things(self, frequency_hz: Floats, made: Made) -> Things:
        used = any(end in UNIT_PORTS for join in made.joins for end in (join.one, join.other))
        if not used:
            return Things(self.bench.standards, self.loads, hidden=self.hidden, offset=self.offset)
        unit, adapters = self.unit_three_port(frequency_hz), self._adapters(frequency_hz)
        return Things(self.bench.standards, self.loads, unit, adapters, self.hidden, self.offset)

    def _adapters(self, frequency_hz: Floats) -> dict[str, Complexes]:
        """Return the adapters on the unit's connectors, those that the bench file lists for them."""
        if self.sampler_type is None:
            return {}
        build = self.sampler_type.build
        found: dict[str, Complexes] = {}
        for end, connector in zip(
            UNIT_PORTS, (build.line_connectors, build.line_connectors, build.sample_connector), strict=True
        ):
            adapter = self.bench.adapter_for(connector) if connector != self.bench.analyser.connector else None
            if adapter is not None and adapter.file is not None:
                found[end] = self._adapter_from_file(adapter.file, frequency_hz)
            elif adapter is not None and end in self.hidden.adapters:
                found[end] = reflecting_adapter(adapter, self.hidden.adapters[end](frequency_hz), frequency_hz)
            elif adapter is not None:
                found[end] = adapter_line(adapter, draws(self.entry.seed, "adapter", end), frequency_hz, self.bench.sweep.high)
        return found

    def _adapter_from_file(self, file: str, frequency_hz: Floats) -> Complexes:
        sweep = self._adapter_sweeps.get(file)
        if sweep is None:
            raise UsageError(f"the simulated bench was not given the sweep of the adapter {file!r}", hint="Read the file first.")
        entries = [[np.interp(frequency_hz, sweep.frequency_hz, sweep.trace(f"s{i}{j}")) for j in (1, 2)] for i in (1, 2)]
        return np.asarray(np.moveaxis(np.array(entries), -1, 0), dtype=np.complex128)
