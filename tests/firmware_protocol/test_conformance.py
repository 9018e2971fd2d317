"""The conformance checks pass on right devices and fail on wrong ones."""

from __future__ import annotations

import dataclasses

import pytest

from firmware_protocol.conformance import CHECKS, Result, run_check, run_checks
from firmware_protocol.conformance.in_memory import DeviceEndpoint
from firmware_protocol.device import Device, DeviceConfig, SenseSample
from firmware_protocol.framing import Frame, cobs_decode, encode_frame
from firmware_protocol.messages import Flag, HoldOffReply, Kind


def one_channel(channel: int) -> SenseSample | None:
    return SenseSample(raw=700, full_scale=1023, reference_mv=5000) if channel == 0 else None


BENCH = DeviceConfig(
    relay_count=18, park_state=0x20000, name="Bench", sense=one_channel, forbidden=lambda s: s == 6
)
RIGHT = {
    "eighteen relays": (BENCH, 6, set()),
    "sixteen relays, no sense": (
        DeviceConfig(relay_count=16),
        None,
        {"forbidden", "mask-beyond-the-relays"},
    ),
    "one relay, short paths": (
        DeviceConfig(relay_count=1, max_path=2, max_payload=12, park_state=1),
        None,
        {"forbidden", "a-device-that-was-held-up-shortens-no-hold"},
    ),
    "sixty-four relays": (
        DeviceConfig(relay_count=64, max_payload=173),
        None,
        {"forbidden", "mask-beyond-the-relays"},
    ),
}


@pytest.mark.parametrize("which", RIGHT)
def test_a_right_device_passes(which: str) -> None:
    config, forbidden_state, not_applicable = RIGHT[which]
    outcomes = list(run_checks(lambda: DeviceEndpoint(config, forbidden_state=forbidden_state)))
    assert [o for o in outcomes if o.result is Result.FAILED] == []
    skipped = {o.check.name for o in outcomes if o.result is Result.NOT_APPLICABLE}
    assert skipped == not_applicable


def test_names_are_unique_and_say_something() -> None:
    assert len({check.name for check in CHECKS}) == len(CHECKS)
    assert all(check.about.endswith(".") for check in CHECKS)


class SendsADelimiterFirst(Device):
    """As a board may whose boot loader leaves bytes behind."""

    def _answer(self, frame, now_ms):
        reply = super()._answer(frame, now_ms)
        return b"\x00" + reply if reply else b""


def test_a_delimiter_before_a_reply_is_no_fault() -> None:
    endpoint = DeviceEndpoint(BENCH, forbidden_state=6, make=SendsADelimiterFirst)
    outcomes = list(run_checks(lambda: endpoint))
    assert [o for o in outcomes if o.result is not Result.PASSED] == []


# --- wrong devices: each breaks one promise, and the check of that promise must find it ---------


class CarriesOutRepeats(Device):
    def _answer(self, frame, now_ms):
        self._memory.last_request = None
        return super()._answer(frame, now_ms)


class RemembersIdentify(Device):
    def _answer(self, frame, now_ms):
        if frame == self._memory.last_request:
            return self._memory.last_reply
        return super()._answer(frame, now_ms)


class KeepsTheRequestBeforeIdentify(Device):
    def _answer(self, frame, now_ms):
        before = self._memory.last_request, self._memory.last_reply
        reply = super()._answer(frame, now_ms)
        if frame.type == Kind.IDENTIFY:
            self._memory.last_request, self._memory.last_reply = before
        return reply


class RemembersTypeOnly(Device):
    def _answer(self, frame, now_ms):
        last = self._memory.last_request
        if last and last.type == frame.type == Kind.APPLY and last.body == frame.body:
            kind = cobs_decode(self._memory.last_reply[:-1])
            return encode_frame(Frame(type=kind[0], sequence=frame.sequence, body=kind[2:-2]))
        return super()._answer(frame, now_ms)


class SlowOnPaths(Device):
    def _step(self, at_ms):
        super()._step(at_ms)
        self._memory.due_at_ms += 3


class EarlyOnPaths(Device):
    def _step(self, at_ms):
        super()._step(at_ms)
        self._memory.due_at_ms -= 1


class NeverRunsOut(Device):
    def _next_due(self):
        return self._memory.due_at_ms if self._memory.moving else None


class RunsOutWhileParked(Device):
    def tick(self, now_ms):
        super().tick(now_ms)
        if now_ms - self._memory.fed_at_ms > self._memory.hold_off_ms:
            self._memory.sticky |= Flag.HOLD_OFF_EXPIRED


class IsFedByNoise(Device):
    def receive(self, data, now_ms):
        self._memory.fed_at_ms = now_ms
        return super().receive(data, now_ms)


class IsNotFedByRefusals(Device):
    def _answer(self, frame, now_ms):
        before = self._memory.fed_at_ms
        reply = super()._answer(frame, now_ms)
        if cobs_decode(reply[:-1])[0] == 0xFF:
            self._memory.fed_at_ms = before
        return reply


class ClearsEverything(Device):
    def _clear(self, body):
        reply = super()._clear(body)
        self._memory.sticky = Flag(0)
        return dataclasses.replace(reply, flags=self.flags)


class ClearsByPark(Device):
    def _park(self, at_ms):
        super()._park(at_ms)
        self._memory.sticky = Flag(0)


class StartsWithoutSayingSo(Device):
    def restart(self, now_ms):
        super().restart(now_ms)
        self._memory.sticky = Flag(0)


class ClearsAStartUnseen(Device):
    def _clear(self, body):
        self._memory.identified = True
        return super()._clear(body)


class StaysIdentifiedAcrossARestart(Device):
    def restart(self, now_ms):
        super().restart(now_ms)
        self._memory.identified = True


class HoldsBackEveryClear(Device):
    def _clear(self, body):
        if not self._memory.identified and len(body) == 1:
            return super()._clear(bytes([Flag.RESTARTED]))
        return super()._clear(body)


class KeepsItsMemoryAcrossARestart(Device):
    def restart(self, now_ms):
        before = self._memory.last_request, self._memory.last_reply
        super().restart(now_ms)
        self._memory.last_request, self._memory.last_reply = before


class AnswersEchoes(Device):
    def _answer(self, frame, now_ms):
        if frame.type >= 0x80:
            frame = Frame(type=0x7F, sequence=frame.sequence)
        return super()._answer(frame, now_ms)


class RepliesTwice(Device):
    def _answer(self, frame, now_ms):
        return 2 * super()._answer(frame, now_ms)


class RepliesWithZero(Device):
    def _answer(self, frame, now_ms):
        head = cobs_decode(super()._answer(frame, now_ms)[:-1])
        return encode_frame(Frame(type=head[0], sequence=0, body=head[2:-2]))


class GoesOnAfterPark(Device):
    def _park(self, at_ms):
        path, moving = self._memory.path.copy(), self._memory.moving
        super()._park(at_ms)
        self._memory.path, self._memory.moving = path, moving


class LetsTheCountWrap(Device):
    def receive(self, data, now_ms):
        reply = super().receive(data, now_ms)
        self._memory.dropped = self._memory.decoder.dropped % 256
        return reply


class LosesHalfFramesAfterAPause(Device):
    def tick(self, now_ms):
        super().tick(now_ms)
        self._memory.decoder.reset()


class SetsWrongTimes(Device):
    def _set_hold_off(self, body):
        time_ms = int.from_bytes(body, "little")
        self._memory.hold_off_ms = time_ms or self._memory.hold_off_ms
        return HoldOffReply(flags=self.flags, time_ms=self._memory.hold_off_ms)


class ForgetsToCheckTheStart(Device):
    def _apply(self, body, now_ms):
        width = (self.config.relay_count + 7) // 8
        return super()._apply(self.state.to_bytes(width, "little") + body[width:], now_ms)


class TakesOneRelayForAnother(Device):
    def _latch(self, at_ms, state):
        super()._latch(at_ms, state)
        if state == self.config.park_state | 1 << 9:
            self._state = self.config.park_state | 1 << 1


class ParksOnRefusal(Device):
    """Careful, but not what a host expects: a step of its sweep would be another one."""

    def _answer(self, frame, now_ms):
        reply = super()._answer(frame, now_ms)
        if cobs_decode(reply[:-1])[0] == 0xFF:
            self._park(now_ms)
        return reply


class TakesHalfAParkForOne(Device):
    def receive(self, data, now_ms):
        if 0 not in data and len(data) == 3:
            self._park(now_ms)
        return super().receive(data, now_ms)


class CannotWrap(Device):
    """Compares the counter without regard to its wrap, as is easily done."""

    def _run_until(self, now_ms):
        while (due := self._next_due()) is not None and now_ms >= due:
            if self._memory.moving and due == self._memory.due_at_ms:
                self._step(due)
            else:
                self._park(due)
                self._memory.sticky |= Flag.HOLD_OFF_EXPIRED


class ForgetsTheInterlock(Device):
    def _apply(self, body, now_ms):
        sticky, self._memory.sticky = self._memory.sticky, Flag(0)
        try:
            return super()._apply(body, now_ms)
        finally:
            self._memory.sticky = sticky


class KeepsTheHoldOffAcrossARestart(Device):
    def restart(self, now_ms):
        time_ms = self._memory.hold_off_ms
        super().restart(now_ms)
        self._memory.hold_off_ms = time_ms - 1


WRONG = [
    (CarriesOutRepeats, "repeats-are-not-carried-out"),
    (CarriesOutRepeats, "repeats-leave-no-trace-in-the-record"),
    (RemembersIdentify, "identify-is-never-a-repeat"),
    (KeepsTheRequestBeforeIdentify, "identify-forgets-the-request-before"),
    (RemembersTypeOnly, "new-sequence-is-a-new-request"),
    (SlowOnPaths, "path-timing"),
    (EarlyOnPaths, "path-timing"),
    (NeverRunsOut, "hold-off-parks"),
    (NeverRunsOut, "hold-off-parks-on-time"),
    (NeverRunsOut, "hold-off-drops-the-path"),
    (RunsOutWhileParked, "a-parked-device-may-be-left-alone"),
    (IsFedByNoise, "noise-does-not-feed"),
    (IsNotFedByRefusals, "every-request-feeds"),
    (ClearsEverything, "clear-clears-what-is-named"),
    (ClearsByPark, "hold-off-parks"),
    (StartsWithoutSayingSo, "restart-interlocks"),
    (KeepsItsMemoryAcrossARestart, "restart-interlocks"),
    (KeepsTheHoldOffAcrossARestart, "restart-interlocks"),
    (ClearsAStartUnseen, "restart-is-not-cleared-unseen"),
    (StaysIdentifiedAcrossARestart, "restart-is-not-cleared-unseen"),
    (KeepsItsMemoryAcrossARestart, "restart-is-not-cleared-unseen"),
    (HoldsBackEveryClear, "restart-is-not-cleared-unseen"),
    (AnswersEchoes, "foreign-types"),
    (RepliesTwice, "exactly-one-reply"),
    (RepliesWithZero, "sequence-is-echoed"),
    (GoesOnAfterPark, "park-while-moving"),
    (ParksOnRefusal, "wrong-input-while-relays-are-energised"),
    (TakesHalfAParkForOne, "wrong-input-while-relays-are-energised"),
    (LetsTheCountWrap, "dropped-saturates"),
    (LosesHalfFramesAfterAPause, "a-pause-inside-a-frame-is-no-harm"),
    (SetsWrongTimes, "bad-values"),
    (ForgetsToCheckTheStart, "wrong-start"),
    (TakesOneRelayForAnother, "every-relay-by-itself"),
    (CannotWrap, "path-across-the-wrap"),
    (CannotWrap, "hold-off-across-the-wrap"),
    (ForgetsTheInterlock, "hold-off-parks"),
    (ForgetsTheInterlock, "fault-parks"),
    (ForgetsTheInterlock, "order-of-refusals"),
]


@pytest.mark.parametrize(("wrong", "name"), WRONG)
def test_a_wrong_device_is_found_out(wrong: type[Device], name: str) -> None:
    check = next(check for check in CHECKS if check.name == name)
    endpoint = DeviceEndpoint(BENCH, forbidden_state=6, make=wrong)
    outcome = run_check(check, endpoint)
    assert outcome.result is Result.FAILED, outcome
    assert outcome.reason


def test_a_silent_device_fails_every_check() -> None:
    class Silent(Device):
        def receive(self, data, now_ms):
            return b""

    outcomes = list(run_checks(lambda: DeviceEndpoint(BENCH, make=Silent)))
    assert {outcome.result for outcome in outcomes} == {Result.FAILED}
    assert {outcome.reason for outcome in outcomes} == {"no reply"}


def test_the_ladder_is_parked_after_every_check() -> None:
    endpoints = []

    def factory() -> DeviceEndpoint:
        endpoints.append(DeviceEndpoint(BENCH, forbidden_state=6))
        return endpoints[-1]

    list(run_checks(factory))
    assert len(endpoints) == len(CHECKS)
    assert {endpoint.latches()[-1][1] for endpoint in endpoints} == {BENCH.park_state}


def test_no_check_switches_more_than_one_relay_off_the_park_state() -> None:
    """What the cautions ask of a board's supply is all that the checks may ask of it."""
    endpoint = DeviceEndpoint(BENCH, forbidden_state=6)
    list(run_checks(lambda: endpoint))
    off = {(state ^ BENCH.park_state).bit_count() for _, state in endpoint.latches()}
    assert off == {0, 1}
