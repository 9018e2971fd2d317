"""Single values: understood, found, and driven in small steps that end parked."""

from __future__ import annotations

import math
from contextlib import closing
from itertools import pairwise

import pytest

from controller.bench.files import load_bench
from controller.bench.model import BenchFile
from controller.bench.wiring import open_bench
from controller.clock import VirtualClock
from controller.errors import InputError
from controller.ladder.electrical import state_ohms
from controller.links.simulated import SimulatedChannel, SimulatedDevice
from controller.planning.single_value import Finder
from controller.planning.value import Wish, nudged, parse_wish
from controller.run.events import FaultRaised, LinkReported, Parked, RelaysSet, RunFinished
from controller.run.hold import HandRun, plan_by_hand
from controller.run.model import Ending


@pytest.fixture
def bench_and_finder(pytestconfig: pytest.Config) -> tuple[BenchFile, Finder]:
    bench = load_bench(pytestconfig.rootpath / "sweeps/benches/simulated-corroded.toml")
    assert bench.module is not None
    return bench, Finder(bench, bench.module.sensor.curve)


@pytest.mark.parametrize(
    ("text", "wish"),
    [
        ("20degC", Wish(celsius=20.0)),
        (" 68 degF ", Wish(celsius=20.0)),
        ("2.5k", Wish(ohms=2500.0)),
        ("2500ohm", Wish(ohms=2500.0)),
        ("OPEN", Wish(word="open")),
        ("short", Wish(word="short")),
        ("park", Wish(word="park")),
        ("relay 7", Wish(relay=7)),
        ("r7", Wish(relay=7)),
        ("0x0a3f", Wish(state="0x0a3f")),
    ],
)
def test_what_may_be_typed(text: str, wish: Wish) -> None:
    found = parse_wish(text)
    assert (found.word, found.ohms, found.relay, found.state) == (
        wish.word,
        wish.ohms,
        wish.relay,
        wish.state,
    )
    if wish.celsius is not None:
        assert found.celsius == pytest.approx(wish.celsius)


@pytest.mark.parametrize("text", ["20", "abc", "-5ohm", "relay", "relay x", "2,5,5k", "nan"])
def test_what_may_not_be_typed(text: str) -> None:
    with pytest.raises(InputError):
        parse_wish(text)


def test_what_is_shown_is_what_the_state_makes(bench_and_finder) -> None:  # type: ignore[no-untyped-def]
    bench, finder = bench_and_finder
    park = bench.ladder.park_state
    for text in ("20degC", "2.5k", "80degC", "short"):
        found = finder.find(text, park)
        assert found.ohms == pytest.approx(state_ohms(bench.ladder, found.state))
        assert found.path[-1].state == found.state
        assert found.uncertainty_ohms > 0
    near = finder.find("2.5k", park)
    assert abs(near.ohms - 2500.0) / 2500.0 < 0.01
    assert near.celsius is not None
    assert near.uncertainty_celsius is not None


def test_extremes_and_single_relays_are_marked(bench_and_finder) -> None:  # type: ignore[no-untyped-def]
    bench, finder = bench_and_finder
    start = finder.find("20degC", bench.ladder.park_state).state
    assert finder.find("30degC", start).extreme is None
    assert finder.find("park", start).extreme is None
    assert "open" in (finder.find("open", start).extreme or "")
    assert "short" in (finder.find("short", start).extreme or "")
    one = finder.find("relay 3", start)
    assert one.extreme is not None
    assert one.state == start ^ 0b1000
    assert one.moves == 1


def test_a_relay_that_is_not_there_is_refused(bench_and_finder) -> None:  # type: ignore[no-untyped-def]
    bench, finder = bench_and_finder
    with pytest.raises(InputError, match="relays 0 to 17"):
        finder.find("relay 18", bench.ladder.park_state)


def test_a_temperature_without_a_curve_is_refused(bench_and_finder) -> None:  # type: ignore[no-untyped-def]
    bench, _finder = bench_and_finder
    blind = Finder(bench, None)
    with pytest.raises(InputError, match="curve"):
        blind.find("20degC", bench.ladder.park_state)
    assert blind.find("2.5k", bench.ladder.park_state).celsius is None


def test_nudging_moves_a_value_and_leaves_words_alone() -> None:
    assert nudged("20degC", 1) == "20.5degC"
    assert nudged("20degC", -1) == "19.5degC"
    up = nudged("2.5k", 1)
    assert up is not None
    assert parse_wish(up).ohms == pytest.approx(2525.0)
    assert nudged("open", 1) is None
    assert nudged("", 1) is None


def test_values_are_driven_held_fed_and_parked(bench_and_finder) -> None:  # type: ignore[no-untyped-def]
    bench_file, finder = bench_and_finder
    ladder, clock = bench_file.ladder, VirtualClock()
    plan = plan_by_hand(park_state=ladder.park_state, state_digits=ladder.state_digits)
    devices: list[SimulatedDevice] = []

    def keep(_channel: SimulatedChannel, device: SimulatedDevice) -> None:
        devices.append(device)

    with closing(open_bench(bench_file, clock, on_channel=keep)) as bench:
        run = HandRun(plan, bench, clock)
        events = list(run.step())
        start = ladder.park_state
        for text in ("20degC", "2.5k", "short", "open", "relay 2"):
            found = finder.find(text, start)
            run.set(found)
            for _ in range(60):
                events += run.step()
            # The simulated device itself says what is latched.
            assert devices[0].state == found.state
            start = found.state
        run.stop()
        while not run.finished:
            events += run.step()
        assert devices[0].state == ladder.park_state
    assert sum(isinstance(event, RelaysSet) for event in events) >= 3
    assert not any(isinstance(event, FaultRaised) for event in events)
    assert isinstance(events[-2], Parked)
    assert isinstance(events[-1], RunFinished)
    fed = [event.at_s for event in events if isinstance(event, LinkReported)]
    silences = [later - sooner for sooner, later in pairwise(fed)]
    assert max(silences) < bench_file.hold_off_ms / 1000


def test_a_value_found_from_elsewhere_is_not_driven(bench_and_finder) -> None:  # type: ignore[no-untyped-def]
    bench_file, finder = bench_and_finder
    ladder, clock = bench_file.ladder, VirtualClock()
    plan = plan_by_hand(park_state=ladder.park_state, state_digits=ladder.state_digits)
    elsewhere = finder.find("20degC", ladder.park_state).state
    stale = finder.find("90degC", elsewhere)
    with closing(open_bench(bench_file, clock)) as bench:
        run = HandRun(plan, bench, clock)
        run.step()
        run.set(stale)
        events = [event for _ in range(40) for event in run.step()]
        assert not any(isinstance(event, RelaysSet) for event in events)
        run.stop()
        while not run.finished:
            run.step()


def test_a_value_held_long_enough_is_left_by_its_way_back(bench_and_finder) -> None:  # type: ignore[no-untyped-def]
    bench_file, finder = bench_and_finder
    ladder, clock = bench_file.ladder, VirtualClock()
    plan = plan_by_hand(park_state=ladder.park_state, state_digits=ladder.state_digits)
    latched: list[int] = []
    devices: list[SimulatedDevice] = []

    def keep(_channel: SimulatedChannel, device: SimulatedDevice) -> None:
        devices.append(device)

    found = finder.find("20degC", ladder.park_state)
    with closing(open_bench(bench_file, clock, on_channel=keep)) as bench:
        run = HandRun(plan, bench, clock)
        run.set(found)
        run.leave(found.back)
        events = []
        while not run.finished:
            events += run.step()
            latched.append(devices[0].state)
    assert found.state in latched
    assert devices[0].state == ladder.park_state
    assert events[-1].summary.ended is Ending.COMPLETE


def test_a_lost_link_ends_a_session_with_a_fault(bench_and_finder) -> None:  # type: ignore[no-untyped-def]
    bench_file, finder = bench_and_finder
    ladder, clock = bench_file.ladder, VirtualClock()
    plan = plan_by_hand(park_state=ladder.park_state, state_digits=ladder.state_digits)
    channels: list[SimulatedChannel] = []

    def keep(channel: SimulatedChannel, _device: SimulatedDevice) -> None:
        channels.append(channel)

    with closing(open_bench(bench_file, clock, on_channel=keep)) as bench:
        run = HandRun(plan, bench, clock)
        run.step()
        run.set(finder.find("20degC", ladder.park_state))
        for _ in range(30):
            run.step()
        channels[0].unplugged = True
        events = []
        for _ in range(200):
            events += run.step()
        assert run.finished
    assert any(isinstance(event, FaultRaised) for event in events)
    assert isinstance(events[-1], RunFinished)
    assert math.isfinite(events[-1].at_s)
