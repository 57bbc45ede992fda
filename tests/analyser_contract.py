"""What every Analyser must do, whatever is behind it: a scripted fake, the simulated bench, an instrument on the table.

Use: subclass :class:`AnalyserContract` as ``Test…``, and give it a fixture ``bench``::

    class TestMyAnalyser(AnalyserContract):
        @pytest.fixture
        def bench(self) -> Iterator[ContractBench]:
            ...
            yield ContractBench(analyser, Grid(1e6, 50e6, 21), ("s11", "s21"))
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import get_args

import numpy as np
import pytest

from harness.errors import InstrumentError, TapproofError, UsageError
from harness.ports import Analyser
from harness.records import Grid, Trace


@dataclass
class ContractBench:
    """An analyser under test, not yet spoken to, with a grid and traces it can do, and a grid it must refuse, where known."""

    analyser: Analyser
    grid: Grid
    traces: tuple[Trace, ...]
    refused: Grid | None = None


class AnalyserContract:
    """The contract suite."""

    def test_says_the_same_identity_each_time(self, bench: ContractBench) -> None:
        identity = bench.analyser.identify()
        assert identity.strip() == identity != ""
        assert bench.analyser.identify() == identity

    def test_set_up_returns_what_the_analyser_says(self, bench: ContractBench) -> None:
        settings = bench.analyser.set_up(bench.grid)
        assert settings.identity == bench.analyser.identify()
        assert settings.averages == bench.grid.averages
        assert settings.frequency_hz.shape == (bench.grid.points,)
        assert np.all(np.diff(settings.frequency_hz) > 0)
        assert settings.frequency_hz == pytest.approx(bench.grid.frequencies(), abs=10.0, rel=2.0**-23)
        assert settings.said

    def test_sweep_gives_the_traces_asked_for(self, bench: ContractBench) -> None:
        bench.analyser.set_up(bench.grid)
        found = bench.analyser.sweep(bench.traces)
        assert tuple(found) == bench.traces
        for values in found.values():
            assert values.dtype == np.complex128
            assert values.shape == (bench.grid.points,)
            assert np.all(np.isfinite(values))

    def test_sweep_of_one_trace(self, bench: ContractBench) -> None:
        bench.analyser.set_up(bench.grid)
        assert tuple(bench.analyser.sweep(bench.traces[-1:])) == bench.traces[-1:]

    def test_sweeps_again_and_on_another_grid(self, bench: ContractBench) -> None:
        bench.analyser.set_up(bench.grid)
        bench.analyser.sweep(bench.traces)
        bench.analyser.sweep(bench.traces)
        smaller = replace(bench.grid, points=11)
        assert bench.analyser.set_up(smaller).frequency_hz.shape == (11,)
        assert bench.analyser.sweep(bench.traces)[bench.traces[0]].shape == (11,)

    def test_averages_are_set_and_cost_time(self, bench: ContractBench) -> None:
        bench.analyser.set_up(bench.grid)
        once = bench.analyser.sweep_seconds(bench.traces)
        assert bench.analyser.set_up(replace(bench.grid, averages=4)).averages == 4
        assert once > 0
        assert bench.analyser.sweep_seconds(bench.traces) == pytest.approx(4 * once)

    def test_sweep_before_the_set_up_is_refused(self, bench: ContractBench) -> None:
        with pytest.raises(UsageError):
            bench.analyser.sweep(bench.traces)

    def test_a_trace_it_has_not_is_refused_and_harms_nothing(self, bench: ContractBench) -> None:
        bench.analyser.set_up(bench.grid)
        missing = tuple(trace for trace in get_args(Trace) if trace not in bench.traces)
        for trace in missing:
            with pytest.raises(TapproofError, match=trace):
                bench.analyser.sweep((trace,))
        assert tuple(bench.analyser.sweep(bench.traces)) == bench.traces

    def test_progress_does_not_run_backward(self, bench: ContractBench) -> None:
        bench.analyser.set_up(bench.grid)
        seen: list[tuple[float, float]] = []
        bench.analyser.sweep(bench.traces, lambda so_far, expected: seen.append((so_far, expected)))
        assert seen == sorted(seen)
        assert all(so_far >= 0 and expected >= 0 for so_far, expected in seen)

    def test_a_refused_grid_is_said_and_the_next_is_taken(self, bench: ContractBench) -> None:
        if bench.refused is not None:
            with pytest.raises((InstrumentError, UsageError)) as caught:
                bench.analyser.set_up(bench.refused)
            assert caught.value.hint
            with pytest.raises(UsageError):
                bench.analyser.sweep(bench.traces)
        bench.analyser.set_up(bench.grid)
        assert tuple(bench.analyser.sweep(bench.traces)) == bench.traces

    def test_a_closed_analyser_says_so(self, bench: ContractBench) -> None:
        bench.analyser.identify()
        bench.analyser.close()
        bench.analyser.close()
        with pytest.raises(InstrumentError):
            bench.analyser.identify()
