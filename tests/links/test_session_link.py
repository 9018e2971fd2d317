"""The link through every fault of the line: what arrives, what is reported, and that it is true."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from controller.clock import VirtualClock
from controller.errors import LinkError, RelayKnowledge
from controller.ladder.model import PathStep
from controller.links.session_link import SessionLink
from controller.links.simulated import (
    Direction,
    Fault,
    FaultHook,
    FaultKind,
    SimulatedChannel,
    SimulatedDevice,
    scripted_faults,
    seeded_faults,
)
from firmware_protocol.device import SenseSample
from firmware_protocol.framing import Frame, encode_frame

PARK = 0x20000
TO_DEVICE, TO_HOST = Direction.TO_DEVICE, Direction.TO_HOST


@dataclass
class Rig:
    """A link, its channel and its device, on a clock that costs no time."""

    faults: FaultHook | None = None
    settings: dict = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.clock = VirtualClock()
        self.latched: list[tuple[float, int]] = []
        self.device = SimulatedDevice(
            relay_count=18,
            park_state=PARK,
            clock=self.clock,
            on_latch=lambda at_s, state: self.latched.append((at_s, state)),
            **self.settings,
        )
        self.channel = SimulatedChannel(self.device, faults=self.faults)
        self.link = SessionLink(self.channel, self.clock)

    @property
    def states(self) -> list[int]:
        """What was latched, without what changed nothing."""
        self.device.catch_up()
        states = [state for _, state in self.latched]
        return [s for i, s in enumerate(states) if i == 0 or s != states[i - 1]]

    def opened(self, **options) -> Rig:
        self.link.open(**options)
        return self


def steps(*states: int, hold_ms: int = 10) -> list[PathStep]:
    return [PathStep(state=state, hold_ms=hold_ms) for state in states]


def run(link: SessionLink) -> None:
    """A short run: open, two paths, a question, park."""
    link.open()
    link.apply(steps(1, 3, 2))
    link.feed()
    link.apply(steps(6, 4))
    link.park()


RUN_STATES = [PARK, 1, 3, 2, 6, 4, PARK]
SENDINGS = 11
"""Requests in `run`: identify, park, clear, hold-off, status; apply, status; status; apply,
status; park."""


def test_a_run_without_faults() -> None:
    rig = Rig()
    run(rig.link)
    assert rig.states == RUN_STATES
    assert rig.channel._sent == {TO_DEVICE: SENDINGS, TO_HOST: SENDINGS}
    assert rig.link.relays is RelayKnowledge.PARKED


def test_opening_says_who_answers_and_parks() -> None:
    rig = Rig(settings={"name": "Quay\x1b[31m bench", "max_path": 4})
    assert rig.link.relays is RelayKnowledge.NOT_DRIVEN
    identity = rig.link.open(hold_off_ms=1500)
    assert identity.name == "Quay[31m bench"
    assert (identity.relay_count, identity.park_state, identity.max_path) == (18, PARK, 4)
    assert identity.protocol_version == 1
    assert not identity.can_sense
    assert rig.link.relays is RelayKnowledge.PARKED
    status = rig.link.feed()
    assert status.hold_off_ms == 1500
    assert status.parked
    raised = (status.restarted, status.moving, status.fault, status.hold_off_expired)
    assert not any(raised)


def test_a_long_path_goes_in_pieces_and_every_hold_is_kept() -> None:
    rig = Rig(settings={"max_path": 4}).opened()
    path = [PathStep(state=k + 1, hold_ms=5 + k) for k in range(11)]
    began_s = rig.clock.now_s()
    rig.link.apply(path)
    assert rig.states == [PARK, *(step.state for step in path)]
    assert rig.link.relays is RelayKnowledge.KNOWN
    times = [at_s for at_s, state in rig.latched if 1 <= state <= 11]
    for step, at_s, next_s in zip(path, times, times[1:], strict=False):
        assert next_s - at_s >= step.hold_ms / 1000 - 1e-9
    total_s = sum(step.hold_ms for step in path) / 1000
    assert total_s - 1e-9 <= rig.clock.now_s() - began_s <= total_s + 0.02


def test_a_path_that_lasts_longer_than_the_hold_off_is_fed() -> None:
    rig = Rig().opened(hold_off_ms=500)
    rig.link.apply(steps(1, 2, 3, hold_ms=5000))
    assert rig.states == [PARK, 1, 2, 3]
    assert rig.link.feed().state == 3


def test_an_empty_path_is_nothing() -> None:
    rig = Rig().opened()
    rig.link.apply([])
    assert rig.link.relays is RelayKnowledge.PARKED


def test_a_path_that_ends_in_park_is_parked() -> None:
    rig = Rig().opened()
    rig.link.apply(steps(1, PARK))
    assert rig.link.relays is RelayKnowledge.PARKED


# --- faults that a retry heals ------------------------------------------------------------------

HEALED = [
    Fault(kind=FaultKind.DROP),
    Fault(kind=FaultKind.CORRUPT, bit=13),
    Fault(kind=FaultKind.CORRUPT, bit=39),
    Fault(kind=FaultKind.DUPLICATE),
    Fault(kind=FaultKind.DELAY, delay_s=0.1),
    Fault(kind=FaultKind.DELAY, delay_s=0.3),
    Fault(kind=FaultKind.DELAY, delay_s=0.6),
    Fault(kind=FaultKind.TRUNCATE, keep=3),
    Fault(kind=FaultKind.TRUNCATE, keep=0),
]


@pytest.mark.parametrize("fault", HEALED, ids=lambda f: f"{f.kind.name.lower()}-{f.delay_s}")
@pytest.mark.parametrize("direction", Direction)
def test_one_fault_anywhere_changes_nothing(direction: Direction, fault: Fault) -> None:
    for index in range(SENDINGS):
        rig = Rig(faults=scripted_faults({(direction, index): fault}))
        run(rig.link)
        assert rig.states == RUN_STATES, f"{fault} at {index}"
        assert rig.link.relays is RelayKnowledge.PARKED


def test_three_faults_in_a_row_are_still_healed() -> None:
    for index in range(1, SENDINGS):
        script = {(TO_HOST, index + k): Fault(kind=FaultKind.DROP) for k in range(3)}
        rig = Rig(faults=scripted_faults(script))
        run(rig.link)
        assert rig.states == RUN_STATES
        assert rig.link._session.retries == 3


@pytest.mark.parametrize("seed", range(8))
def test_a_bad_line_never_moves_a_relay_twice_or_wrongly(seed: int) -> None:
    rig = Rig(faults=seeded_faults(seed, 0.05))
    rig.link.open()
    wanted = list(range(1, 151))
    for state in wanted:
        rig.link.apply(steps(state, hold_ms=3))
    assert rig.states == [PARK, *wanted]
    status = rig.link.feed()
    assert status.retries > 0
    assert status.dropped > 0


# --- faults that end the run --------------------------------------------------------------------


def statement_is_true(error: LinkError, rig: Rig) -> bool:
    """Whether what the error says of the relays is so, at this moment and from now on."""
    if error.relays is RelayKnowledge.PARKED:
        now = rig.device.state
        rig.clock.sleep_s(10)
        return now == PARK == rig.device.state
    if error.relays is RelayKnowledge.NOT_DRIVEN:
        return set(rig.states) == {PARK}
    return error.relays is RelayKnowledge.UNKNOWN


def test_a_restart_anywhere_ends_the_run_parked() -> None:
    """A restart at any sending after the first stops the run, parked.

    Between identify and clear it does so because the clear is refused.
    """
    reset = Fault(kind=FaultKind.RESET)
    for direction in Direction:
        for index in range(1, SENDINGS - 1):
            rig = Rig(faults=scripted_faults({(direction, index): reset}))
            with pytest.raises(LinkError, match="the device restarted") as caught:
                run(rig.link)
            assert caught.value.relays is RelayKnowledge.PARKED, (direction, index)
            assert statement_is_true(caught.value, rig)
            before = rig.states
            with pytest.raises(LinkError):
                rig.link.apply(steps(9))
            rig.link.close()
            assert rig.states == before, "a relay moved after the restart"


def test_a_restart_while_opening_is_no_harm() -> None:
    for direction in Direction:
        rig = Rig(faults=scripted_faults({(direction, 0): Fault(kind=FaultKind.RESET)}))
        run(rig.link)
        assert rig.states == RUN_STATES


@pytest.mark.parametrize("silence", ["muted", "unplugged"])
def test_silence_from_anywhere_ends_the_run_with_a_true_statement(silence: str) -> None:
    known = set()
    for index in range(SENDINGS):
        rig = Rig()

        def fall_silent(direction: Direction, number: int, data: bytes, rig=rig, index=index):
            if direction is TO_DEVICE and number >= index:
                setattr(rig.channel, silence, True)
                return Fault(kind=FaultKind.DROP)
            return None

        rig.channel._faults = fall_silent
        with pytest.raises(LinkError) as caught:
            run(rig.link)
        error = caught.value
        assert error.exit_code == 3
        assert statement_is_true(error, rig), f"at {index}: {error}"
        expected = RelayKnowledge.UNKNOWN
        if index == 0:
            expected = RelayKnowledge.NOT_DRIVEN
        elif 2 <= index <= 4:
            expected = RelayKnowledge.PARKED
        assert error.relays is expected, f"at {index}: {error}"
        known.add(error.relays)
        rig.link.close()
        rig.clock.sleep_s(3)
        assert rig.device.state == PARK, "the device did not park by itself"
    assert known == {RelayKnowledge.NOT_DRIVEN, RelayKnowledge.PARKED, RelayKnowledge.UNKNOWN}


def test_a_silent_device_is_given_up_after_four_tries_in_about_a_second() -> None:
    rig = Rig().opened()
    rig.link.apply(steps(5))
    rig.channel.muted = True
    began_s = rig.clock.now_s()
    with pytest.raises(LinkError, match="no answer after 4 tries") as caught:
        rig.link.feed()
    assert rig.clock.now_s() - began_s == pytest.approx(1.0, abs=0.05)
    assert caught.value.relays is RelayKnowledge.UNKNOWN
    assert "parks by itself after 2000 ms" in (caught.value.hint or "")


def test_silence_while_parked_leaves_it_parked() -> None:
    rig = Rig().opened()
    rig.channel.muted = True
    with pytest.raises(LinkError) as caught:
        rig.link.feed()
    assert caught.value.relays is RelayKnowledge.PARKED


def test_a_device_that_only_babbles_is_named() -> None:
    flips = {(TO_HOST, n): Fault(kind=FaultKind.CORRUPT, bit=20) for n in range(5, 20)}
    rig = Rig(faults=scripted_faults(flips)).opened()
    with pytest.raises(LinkError, match="only a corrupt frame"):
        rig.link.feed()


def test_too_long_a_silence_of_the_host_is_reported_parked() -> None:
    rig = Rig().opened()
    rig.link.apply(steps(5))
    rig.clock.sleep_s(2.5)
    with pytest.raises(LinkError, match="heard nothing for too long and parked") as caught:
        rig.link.feed()
    assert caught.value.relays is RelayKnowledge.PARKED
    assert statement_is_true(caught.value, rig)


def test_an_apply_after_too_long_a_silence_moves_nothing() -> None:
    rig = Rig().opened()
    rig.link.apply(steps(5))
    rig.clock.sleep_s(2.5)
    with pytest.raises(LinkError, match="parked by itself") as caught:
        rig.link.apply(steps(6))
    assert caught.value.relays is RelayKnowledge.PARKED
    assert rig.states == [PARK, 5, PARK]


def test_a_fault_of_the_board_ends_the_run_parked() -> None:
    rig = Rig().opened()
    rig.link.apply(steps(5))
    rig.device.set_fault()
    with pytest.raises(LinkError, match="the board reports a fault") as caught:
        rig.link.feed()
    assert caught.value.relays is RelayKnowledge.PARKED


def test_a_fault_that_persists_is_seen_before_a_relay_moves() -> None:
    """The board may take 100 ms to find it again after it was cleared (SPEC.md, "look")."""
    rig = Rig()
    rig.device.set_fault()
    sleep_s = rig.clock.sleep_s

    def sleep_and_look(duration_s: float) -> None:
        sleep_s(duration_s)
        if duration_s >= 0.1:
            rig.device.set_fault()

    rig.clock.sleep_s = sleep_and_look
    with pytest.raises(LinkError, match="the board reports a fault") as caught:
        rig.link.open()
    assert caught.value.relays is RelayKnowledge.PARKED
    assert set(rig.states) <= {PARK}


def test_a_fault_that_has_passed_costs_a_tenth_of_a_second_and_no_more() -> None:
    rig = Rig()
    rig.device.set_fault()
    begun_s = rig.clock.now_s()
    rig.opened()
    assert rig.clock.now_s() - begun_s >= 0.1
    rig.link.apply(steps(5))
    assert rig.device.state == 5


def test_a_link_that_drove_and_cannot_be_opened_again_does_not_claim_innocence() -> None:
    rig = Rig().opened()
    rig.link.apply(steps(5))
    rig.channel.unplugged = True
    for _ in range(2):
        with pytest.raises(LinkError) as caught:
            rig.link.open()
        assert caught.value.relays is RelayKnowledge.UNKNOWN
    rig.channel.unplugged = False
    rig.link.open()
    assert rig.link.relays is RelayKnowledge.PARKED


def test_after_a_path_of_unknown_fate_the_status_tells_it() -> None:
    lost = {(TO_HOST, 5 + k): Fault(kind=FaultKind.DROP) for k in range(4)}
    rig = Rig(faults=scripted_faults(lost)).opened()
    with pytest.raises(LinkError, match="no answer") as caught:
        rig.link.apply(steps(5))
    assert caught.value.relays is RelayKnowledge.UNKNOWN
    assert rig.link.feed().state == 5
    assert rig.link.relays is RelayKnowledge.KNOWN
    rig.link.apply(steps(6))
    assert rig.states == [PARK, 5, 6]


def test_after_a_fault_the_link_can_be_opened_again() -> None:
    rig = Rig().opened()
    rig.device.restart()
    with pytest.raises(LinkError):
        rig.link.feed()
    assert rig.link.open().boots == 1
    rig.link.apply(steps(7))
    assert rig.device.state == 7


# --- refusals and mistakes ----------------------------------------------------------------------


def test_a_forbidden_pattern_is_named_and_nothing_moves() -> None:
    rig = Rig(settings={"forbidden": lambda state: state == 6}).opened()
    rig.link.apply(steps(5))
    with pytest.raises(LinkError, match=r"does not allow .* \(state 2 of the path\)") as caught:
        rig.link.apply(steps(4, 6))
    assert caught.value.relays is RelayKnowledge.KNOWN
    assert rig.device.state == 5
    rig.link.apply(steps(4))
    assert rig.states == [PARK, 5, 4]


def test_another_program_driving_the_ladder_is_noticed() -> None:
    rig = Rig().opened()
    rig.link.apply(steps(5))
    rig.device.receive(encode_frame(Frame(type=0x04, sequence=200)))
    with pytest.raises(LinkError, match="not what was asked for") as caught:
        rig.link.feed()
    assert caught.value.relays is RelayKnowledge.UNKNOWN
    with pytest.raises(LinkError, match="park first"):
        rig.link.apply(steps(6))
    rig.link.park()
    rig.link.apply(steps(6))


def test_another_start_than_was_believed_is_refused() -> None:
    rig = Rig().opened()
    rig.link.apply(steps(5))
    rig.device.receive(encode_frame(Frame(type=0x04, sequence=200)))
    with pytest.raises(LinkError, match="another state is latched") as caught:
        rig.link.apply(steps(6))
    assert caught.value.relays is RelayKnowledge.UNKNOWN
    assert rig.device.state == PARK


@pytest.mark.parametrize(
    ("path", "words"),
    [
        (steps(1 << 18), "more relays than the 18"),
        (steps(-1), "more relays"),
        (steps(1, hold_ms=0), "hold_ms must be 1 to 5000"),
        (steps(1, hold_ms=5001), "hold_ms must be 1 to 5000"),
    ],
)
def test_a_path_that_cannot_be_is_refused_before_anything_is_sent(path, words: str) -> None:
    rig = Rig().opened()
    sent = rig.channel._sent[TO_DEVICE]
    with pytest.raises(LinkError, match=words) as caught:
        rig.link.apply([*steps(1), *path])
    assert caught.value.relays is RelayKnowledge.PARKED
    assert rig.channel._sent[TO_DEVICE] == sent


def test_a_hold_off_out_of_range_is_refused_before_anything_is_sent() -> None:
    rig = Rig()
    with pytest.raises(LinkError, match="time_ms must be 200 to 60000") as caught:
        rig.link.open(hold_off_ms=100)
    assert caught.value.relays is RelayKnowledge.NOT_DRIVEN
    assert rig.channel._sent[TO_DEVICE] == 0


def test_nothing_works_before_open() -> None:
    rig = Rig()
    for call in (rig.link.park, lambda: rig.link.apply(steps(1))):
        with pytest.raises(LinkError, match="not open") as caught:
            call()
        assert caught.value.relays is RelayKnowledge.NOT_DRIVEN
    rig.link.close()


def test_another_version_of_the_protocol_is_refused() -> None:
    rig = Rig()
    body = bytes.fromhex("01 02 09 00 04 20 07 00 00 00")
    rig.device.receive = lambda data: encode_frame(Frame(type=0x81, sequence=0, body=body))
    with pytest.raises(LinkError, match="version 2 of the protocol") as caught:
        rig.link.open()
    assert caught.value.relays is RelayKnowledge.NOT_DRIVEN


# --- sense, close, interruption -----------------------------------------------------------------


def test_sense() -> None:
    sample = SenseSample(raw=512, full_scale=1024, reference_mv=5000)
    rig = Rig(settings={"sense": lambda channel: sample if channel == 1 else None})
    assert rig.link.open().can_sense
    reading = rig.link.sense(1)
    assert (reading.volts, reading.raw, reading.full_scale) == (2.5, 512, 1024)
    with pytest.raises(LinkError, match="refused sense: a value is out of range"):
        rig.link.sense(0)
    with pytest.raises(LinkError, match="no such input"):
        rig.link.sense(256)
    with pytest.raises(LinkError, match="refused sense: it cannot do this") as caught:
        Rig().opened().link.sense()
    assert caught.value.relays is RelayKnowledge.PARKED


@pytest.mark.parametrize("how", ["well", "muted", "unplugged"])
def test_close_parks_as_far_as_possible_and_never_raises(how: str) -> None:
    rig = Rig().opened()
    rig.link.apply(steps(5))
    if how != "well":
        setattr(rig.channel, how, True)
    rig.link.close()
    rig.link.close()
    expected = RelayKnowledge.PARKED if how == "well" else RelayKnowledge.UNKNOWN
    assert rig.link.relays is expected
    assert rig.device.state == (PARK if how == "well" else 5) or how == "muted"


def test_an_interruption_in_the_middle_of_a_request_does_not_keep_it_from_parking() -> None:
    rig = Rig().opened()
    read = rig.channel.read
    for begin in (
        lambda: rig.link.apply(steps(5)),
        rig.link.feed,
        lambda: rig.link.apply(steps(6)),
    ):

        def interrupted(timeout_s: float) -> bytes:
            raise KeyboardInterrupt

        rig.channel.read = interrupted
        with pytest.raises(KeyboardInterrupt):
            begin()
        rig.channel.read = read
        rig.link.park()
        assert rig.link.relays is RelayKnowledge.PARKED
        assert rig.device.state == PARK


def test_identify_moves_nothing_and_clears_nothing() -> None:
    rig = Rig()
    rig.link.identify()
    assert rig.link.relays is RelayKnowledge.NOT_DRIVEN
    rig.link.close()
    assert len(rig.latched) == 1, "only the park of the power-up"
