"""Session and device with a line between them on which anything goes wrong."""

from __future__ import annotations

from collections import Counter, deque

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from firmware_protocol.device import Device, DeviceConfig
from firmware_protocol.errors import FrameError
from firmware_protocol.framing import Frame, cobs_decode, encode_frame
from firmware_protocol.messages import (
    INTERLOCK,
    Apply,
    Clear,
    Flag,
    Identify,
    Park,
    PathState,
    Status,
    StatusReply,
)
from firmware_protocol.session import GaveUp, Line, Refused, RepeatDue, Replied, Session

FAULTS = st.sampled_from(["none", "none", "none", "drop", "corrupt", "truncate", "duplicate"])


class LossyLine(RuleBasedStateMachine):
    """Every apply begins with an odd state that no other has, so that the record names its request.

    No odd state is ever stayed in, so no later path can come back to it: an odd state that is in
    the record twice has been carried out twice.

    Delay is in the nature of the machine: what is on the line arrives when a rule delivers it, in
    order, any number of timeouts later.
    """

    make: type[Device] = Device

    def __init__(self) -> None:
        super().__init__()
        self.now_ms = 0
        self.latched: list[int] = []
        self.device = self.make(
            DeviceConfig(relay_count=32), on_latch=lambda _, state: self.latched.append(state)
        )
        self.session = Session()
        self.to_device: deque[bytes] = deque()
        self.to_host: deque[tuple[int, bytes]] = deque()
        """What the device sent, and after how many restarts."""
        self.restarts = 0
        self.restarts_seen = 0
        """How many restarts the host had been told of, by the last reply it believed."""
        self.believed = 0
        self.marks = 0
        self.identified = False
        self.replied: set[int] = set()
        self.refused: set[int] = set()

    # --- the host -------------------------------------------------------------------------------

    def ask(self, request) -> None:
        if not self.identified:
            request = Identify()
        self.to_device.append(self.session.request(request, self.now_ms / 1000))

    def idle(self) -> bool:
        return self.session.line is not Line.WAITING

    @precondition(idle)
    @rule()
    def identify(self) -> None:
        self.ask(Identify())

    @precondition(idle)
    @rule()
    def clear(self) -> None:
        self.ask(Clear(flags=INTERLOCK))

    @precondition(idle)
    @rule()
    def status(self) -> None:
        self.ask(Status())

    @precondition(idle)
    @rule()
    def park(self) -> None:
        self.ask(Park())

    @precondition(idle)
    @rule(hold_ms=st.sampled_from([1, 40, 300]), back=st.booleans())
    def apply(self, hold_ms: int, back: bool) -> None:
        if not self.identified:
            return
        self.marks += 2
        # Half of the paths end where they start: then nothing but the memory of the last request
        # keeps a repeat from being carried out.
        last = self.believed if back else self.marks
        path = (
            PathState(state=self.marks - 1, hold_ms=hold_ms),
            PathState(state=last, hold_ms=1),
        )
        self.ask(Apply(start=self.believed, path=path))

    def take(self, events, restarts: int = 0) -> None:
        """Take what the session says; `restarts` is when the device sent what this came of."""
        for event in events:
            if isinstance(event, (Replied, Refused)):
                reply = event.reply if isinstance(event, Replied) else event.error
                if Flag.RESTARTED in reply.flags:
                    self.restarts_seen = max(self.restarts_seen, restarts)
            match event:
                case Replied(request=Identify()):
                    self.identified = True
                case GaveUp(request=Identify()):
                    self.identified = False
            match event:
                case RepeatDue():
                    self.to_device.append(event.data)
                case Replied(request=Apply() as request):
                    self.replied.add(request.path[0].state)
                    self.believed = request.path[-1].state
                case Replied(reply=StatusReply() as reply):
                    self.believed = reply.state
                case Replied(request=Park()):
                    self.believed = 0
                case Refused(request=Apply() as request, error=error):
                    # Across a restart, the request may have been carried out before it.
                    if Flag.RESTARTED not in error.flags:
                        self.refused.add(request.path[0].state)
                case GaveUp() | Replied() | Refused():
                    pass

    @initialize()
    def begin_well(self) -> None:
        """Start with a device that answers and may move, so that every run gets somewhere."""
        self.identify()
        self.go_well()
        self.clear()
        self.go_well()

    # --- the line -------------------------------------------------------------------------------

    def struck(self, data: bytes, fault: str, where: int) -> bytes:
        match fault:
            case "drop":
                return b""
            case "corrupt":
                wrong = bytearray(data)
                wrong[where // 8 % len(data)] ^= 1 << where % 8
                return bytes(wrong)
            case "truncate":
                return data[: where % len(data)]
            case "duplicate":
                return data + data
        return data

    @precondition(lambda self: self.to_device)
    @rule(fault=FAULTS, where=st.integers(0, 4000))
    def reach_device(self, fault: str, where: int) -> None:
        data = self.struck(self.to_device.popleft(), fault, where)
        reply = self.device.receive(data, self.now_ms)
        self.to_host.extend((self.restarts, part + b"\x00") for part in reply.split(b"\x00")[:-1])

    @precondition(lambda self: self.to_host)
    @rule(fault=FAULTS, where=st.integers(0, 4000))
    def reach_host(self, fault: str, where: int) -> None:
        restarts, sent = self.to_host.popleft()
        data = self.struck(sent, fault, where)
        self.take(self.session.receive(data, self.now_ms / 1000), restarts)

    @precondition(lambda self: self.to_device)
    @rule()
    def go_well(self) -> None:
        """Everything on the line arrives unharmed."""
        while self.to_device:
            self.reach_device("none", 0)
        while self.to_host:
            self.reach_host("none", 0)

    @rule(ms=st.sampled_from([1, 10, 100, 260, 260, 2100]))
    def time_passes(self, ms: int) -> None:
        self.now_ms += ms
        self.device.tick(self.now_ms)
        self.take(self.session.tick(self.now_ms / 1000))

    @rule(lose=st.booleans())
    def device_restarts(self, lose: bool) -> None:
        self.device.restart(self.now_ms)
        self.restarts += 1
        if lose:
            self.to_device.clear()

    # --- the promises ---------------------------------------------------------------------------

    @invariant()
    def nothing_is_carried_out_twice(self) -> None:
        times = Counter(state for state in self.latched if state % 2)
        assert all(count == 1 for count in times.values()), "an apply was carried out twice"

    @invariant()
    def what_was_acknowledged_was_carried_out(self) -> None:
        assert self.replied <= set(self.latched)

    @invariant()
    def nothing_refused_was_carried_out(self) -> None:
        assert not self.refused & set(self.latched)

    @invariant()
    def no_restart_is_lost_sight_of(self) -> None:
        seen = self.restarts_seen == self.restarts
        assert seen or Flag.RESTARTED in self.device.flags, "a restart was cleared unseen"

    @invariant()
    def nothing_was_latched_that_was_not_asked_for(self) -> None:
        assert all(0 <= state <= self.marks for state in self.latched)


class Forgetful(Device):
    """Carries out repeats."""

    def _answer(self, frame, now_ms):
        self._memory.last_request = None
        return super()._answer(frame, now_ms)


class Unseen(Device):
    """Lets a restart be cleared before it was asked who it is."""

    def _clear(self, body):
        self._memory.identified = True
        return super()._clear(body)


class Credulous(Device):
    """Believes any checksum."""

    def receive(self, data, now_ms):
        whole = []
        for part in data.split(b"\x00"):
            try:
                payload = cobs_decode(part)
            except FrameError:
                continue
            if len(payload) >= 4:
                head = Frame(type=payload[0], sequence=payload[1], body=payload[2:-2])
                whole.append(encode_frame(head))
        return super().receive(b"".join(whole), now_ms)


def run(make_device: type[Device]) -> None:
    class Machine(LossyLine):
        make = make_device

    run_state_machine_as_test(
        Machine,
        settings=settings(
            stateful_step_count=50,
            report_multiple_bugs=False,
            suppress_health_check=list(HealthCheck),
            phases=[Phase.generate],
        ),
    )


def test_nothing_is_carried_out_twice_and_no_corrupt_frame_moves_a_relay() -> None:
    run(Device)


def unbroken(machine: LossyLine) -> bool:
    """Whether every promise still holds."""
    try:
        machine.nothing_is_carried_out_twice()
        machine.what_was_acknowledged_was_carried_out()
        machine.nothing_refused_was_carried_out()
        machine.nothing_was_latched_that_was_not_asked_for()
        machine.no_restart_is_lost_sight_of()
    except AssertionError:
        return False
    return True


def machine_with(make_device: type[Device]) -> LossyLine:
    class Machine(LossyLine):
        make = make_device

    machine = Machine()
    machine.begin_well()
    return machine


@pytest.mark.parametrize(("device", "right"), [(Device, True), (Forgetful, False)])
def test_a_lost_reply_finds_a_device_that_forgets(device: type[Device], right: bool) -> None:
    machine = machine_with(device)
    machine.apply(hold_ms=40, back=True)
    machine.reach_device("none", 0)
    machine.reach_host("drop", 0)
    machine.time_passes(260)
    machine.go_well()
    assert unbroken(machine) is right


@pytest.mark.parametrize(("device", "right"), [(Device, True), (Unseen, False)])
def test_a_clear_repeated_across_a_restart_finds_a_device_that_clears_it(
    device: type[Device], right: bool
) -> None:
    machine = machine_with(device)
    machine.clear()
    machine.reach_device("none", 0)
    machine.reach_host("drop", 0)
    machine.device_restarts(lose=True)
    machine.time_passes(260)
    machine.reach_device("none", 0)
    assert unbroken(machine) is right
    # the host is told before the flag is cleared
    machine.go_well()
    assert (machine.restarts_seen == machine.restarts) is right


def test_an_identify_from_before_a_restart_does_not_let_it_be_cleared_unseen() -> None:
    machine = machine_with(Device)
    machine.identify()
    machine.reach_device("none", 0)
    machine.time_passes(260)  # its reply is late, so it is sent once more
    machine.reach_host("none", 0)  # the late reply
    machine.device_restarts(lose=False)
    assert not machine.idle(), "a reply to another identify than the last one was believed"
    machine.go_well()
    assert machine.restarts_seen == machine.restarts
    machine.clear()
    machine.go_well()
    assert Flag.RESTARTED not in machine.device.flags
    assert unbroken(machine)


@pytest.mark.parametrize(("device", "right"), [(Device, True), (Credulous, False)])
def test_bit_errors_find_a_device_that_believes_anything(device: type[Device], right: bool) -> None:
    kept = []
    for bit in range(8 * 20):
        machine = machine_with(device)
        machine.apply(hold_ms=40, back=True)
        machine.reach_device("corrupt", bit)
        kept.append(unbroken(machine))
    assert all(kept) is right
