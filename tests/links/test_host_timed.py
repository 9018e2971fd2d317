"""Boards that the host times: what is believed of their relays, and that it is always true.

The boards at the other end are the practice boards, which share no code with the links.
"""

from __future__ import annotations

from contextlib import suppress
from itertools import pairwise

import pytest

from controller.errors import LinkError, RelayKnowledge
from controller.ladder.model import PathStep
from controller.links.ascii_coils import AsciiCoils
from controller.links.host_timed import HostTimedLink
from controller.practice.board import FAULTS

LOUD = (
    "late",
    "lost",
    "unheard",
    "short",
    "wrong-unit",
    "wrong-count",
    "dip",
    "silence",
    "garbage",
)
KINDS = ("modbus-rtu", "ascii")


def test_a_board_is_opened_parked_and_tells_only_what_it_can_know(rigs) -> None:
    rig = rigs.memory()
    rig.practice.outputs.set(0x15)  # somebody has left it like this
    identity = rig.link.open()
    assert identity.name == "Tern practice board"
    assert (identity.relay_count, identity.park_state, identity.boots) == (None, None, None)
    assert rig.link.relays is RelayKnowledge.PARKED
    assert rig.practice.outputs.state == 0
    status = rig.link.feed()
    assert status.parked
    unknown = (status.moving, status.hold_off_expired, status.fault, status.restarted)
    assert unknown == (None, None, None, None)


def test_a_path_stands_as_long_as_planned_and_ends_where_it_should(rigs) -> None:
    rig = rigs.memory(step_ms=20)
    rig.link.open()
    seen: list[tuple[float, int]] = []
    rig.practice.outputs._on_change = lambda state: seen.append((rig.clock.now_s(), state))
    status = rig.link.apply(rig.states(1, 3, 7, hold_ms=30))
    assert [state for _, state in seen] == [1, 3, 7]
    gaps = [after - before for (before, _), (after, _) in pairwise(seen)]
    assert gaps == pytest.approx([0.03, 0.03])
    assert (status.state, status.parked, status.slowest_ms) == (7, False, None)
    assert rig.link.relays is RelayKnowledge.KNOWN


def test_relays_come_to_rest_even_when_an_exchange_takes_too_long(rigs) -> None:
    """The hold less the step time is what the relays need; it passes after the reading back."""
    rig = rigs.memory(step_ms=3)
    rig.link.open()
    seen: list[float] = []
    rig.practice.outputs._on_change = lambda _state: seen.append(rig.clock.now_s())
    answer = type(rig.practice).spoiled

    def late(fault: str | None, request: bytes) -> object:
        good = answer(rig.practice, None, request)
        return type(good)(data=good.data, delay_s=0.01)

    rig.practice.spoiled = late
    status = rig.link.apply(rig.states(1, 3, hold_ms=9))
    assert seen[1] - seen[0] >= 0.022 + 0.006 - 1e-9  # two late answers, then what is left
    assert status.slowest_ms == 22


def test_a_board_slower_than_planned_for_is_refused_parked(rigs) -> None:
    rig = rigs.memory(step_ms=1)
    with pytest.raises(LinkError, match=r"takes 2 ms, more than step_ms = 1") as caught:
        rig.link.open()
    assert caught.value.relays is RelayKnowledge.PARKED


def test_a_stuck_relay_is_named_and_what_is_told_is_what_is_so(rigs) -> None:
    rig = rigs.memory()
    rig.link.open()
    rig.practice.outputs.stuck = 1 << 4
    with pytest.raises(LinkError, match="relay 4 does not follow") as caught:
        rig.link.apply(rig.states(0b11000))
    assert caught.value.relays is RelayKnowledge.KNOWN
    assert not rig.wrong()
    rig.link.park()
    assert rig.link.relays is RelayKnowledge.PARKED


def test_a_supply_that_has_dipped_is_found_before_the_next_relay_moves(rigs) -> None:
    rig = rigs.memory()
    rig.link.open()
    rig.link.apply(rig.states(0b111))
    rig.practice.outputs.dip()
    with pytest.raises(LinkError, match=r"0x00000 where 0x00007 was set.*supply dipped") as caught:
        rig.link.apply(rig.states(0b1111))
    assert caught.value.relays is RelayKnowledge.PARKED
    assert rig.practice.outputs.state == 0


def test_nothing_is_driven_at_a_board_that_does_not_answer_or_is_another(rigs) -> None:
    for more, words in (
        ({"kinds": ("unheard",), "every": 1}, "no answer"),
        ({"declared_name": "quay 4"}, "says that it is 'Tern practice board'"),
        ({"read_reply": "pier has {hex}"}, "does not tell 20 outputs"),
    ):
        rig = rigs.memory(**more)
        rig.practice.outputs.set(5)
        with pytest.raises(LinkError, match=words) as caught:
            rig.link.open()
        assert caught.value.relays is RelayKnowledge.NOT_DRIVEN
        with pytest.raises(LinkError, match="not open"):
            rig.link.park()
        rig.link.close()
        assert rig.practice.outputs.state == 5


def test_after_silence_the_relays_are_unknown_and_it_is_said_that_nothing_parks_them(rigs) -> None:
    rig = rigs.memory()
    rig.link.open()
    rig.link.apply(rig.states(1))
    rig.practice.faults._kinds, rig.practice.faults._every = ("lost",), 1
    with pytest.raises(LinkError, match="does not park by itself: unplug it") as caught:
        rig.link.apply(rig.states(3))
    assert caught.value.relays is RelayKnowledge.UNKNOWN
    rig.practice.faults._kinds = ()
    rig.link.close()
    assert rig.practice.outputs.state == 0, "closing parks when the board answers again"


def test_what_such_a_link_cannot_do_is_said(rigs) -> None:
    rig = rigs.memory()
    with pytest.raises(LinkError, match="not open"):
        rig.link.apply(rig.states(1))
    rig.link.open()
    with pytest.raises(LinkError, match="no analogue input"):
        rig.link.sense()
    with pytest.raises(LinkError, match="more relays than the ladder has"):
        rig.link.apply([PathStep(state=1 << 20, hold_ms=1)])
    rig.link.apply(rig.states(1))
    with pytest.raises(LinkError, match="park first"):
        rig.link.dry_run(1)


@pytest.mark.parametrize("seed", [1, 2])
def test_nothing_wrong_is_ever_believed_of_a_failing_board(rigs, many, seed: int) -> None:
    rig = rigs.memory((*LOUD, "stuck"), seed=seed)
    wrong, faults, sets = rigs.exchanged(rig, many(20_000, 200_000), seed)
    assert (wrong, faults > 200, sets > 2000) == (0, True, True)


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_wrong_is_ever_believed_over_a_port(rigs, many, kind: str) -> None:
    rig = rigs.port(kind, (*LOUD, "stuck"), every=25)
    wrong, _, sets = rigs.exchanged(rig, many(200, 3000))
    assert (wrong, sets > 5) == (0, True)


@pytest.mark.night
@pytest.mark.parametrize("kind", KINDS)
def test_twenty_thousand_exchanges_over_a_port(rigs, kind: str) -> None:
    rig = rigs.port(kind, (*LOUD, "stuck"), every=25)
    wrong, _, sets = rigs.exchanged(rig, 20_000)
    assert (wrong, sets > 1000) == (0, True)


@pytest.mark.soak
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("fault", [fault for fault in FAULTS if fault != "gone"])
def test_each_fault_by_itself_over_a_port(rigs, kind: str, fault: str) -> None:
    rig = rigs.port(kind, (fault,), every=12)
    wrong, faults, sets = rigs.exchanged(rig, 100)
    assert (wrong, sets + faults > 0) == (0, True)


@pytest.mark.parametrize("kind", KINDS)
def test_a_port_that_disappears(rigs, kind: str) -> None:
    rig = rigs.port(kind)
    rig.link.open()
    rig.link.apply(rig.states(1))
    rig.practice.faults._kinds, rig.practice.faults._every = ("gone",), 1
    with pytest.raises(LinkError) as caught:
        rig.link.apply(rig.states(3))
    assert caught.value.relays is RelayKnowledge.UNKNOWN
    rig.link.close()


@pytest.mark.parametrize("kind", KINDS)
def test_the_port_is_held_for_one_program_alone(rigs, kind: str) -> None:
    rig = rigs.port(kind)
    rig.link.open()
    other = type(rig.link._coils)(rig.link._board, rig.clock)
    with pytest.raises(Exception, match="another program has the port open"):
        other.open()
    assert rig.link.feed().parked


# --- planted faults: what the checks above are worth -------------------------------------------


class _Trusting(HostTimedLink):
    """Believes what it has sent, without reading it back."""

    def _told(self) -> int:
        return getattr(self, "sent", 0)

    def _set(self, state: int) -> float:
        self.sent = state
        return super()._set(state)


class _Hasty(AsciiCoils):
    """Goes on after doubt without waiting, without throwing anything away."""

    def clear(self) -> None:
        pass

    def _say(self, pattern: str, state: int) -> None:
        self._channel.write(self._words.filled(pattern, state).encode() + self._ending)


class _NoProof(AsciiCoils):
    """Waits and throws away, but too briefly and without a proof."""

    def clear(self) -> None:
        self._channel.drain()
        self._got = b""


@pytest.mark.parametrize(
    ("planted", "kinds"),
    [
        ({"link": _Trusting}, ("stuck", "dip")),
        ({"coils": _Hasty}, ("late", "unheard", "dip")),
        ({"coils": _NoProof}, ("late", "unheard", "dip")),
    ],
    ids=["no reading back", "no drain", "no waiting out"],
)
def test_without_a_guard_wrong_things_are_believed(rigs, planted, kinds) -> None:
    rig = rigs.memory(kinds, every=5, **planted)
    try:
        wrong, _, _ = rigs.exchanged(rig, 6000)
    except AssertionError:
        wrong = 1
    assert wrong > 0


def test_doubt_is_never_shown_to_whoever_uses_a_link(rigs) -> None:
    rig = rigs.memory(LOUD, every=2)
    for _ in range(30):
        with suppress(LinkError):  # a Doubt would come through
            rig.link.open()
