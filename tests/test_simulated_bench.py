"""The simulated bench as a whole: corrected by scikit-rf it shows the truth; noise, connectors, time and mistakes are as said."""

from __future__ import annotations

import numpy as np
import pytest
from skrf.calibration import SOLT, EnhancedResponse, OnePort, TwoPortOnePath
from skrf.frequency import Frequency
from skrf.media import DefinedGammaZ0
from skrf.network import Network

from drivers.simulated import SimulatedBench
from drivers.simulated.mistakes import MISTAKES
from drivers.simulated.parts import stray_adapter
from harness.errors import UsageError
from harness.records import ANALYSER_1, ANALYSER_2, LINE_IN, LINE_OUT, SAMPLE, HookUp, Join, Trace
from sequences import hookups
from tests.simulated_texts import QUIET, bench_of, hf30

LIGHT = 299792458.0
ONE: tuple[Trace, ...] = ("s11", "s21")
ALL: tuple[Trace, ...] = ("s11", "s21", "s12", "s22")
FLIPPED = HookUp("line-turned", (Join(ANALYSER_1, LINE_OUT), Join(ANALYSER_2, LINE_IN), Join("load A", SAMPLE)))


def bench(which: str = "scpi", extra: str = QUIET, session: str = "") -> SimulatedBench:
    made = SimulatedBench(bench_of(which, extra), hf30(), session=session)
    made.insert_unit("CL-0001")
    return made


def shown(at: SimulatedBench, hookup: HookUp, traces: tuple[Trace, ...] = ONE) -> dict[Trace, np.ndarray]:
    at.connect(hookup)
    return at.raw(traces, at.bench.grid)


def two_port(traces: dict[Trace, np.ndarray]) -> Network:
    """Return traces as a two-port of scikit-rf; what was not measured is zero."""
    frequency = Frequency.from_f(bench_of().grid.frequencies(), unit="hz")
    s = np.zeros((201, 2, 2), dtype=complex)
    for trace, values in traces.items():
        s[:, int(trace[1]) - 1, int(trace[2]) - 1] = values
    return Network(frequency=frequency, s=s, z0=50)


def ideals() -> list[Network]:
    """Return short, open, load as two-ports, and thru, from the bench file's models by scikit-rf's media."""
    frequency = Frequency.from_f(bench_of().grid.frequencies(), unit="hz")
    m = DefinedGammaZ0(frequency, z0=50, gamma=1j * 2 * np.pi * frequency.f / LIGHT)
    lossy = DefinedGammaZ0(frequency, z0=50, gamma=0.02 / (20 / np.log(10)) + 1j * 2 * np.pi * frequency.f * 35e-12)
    ends = [
        m.line(4e-12 * LIGHT, unit="m") ** m.inductor(60e-12) ** m.short(),
        m.line(5e-12 * LIGHT, unit="m") ** m.shunt_capacitor(70e-15) ** m.open(),
        m.resistor(50.3) ** m.inductor(40e-12) ** m.short(),
    ]
    return [*(two_port({"s11": end.s[:, 0, 0], "s22": end.s[:, 0, 0]}) for end in ends), lossy.line(1.0, unit="m")]


def one_path(at: SimulatedBench, turned: bool = True) -> EnhancedResponse:
    raw = [shown(at, hookups.standard(name)) for name in ("short", "open", "load")]
    measured = [two_port({"s11": trace["s11"]}) for trace in raw]
    measured.append(two_port(shown(at, hookups.THRU)))
    leak = shown(at, hookups.ISOLATION)["s21"]
    kind = TwoPortOnePath if turned else EnhancedResponse
    return kind(measured, ideals(), n_thrus=1, isolation=two_port({"s21": leak, "s12": leak}))


def two_path(at: SimulatedBench) -> SOLT:
    measured = []
    for name in ("short", "open", "load"):
        near = shown(at, hookups.standard(name), ("s11",))["s11"]
        measured.append(two_port({"s11": near, "s22": shown(at, hookups.standard(name, 2), ("s22",))["s22"]}))
    measured.append(two_port(shown(at, hookups.THRU, ALL)))
    leak = two_port({trace: value for trace, value in shown(at, hookups.ISOLATION, ALL).items() if trace in ("s21", "s12")})
    return SOLT(measured, ideals(), isolation=leak)


def in_db(value: np.ndarray) -> np.ndarray:
    return 20 * np.log10(np.abs(value))


# -- correction by scikit-rf -------------------------------------------------------------------------------------------------


def test_one_port_correction_shows_the_loads_and_the_sample_port() -> None:
    at = bench()
    frequency = at.bench.grid.frequencies()
    raw = [two_port(shown(at, hookups.standard(name))).s11 for name in ("short", "open", "load")]
    solved = OnePort(raw, [ideal.s11 for ideal in ideals()[:3]])
    for name in ("A", "B"):
        found = solved.apply_cal(two_port(shown(at, hookups.bench_load(name))).s11)
        np.testing.assert_allclose(found.s[:, 0, 0], at.loads[name].reflection(frequency), atol=1e-10)
    found = solved.apply_cal(two_port(shown(at, hookups.SAMPLE_PORT)).s11)
    np.testing.assert_allclose(found.s[:, 0, 0], at.truth(frequency, hookups.SAMPLE_PORT)[:, 0, 0], atol=1e-10)


def test_one_path_correction_of_both_orientations_shows_the_truth() -> None:
    at = bench()
    solved = one_path(at)
    both = (two_port(shown(at, hookups.LINE)), two_port(shown(at, FLIPPED)))
    np.testing.assert_allclose(solved.apply_cal(both).s, at.truth(at.bench.grid.frequencies(), hookups.LINE), atol=1e-9)


def test_two_path_correction_shows_the_truth() -> None:
    at = bench("two-path")
    solved = two_path(at)
    for hookup in (hookups.LINE, hookups.COUPLED, hookups.COUPLED_FAR):
        found = solved.apply_cal(two_port(shown(at, hookup, ALL)))
        np.testing.assert_allclose(found.s, at.truth(at.bench.grid.frequencies(), hookup), atol=1e-9)


def test_with_noise_the_corrected_data_are_within_noise() -> None:
    at = bench("two-path", 'ideal_connectors = true\ndrift = "-300 dB"\n')
    solved = two_path(at)
    found = solved.apply_cal(two_port(shown(at, hookups.COUPLED, ALL)))
    error = np.abs(found.s - at.truth(at.bench.grid.frequencies(), hookups.COUPLED))
    noise = 10 ** (-90 / 20)
    assert 0.3 * noise < np.sqrt(np.mean(error**2)) < 10 * noise
    assert np.max(error) < 40 * noise


def test_a_through_line_corrected_one_way_only_shows_the_receiver() -> None:
    """A line into an uncorrected receiver of −22 dB looks like a −22 dB line, however well S11 is corrected."""
    at = bench()
    solved, raw = one_path(at, turned=False), two_port(shown(at, hookups.LINE))
    with pytest.warns(UserWarning, match="single measurement orientation"):
        found = solved.apply_cal(raw)
    error = np.max(np.abs(found.s[:, 0, 0] - at.truth(at.bench.grid.frequencies(), hookups.LINE)[:, 0, 0]))
    assert in_db(error) == pytest.approx(-22.0, abs=2.5)


@pytest.mark.parametrize("seed", [1, 2, 11])
def test_error_terms_have_the_stated_size_and_are_smooth(seed: int) -> None:
    text = bench_of("two-path", QUIET).model_copy()
    at = SimulatedBench(text.model_copy(update={"simulated": text.simulated.model_copy(update={"seed": seed})}))
    coefs = two_path(at).coefs
    stated = {
        "directivity": (-25.0, -25.0),
        "source match": (-20.0, -22.0),
        "load match": (-22.0, -20.0),
        "isolation": (-85.0, -85.0),
    }
    for way, at_port in (("forward", 0), ("reverse", 1)):
        for name, sizes in stated.items():
            term = coefs[f"{way} {name}"]
            np.testing.assert_allclose(in_db(term), sizes[at_port], atol=2.0)
            assert np.max(np.abs(np.diff(term))) < 0.06 * np.max(np.abs(term))
        for name in ("reflection tracking", "transmission tracking"):
            gain = in_db(coefs[f"{way} {name}"])
            assert np.all(np.abs(gain) <= 1.0)
            assert 0.05 < np.ptp(gain) < 2.0
            assert np.ptp(np.unwrap(np.angle(coefs[f"{way} {name}"]))) > 0.5


def test_an_analyser_that_corrects_itself_leaves_small_errors() -> None:
    text = bench_of("two-path", QUIET)
    at = SimulatedBench(text.model_copy(update={"correction": text.correction.model_copy(update={"by": "analyser"})}), hf30())
    at.insert_unit("CL-0001")
    found = shown(at, hookups.LINE, ALL)
    truth = at.truth(at.bench.grid.frequencies(), hookups.LINE)
    errors = [np.max(np.abs(found[trace] - truth[:, int(trace[1]) - 1, int(trace[2]) - 1])) for trace in ALL]
    assert max(errors[0], errors[3]) < 10 ** (-36 / 20)
    assert all(np.max(np.abs(in_db(found[trace] / truth[:, 1, 0]))) < 0.05 for trace in ("s21", "s12"))


# -- noise, connectors, time, seed -------------------------------------------------------------------------------------------


def test_noise_has_the_stated_size_and_falls_with_the_root_of_averages() -> None:
    at = bench(extra='ideal_connectors = true\ndrift = "-300 dB"\n')
    at.connect(hookups.standard("load"))

    def size(averages: int) -> float:
        pairs = [(at.raw(ONE, at.bench.grid, averages), at.raw(ONE, at.bench.grid, averages)) for _ in range(10)]
        both = np.array([first[trace] - second[trace] for first, second in pairs for trace in ONE])
        return float(np.sqrt(np.mean(np.abs(both) ** 2) / 2))

    assert in_db(np.array(size(1))) == pytest.approx(-90.0, abs=0.3)
    assert size(1) / size(16) == pytest.approx(4.0, rel=0.05)


def test_every_new_connection_is_a_little_different_and_ideal_ones_are_not() -> None:
    def spread(extra: str) -> float:
        at = bench(extra=f'noise = "-300 dB"\ndrift = "-300 dB"\n{extra}')
        found = [shown(at, hookups.standard("load"))["s11"][-1] for _ in range(200)]
        return float(np.std(found))

    assert in_db(np.array(spread(""))) == pytest.approx(-66.0, abs=1.5)
    assert spread("ideal_connectors = true\n") < 1e-12


def test_connections_that_stay_are_not_touched() -> None:
    at = bench(extra='noise = "-300 dB"\ndrift = "-300 dB"\n')
    stays = Join(ANALYSER_1, "load A")
    first = shown(at, HookUp("one", (stays, Join(ANALYSER_2, "open"))))["s11"]
    second = shown(at, HookUp("two", (stays, Join(ANALYSER_2, "short"))))["s11"]
    again = shown(at, HookUp("two again", (stays, Join(ANALYSER_2, "short"))))["s11"]
    np.testing.assert_allclose(first, second, atol=1e-12)
    assert np.max(np.abs(second - again)) > 1e-5


def test_virtual_time_is_what_sweeps_and_hands_take() -> None:
    at = bench("two-path")
    at.connect(hookups.THRU)
    assert at.seconds == 40.0
    at.raw(("s11", "s21"), at.bench.grid, averages=4)
    assert at.seconds == pytest.approx(40.0 + 201 * 4 * 1e-3)
    at.raw(ALL, at.bench.grid)
    assert at.seconds == pytest.approx(40.0 + 201 * 6 * 1e-3)


def test_same_seed_same_session_same_numbers() -> None:
    def run(which: str = "scpi", session: str = "") -> list[np.ndarray]:
        at = bench(which, "", session)
        return [shown(at, hookup)["s21"] for hookup in (hookups.THRU, hookups.COUPLED, hookups.COUPLED)]

    first, again, later, other = run(), run(), run(session="tomorrow"), run("serial")
    assert all(np.array_equal(a, b) for a, b in zip(first, again, strict=True))
    assert all(0 < np.max(np.abs(a - b)) < 3e-3 for a, b in zip(first, later, strict=True))
    assert all(np.max(np.abs(a - b)) > 3e-3 for a, b in zip(first, other, strict=True))


# -- the hand ------------------------------------------------------------------------------------------------------------------


def expected_truth(at: SimulatedBench, joins: tuple[Join, ...]) -> np.ndarray:
    return at.truth(at.bench.grid.frequencies(), HookUp("expected", joins))


COUPLED, LINE, SAMPLES = hookups.COUPLED, hookups.LINE, hookups.SAMPLE_PORT
THRU_JOINS = hookups.THRU.joins
WRONG = [
    ("load forgotten", COUPLED, COUPLED.joins[:2]),
    ("load forgotten", SAMPLES, (Join(ANALYSER_1, SAMPLE), Join("load B", LINE_OUT))),
    ("load forgotten", hookups.standard("load"), ()),
    ("sample and line swapped", COUPLED, (Join(ANALYSER_1, LINE_IN), Join(ANALYSER_2, LINE_OUT), Join("load A", SAMPLE))),
    ("sample and line swapped", LINE, (Join(ANALYSER_1, LINE_IN), Join(ANALYSER_2, SAMPLE), Join("load A", LINE_OUT))),
    (
        "sample and line swapped",
        hookups.COUPLED_FAR,
        (Join(ANALYSER_1, LINE_OUT), Join(ANALYSER_2, LINE_IN), Join("load A", SAMPLE)),
    ),
    ("sample and line swapped", SAMPLES, (Join(ANALYSER_1, LINE_IN), Join("load A", SAMPLE), Join("load B", LINE_OUT))),
    ("line in and out swapped", COUPLED, (Join(ANALYSER_1, LINE_OUT), Join(ANALYSER_2, SAMPLE), Join("load A", LINE_IN))),
    ("analyser ports swapped", COUPLED, (Join(ANALYSER_2, LINE_IN), Join(ANALYSER_1, SAMPLE), Join("load A", LINE_OUT))),
    ("load on the wrong connector", LINE, (Join(ANALYSER_1, LINE_IN), Join(ANALYSER_2, SAMPLE), Join("load A", LINE_OUT))),
    ("load on the wrong connector", SAMPLES, (Join(ANALYSER_1, LINE_IN), Join("load A", SAMPLE), Join("load B", LINE_OUT))),
    ("thru left in", COUPLED, THRU_JOINS),
    ("nothing connected", LINE, ()),
    ("wrong standard", hookups.standard("short"), (Join(ANALYSER_1, "open"),)),
    ("wrong standard", hookups.standard("open", 2), (Join(ANALYSER_2, "short"),)),
    ("wrong standard: short", hookups.standard("load"), (Join(ANALYSER_1, "short"),)),
    ("wrong standard", hookups.THRU, (Join(ANALYSER_1, "load"),)),
]


@pytest.mark.parametrize(("mistake", "hookup", "joins"), WRONG)
def test_mistakes_connect_what_they_say(mistake: str, hookup: HookUp, joins: tuple[Join, ...]) -> None:
    at = bench()
    at.connect(hookup, mistake)
    np.testing.assert_array_equal(at.truth(at.bench.grid.frequencies()), expected_truth(at, joins))


def test_nothing_connected_is_two_opens() -> None:
    at = bench()
    at.connect(LINE, "nothing connected")
    s = at.truth(at.bench.grid.frequencies())
    np.testing.assert_allclose(s, np.broadcast_to(np.eye(2), s.shape), atol=1e-12)


def test_a_standard_measured_twice_leaves_the_cables_where_they_were() -> None:
    at = bench(extra='noise = "-300 dB"\ndrift = "-300 dB"\n')
    first = shown(at, hookups.standard("short"))["s11"]
    at.connect(hookups.standard("open"), "standard measured twice")
    np.testing.assert_allclose(at.raw(ONE, at.bench.grid)["s11"], first, atol=1e-12)


def test_things_that_sit_where_they_do_not_belong() -> None:
    at = bench()
    frequency = at.bench.grid.frequencies()
    right = expected_truth(at, COUPLED.joins)
    at.connect(COUPLED, "tee load left on")
    # The receiver and the tee's load in parallel, driven by a current source: half the voltage (see sampler-physics: 6.02 dB).
    low = slice(10, 40)
    assert in_db(at.truth(frequency)[low, 1, 0] / right[low, 1, 0]) == pytest.approx(-6.02, abs=0.15)
    at.connect(COUPLED, "adapter left in")
    expected = Network(frequency=Frequency.from_f(frequency, unit="hz"), s=stray_adapter(frequency), z0=50) ** Network(
        frequency=Frequency.from_f(frequency, unit="hz"), s=right, z0=50
    )
    np.testing.assert_allclose(at.truth(frequency), expected.s, atol=1e-12)
    at.connect(hookups.bench_load("A"), "loose connector")
    change = at.truth(frequency)[:, 0, 0] - at.loads["A"].reflection(frequency)
    assert np.all((np.abs(change) > 0.02) & (np.abs(change) < 0.3))


def test_a_mistake_of_the_bench_file_is_made_once() -> None:
    at = bench(extra=QUIET + '[simulated.mistakes]\ncoupled = "load forgotten"\n')
    right, wrong = expected_truth(at, COUPLED.joins), expected_truth(at, COUPLED.joins[:2])
    frequency = at.bench.grid.frequencies()
    at.connect(COUPLED)
    np.testing.assert_array_equal(at.truth(frequency), wrong)
    at.connect(COUPLED)
    np.testing.assert_array_equal(at.truth(frequency), right)


def test_every_mistake_is_possible_somewhere() -> None:
    tried = {mistake.partition(":")[0] for mistake, _, _ in WRONG}
    assert tried | {"standard measured twice", "tee load left on", "adapter left in", "loose connector"} == set(MISTAKES)


@pytest.mark.parametrize(
    ("hookup", "mistake"),
    [
        (COUPLED, "wrong standard"),
        (hookups.THRU, "load forgotten"),
        (hookups.THRU, "tee load left on"),
        (SAMPLES, "adapter left in: analyser 2"),
        (hookups.bench_load("A"), "load on the wrong connector"),
        (COUPLED, "dropped it"),
        (COUPLED, "load forgotten: B"),
        (COUPLED, "loose connector: sample"),
    ],
)
def test_impossible_mistakes_are_refused(hookup: HookUp, mistake: str) -> None:
    with pytest.raises(UsageError, match="simulated mistake"):
        bench().connect(hookup, mistake)


def test_what_is_not_there_is_refused() -> None:
    empty = SimulatedBench(bench_of())
    with pytest.raises(UsageError, match="without a type"):
        empty.insert_unit("CL-0001")
    with pytest.raises(UsageError, match="no unit"):
        empty.connect(COUPLED)
    with pytest.raises(UsageError, match="no unit"):
        empty.unit_three_port(np.array([1e6]))
    for joins, what in (
        ((Join(ANALYSER_1, "load Q"),), "no 'load Q'"),
        ((Join(ANALYSER_1, "short"), Join(ANALYSER_1, "open")), "two connections"),
        ((Join(ANALYSER_1, ANALYSER_2, through="hose"),), "no 'hose'"),
    ):
        with pytest.raises(UsageError, match=what):
            bench().connect(HookUp("odd", joins))
    with pytest.raises(UsageError, match="does not measure S12"):
        bench().raw(("s12",), bench_of().grid)
    with pytest.raises(UsageError, match="not known"):
        SimulatedBench(bench_of(extra='[simulated.mistakes]\ncoupled = "dropped it"\n'))


# -- adapters ------------------------------------------------------------------------------------------------------------------


def test_adapters_sit_on_the_line_connectors_only() -> None:
    at = bench()
    frequency = at.bench.grid.frequencies()
    bare, whole = at.unit_three_port(frequency), at.unit_three_port(frequency, adapters=True)
    turn = np.exp(-2j * np.pi * frequency * 150e-12)
    # What is left after taking the delay off stays inside the adapters' return loss of 40 dB, twice.
    factors = np.stack([turn, turn, np.ones_like(turn)], axis=1)
    rest = np.abs(whole - bare * factors[:, :, None] * factors[:, None, :])
    assert 1e-3 < np.max(rest) < 0.02
    np.testing.assert_allclose(at.truth(frequency, LINE)[0], at.truth(frequency, LINE)[0].T, atol=1e-12)


def test_an_adapter_with_a_file_is_taken_from_its_sweep() -> None:
    from harness.records import Sweep

    text = bench_of(extra=QUIET)
    adapter = text.adapters[0].model_copy(update={"file": "barrel.s2p", "delay": None})
    frequency = text.grid.frequencies()
    sweep = Sweep.from_matrix("barrel", frequency, stray_adapter(frequency))
    changed = text.model_copy(update={"adapters": (adapter,)})
    at = SimulatedBench(changed, hf30(), adapter_sweeps={"barrel.s2p": sweep})
    at.insert_unit("CL-0001")
    network = Network(frequency=Frequency.from_f(frequency, unit="hz"), s=stray_adapter(frequency), z0=50)
    short = at.truth(frequency, HookUp("bare", (Join(ANALYSER_1, LINE_IN),)))[:, 0, 0]
    bare = at.unit_three_port(frequency)
    reflected = _terminated(bare, network)
    np.testing.assert_allclose(short, reflected, atol=1e-9)
    with pytest.raises(UsageError, match=r"barrel\.s2p"):
        SimulatedBench(changed, hf30()).insert_unit("CL-0001")


def _terminated(bare: np.ndarray, adapter: Network) -> np.ndarray:
    """Return the reflection at line in through its adapter, line out open behind its own, sample open (by scikit-rf)."""
    from skrf.network import connect

    unit = Network(frequency=adapter.frequency, s=bare, z0=50)
    m = DefinedGammaZ0(adapter.frequency, z0=50, gamma=1j * adapter.frequency.f)
    unit = connect(unit, 2, m.open(), 0)
    unit = connect(unit, 1, adapter ** m.open(), 0)
    return np.asarray((adapter**unit).s[:, 0, 0])
