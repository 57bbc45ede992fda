"""The analyser over a dialect: the contract on two fakes in every data form, and what happens when things go wrong."""

from __future__ import annotations

import pytest

from drivers.analyser import DialectAnalyser
from drivers.dialect import Dialect
from harness.errors import CommandRefused, FileError, LinkError, ReplyError, ReplyTimeout, UsageError
from harness.records import Grid
from tests.analyser_contract import AnalyserContract, ContractBench
from tests.fake_links import FakePlain, FakeScpi, FakeTransport, Piece, at_once, dialect

GRID = Grid(1e6, 2e6, 21)
REFUSED = Grid(1e6, 4e9, 21)
FORMS = {
    "real64": (),
    "real64 swapped": (('order = "big" ', 'order = "little" '),),
    "real32": (('form = "real64"', 'form = "real32"'),),
    "ascii": (('form = "real64"', 'form = "ascii"'),),
}


def analyser(transport: FakeTransport, spoken: Dialect, paths: str = "one-path", margin_s: float = 5.0) -> DialectAnalyser:
    two = paths == "two-path"
    return DialectAnalyser(
        transport, spoken, paths="two-path" if two else "one-path", point_time_s=0.01, margin_s=margin_s, clock=transport.clock
    )


def plain(model: FakePlain | None = None) -> tuple[DialectAnalyser, FakeTransport]:
    transport = FakeTransport(at_once(model or FakePlain()))
    return analyser(transport, dialect("plain-serial")), transport


def scpi(model: FakeScpi | None = None, kind: str = "stream") -> tuple[DialectAnalyser, FakeTransport]:
    transport = FakeTransport(at_once(model or FakeScpi()), kind="message" if kind == "message" else "stream")
    return analyser(transport, dialect("scpi-simulated")), transport


class TestPlain(AnalyserContract):
    @pytest.fixture
    def bench(self) -> ContractBench:
        return ContractBench(plain()[0], GRID, ("s11", "s21"), REFUSED)


class TestEchoing(AnalyserContract):
    @pytest.fixture
    def bench(self) -> ContractBench:
        model = FakePlain()
        spoken = dialect("plain-serial", ('echo = "off" ', 'echo = "find out" '))
        transport = FakeTransport(at_once(lambda data: data.replace(b"\n", b"\r\n") + model(data)))
        return ContractBench(analyser(transport, spoken), GRID, ("s11", "s21"), REFUSED)


class TestScpi(AnalyserContract):
    @pytest.fixture(params=list(FORMS))
    def bench(self, request: pytest.FixtureRequest) -> ContractBench:
        transport = FakeTransport(at_once(FakeScpi()))
        spoken = dialect("scpi-simulated", *FORMS[request.param])
        return ContractBench(analyser(transport, spoken, "two-path"), GRID, ("s11", "s21", "s12", "s22"), REFUSED)


@pytest.mark.parametrize("form", list(FORMS))
def test_every_data_form_gives_the_same_numbers(form: str) -> None:
    transport = FakeTransport(at_once(FakeScpi()))
    device = analyser(transport, dialect("scpi-simulated", *FORMS[form]))
    settings = device.set_up(Grid(1e6, 2e6, 4, "log"))
    found = device.sweep(("s11",))["s11"]
    assert settings.frequency_hz == pytest.approx([1e6, 2e6 ** (1 / 3) * 1e6 ** (2 / 3), 1e6 ** (1 / 3) * 2e6 ** (2 / 3), 2e6])
    assert found == pytest.approx([0.125 - 1j, 0.25 - 0.5j, 0.375 - 1j / 3, 0.5 - 0.25j], rel=1e-6)


def test_triggers_once_a_sweep() -> None:
    model = FakeScpi()
    device, transport = scpi(model)
    device.set_up(GRID)
    device.sweep(("s11", "s21"))
    assert model.taken == 1
    assert transport.sent.count(b"INITiate:IMMediate\n") == 1


def test_set_up_reads_the_error_queue_after_each_message() -> None:
    device, transport = scpi()
    device.set_up(GRID)
    messages = [data for data in transport.sent if not data.endswith(b"?\n") and b"? " not in data]
    assert len(messages) == 10
    for message in messages:
        assert transport.sent[transport.sent.index(message) + 1] == b"SYSTem:ERRor?\n"


def test_an_error_names_code_text_and_message() -> None:
    device, _ = scpi()
    with pytest.raises(CommandRefused, match=r"-222 Data out of range after 'SENSe:FREQuency:STOP 4000000000\.0'"):
        device.set_up(REFUSED)


def test_an_error_left_by_a_lost_exchange_is_not_blamed_on_the_next_sweep() -> None:
    model = FakeScpi()
    device, transport = scpi(model)
    device.set_up(GRID)
    whole = transport.answer
    transport.answer = lambda data: [] if data == b"TRACe:DATA? S11\n" else whole(data)
    with pytest.raises(ReplyTimeout):
        device.sweep(("s11",))
    model.errors.append('-400,"Query error"')
    with pytest.raises(CommandRefused, match=r"-400 Query error after 'TRACe:DATA\? S11'"):
        device.sweep(("s11",))


def test_an_error_queue_that_never_empties_is_read_32_times() -> None:
    model = FakeScpi()
    endless = FakeTransport(at_once(lambda data: b'-350,"Queue overflow"\n' if data.startswith(b"SYST") else model(data)))
    with pytest.raises(CommandRefused, match="not empty after 32"):
        analyser(endless, dialect("scpi-simulated")).set_up(GRID)
    assert endless.sent.count(b"SYSTem:ERRor?\n") == 32


def test_a_setting_that_was_not_taken_is_refused() -> None:
    class Deaf(FakeScpi):
        def set(self, header: str, given: str) -> None:
            super().set(header, "7" if header.endswith("POINTS") else given)

    device, _ = scpi(Deaf())
    with pytest.raises(ReplyError, match=r"points 21 was asked for, the analyser says points 7"):
        device.set_up(GRID)


def test_an_axis_that_is_not_the_one_asked_for_is_refused() -> None:
    class Shifted(FakePlain):
        def lines(self, text: str) -> list[str]:
            found = super().lines(text)
            return [*found[:-1], f"{float(found[-1]) + 5:018.3f}"] if text == "axis" else found

    device, _ = plain(Shifted())
    with pytest.raises(ReplyError, match=r"point 21 of 21 was asked at 2000000\.000 Hz.*2000005\.000 Hz"):
        device.set_up(GRID)


@pytest.mark.parametrize("kind", ["plain", "scpi"])
def test_a_reset_between_set_up_and_sweep_is_caught(kind: str) -> None:
    model = FakePlain() if kind == "plain" else FakeScpi()
    device, transport = plain(model) if isinstance(model, FakePlain) else scpi(model)
    device.set_up(GRID)
    model.__init__()  # type: ignore[misc]  # what switching off and on does
    with pytest.raises(ReplyError, match="settings changed since the set-up"):
        device.sweep(("s11",))
    assert not any(b"take" in data or b"INIT" in data for data in transport.sent[-4:])
    with pytest.raises(UsageError, match="not set up"):
        device.sweep(("s11",))


def test_another_instrument_under_the_same_address_is_refused() -> None:
    model = FakePlain()
    device, _ = plain(model)
    device.identify()
    model.identity = "FAKE PLAIN 2"
    with pytest.raises(LinkError, match="another instrument answers"):
        device.set_up(GRID)


def test_an_identity_that_the_dialect_is_not_for_is_refused() -> None:
    transport = FakeTransport(at_once(FakePlain()))
    device = analyser(transport, dialect("plain-serial", ('send = "who"', 'send = "who"\ncontains = "OTHER"')))
    with pytest.raises(LinkError, match=r"says it is 'FAKE PLAIN 1'.*'OTHER'"):
        device.identify()


def test_an_unfilled_dialect_is_refused_with_its_line() -> None:
    with pytest.raises(FileError, match=r"scpi\.toml, line \d+: send is still to be filled in") as caught:
        analyser(FakeTransport(at_once(FakeScpi())), dialect("scpi"))
    text = dialect("scpi")
    assert caught.value.line == text.unfilled[0][0]


def test_backward_traces_need_a_two_path_analyser() -> None:
    device, transport = scpi()
    device.set_up(GRID)
    before = len(transport.sent)
    with pytest.raises(UsageError, match="s12"):
        device.sweep(("s11", "s12"))
    assert len(transport.sent) == before


def test_a_spacing_that_the_language_has_not_is_refused_before_anything_is_sent() -> None:
    device, transport = plain()
    with pytest.raises(UsageError, match="no word for log spacing"):
        device.set_up(Grid(1e6, 2e6, 21, "log"))
    assert transport.sent == []


def test_sweep_waits_as_long_as_points_and_averages_need() -> None:
    model = FakePlain()

    def slow(data: bytes) -> list[Piece]:
        return [(8.0 if data == b"take\n" else 0.0, model(data))]

    transport = FakeTransport(slow)
    device = analyser(transport, dialect("plain-serial"), margin_s=1.0)
    device.set_up(Grid(1e6, 2e6, 101, averages=4))
    assert device.sweep_seconds(("s11",)) == pytest.approx(101 * 0.01 * 4)
    assert device.deadline_seconds() == pytest.approx(1.0 + 2 * 4.04)
    seen: list[tuple[float, float]] = []
    device.sweep(("s11",), lambda so_far, expected: seen.append((so_far, expected)))
    assert list(seen[-1]) == pytest.approx([8.0, 4.04])
    assert len(seen) == 32
    device.set_up(GRID)
    with pytest.raises(ReplyTimeout, match=r"no complete reply to take .* after 1\.4 s .*nothing came"):
        device.sweep(("s11",))


def test_the_instruments_own_sweep_time_is_used_where_the_dialect_asks_for_it() -> None:
    model = FakeScpi()
    model.values["SENSE:SWEEP:TIME"] = "2.5"
    more = '[[read_back]]\nsend = "SENSe:SWEep:TIME?"\ngives = ["sweep_time"]\n\n[words.spacing]'
    transport = FakeTransport(at_once(model))
    device = analyser(transport, dialect("scpi-simulated", ("[words.spacing]", more)), "two-path")
    device.set_up(Grid(1e6, 2e6, 21, averages=3))
    assert device.sweep_seconds(("s11",)) == pytest.approx(2.5 * 3 * 2)


def set_up_and_sweep(device: DialectAnalyser) -> None:
    device.set_up(GRID)
    device.sweep(("s11", "s21"))


class Late:
    """Answers one message so late that the deadline has passed; later messages wait their turn, as on a real instrument."""

    def __init__(self, model: FakePlain | FakeScpi, message: bytes, delay: float, clock_of: list[FakeTransport]) -> None:
        self.model, self.message, self.delay, self.clock_of = model, message, delay, clock_of
        self.busy_until = 0.0

    def __call__(self, data: bytes) -> list[Piece]:
        now = self.clock_of[0].clock.seconds
        if data == self.message:
            self.message = b""
            self.busy_until = now + self.delay
        reply = self.model(data)
        return [(max(self.busy_until - now, 0.0), reply)] if reply else []


@pytest.mark.parametrize("delay", [5.5, 5.7, 6.5, 9.0])
@pytest.mark.parametrize("message", ["*IDN?", "SENSe:SWEep:POINts?", "TRACe:DATA? S11", "*OPC?"])
@pytest.mark.parametrize("kind", ["stream", "message"])
def test_a_late_scpi_reply_never_answers_the_next_question(message: str, delay: float, kind: str) -> None:
    model = FakeScpi()
    links: list[FakeTransport] = []
    transport = FakeTransport(at_once(model), kind="message" if kind == "message" else "stream")
    links.append(transport)
    device = analyser(transport, dialect("scpi-simulated"))
    device.set_up(GRID)
    wanted = device.sweep(("s11", "s21"))
    transport.answer = Late(model, f"{message}\n".encode(), delay, links)
    with pytest.raises(ReplyTimeout):
        set_up_and_sweep(device)
    assert device.set_up(GRID).averages == 1
    found = device.sweep(("s11", "s21"))
    assert all(found[trace] == pytest.approx(wanted[trace], abs=1e-4) for trace in wanted)
    assert transport.clears == (1 if kind == "message" else 0)
    assert "place found" in device.transcript.text()


@pytest.mark.parametrize("delay", [5.5, 5.7, 6.5, 9.0])
@pytest.mark.parametrize("message", ["who", "span", "take", "gamma"])
def test_a_late_plain_reply_never_answers_the_next_question(message: str, delay: float) -> None:
    model = FakePlain()
    links: list[FakeTransport] = []
    transport = FakeTransport(at_once(model))
    links.append(transport)
    device = analyser(transport, dialect("plain-serial"))
    device.set_up(GRID)
    wanted = device.sweep(("s11", "s21"))
    transport.answer = Late(model, f"{message}\n".encode(), delay, links)
    with pytest.raises(ReplyTimeout):
        set_up_and_sweep(device)
    device.set_up(GRID)
    found = device.sweep(("s11", "s21"))
    assert all(found[trace] == pytest.approx(wanted[trace], abs=1e-4) for trace in wanted)


def test_half_a_line_left_by_an_earlier_program_harms_nothing() -> None:
    model = FakePlain()
    model(b"span 1000")
    device, transport = plain(model)
    assert device.identify() == "FAKE PLAIN 1"
    assert transport.sent[0] == b"\n"


def test_a_dead_instrument_is_a_timeout_and_stays_one() -> None:
    transport = FakeTransport(lambda data: [])
    device = analyser(transport, dialect("plain-serial"), margin_s=2.0)
    for _ in range(2):
        with pytest.raises(ReplyTimeout) as caught:
            device.identify()
        assert "nothing came" in caught.value.message
        assert caught.value.hint


def test_a_scpi_instrument_that_went_silent_is_given_up() -> None:
    device, transport = scpi()
    device.set_up(GRID)
    transport.answer = lambda data: []
    with pytest.raises(ReplyTimeout):
        device.identify()
    begun = transport.clock.seconds
    with pytest.raises(LinkError, match="does not answer to its identity query any more"):
        device.identify()
    assert transport.clock.seconds - begun < 60


def test_a_pulled_cable_closes_the_link_and_keeps_the_transcript() -> None:
    device, transport = plain()
    device.set_up(GRID)
    transport.vanished = True
    with pytest.raises(LinkError, match="the device is gone"):
        device.sweep(("s11",))
    assert transport.closed == 1
    assert "the device is gone" in device.transcript.text()
    with pytest.raises(LinkError):
        device.identify()


def test_numbers_in_the_wrong_byte_order_are_refused() -> None:
    class Swapped(FakeScpi):
        def data(self, which: str) -> bytes | None:
            self.values["FORMAT:BORDER"] = "SWAP"
            found = super().data(which)
            self.values["FORMAT:BORDER"] = "NORM"
            return found

    device, _ = scpi(Swapped())
    with pytest.raises(ReplyError):
        device.set_up(GRID)


def test_a_refused_message_does_not_cost_a_resynchronisation() -> None:
    device, transport = plain()
    with pytest.raises(CommandRefused, match=r"refused 'span 1000000\.000 4000000000\.000 21': span"):
        device.set_up(REFUSED)
    before = len(transport.sent)
    device.identify()
    assert transport.sent[before:] == [b"who\n"]


def test_the_transcript_holds_long_replies_as_length_and_hash() -> None:
    device, _ = scpi()
    device.set_up(Grid(1e6, 2e6, 201))
    device.sweep(("s11",))
    text = device.transcript.text()
    assert "> TRACe:DATA? S11\\n" in text
    assert "(3223 bytes, sha256 " in text
    assert "begins) #43216" in text
    assert "sweep: 2.0 s expected, 9.0 s allowed" in text


@pytest.mark.parametrize("kind", ["plain", "scpi"])
def test_a_rehearsal_tries_every_message(kind: str) -> None:
    device, transport = plain() if kind == "plain" else scpi()
    tried = list(device.rehearse(GRID))
    assert all(one.ok for one in tried)
    assert len(tried) == (9 if kind == "plain" else 24)
    assert {one.what for one in tried} >= {data.decode().strip() for data in transport.sent} - {"", "SYSTem:ERRor?"} - {
        "INITiate:IMMediate",
        "*OPC?",
    }
    with pytest.raises(UsageError, match="not set up"):
        device.sweep(("s11",))
    assert tried[-1].says.startswith("S21: 21 points, the largest 1")


def test_a_rehearsal_goes_on_after_a_failure_and_gives_the_instruments_reason() -> None:
    device = analyser(FakeTransport(at_once(FakeScpi())), dialect("scpi-simulated", ('"SENSe:SWEep:POINts?"', '"SWE:PIONts?"')))
    tried = {one.what: one for one in device.rehearse(GRID)}
    assert [what for what, one in tried.items() if not one.ok] == ["SWE:PIONts?"]
    assert "no complete reply" in tried["SWE:PIONts?"].says
    assert "-113 Undefined header" in tried["SWE:PIONts?"].says
