"""Small stand-ins for a bench, so that the run can be tested without any of its real parts."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import pytest

from controller.bench.opened import Bench
from controller.clock import VirtualClock
from controller.errors import LinkError, RelayKnowledge
from controller.ladder.model import Group, GroupKind, Ladder, PathStep, Relay, Rung
from controller.links.base import LinkIdentity, LinkStatus, SenseReading
from controller.measurement.model import DecisionRule, SettleRule
from controller.planning.model import ResolvedPlan, ResolvedStep, StepKind
from controller.readback.base import Answer, OperatorCommand, Prompt, Reading

PARK = 0


@dataclass
class FakeLink:
    """A link that does what it is told, notes it, checks the hold-off, and fails on demand."""

    clock: VirtualClock
    port: str = "fake"
    relays: RelayKnowledge = RelayKnowledge.NOT_DRIVEN
    state: int = PARK
    parks: int = 0
    applied: list[PathStep] = field(default_factory=list)
    longest_apply_s: float = 0.0
    longest_silence_s: float = 0.0
    hold_off_ms: int = 0
    fail_in: int | None = None
    fail_also_parking: bool = False
    restart_in: int | None = None
    restarted: bool = False
    heard_s: float | None = None

    def open(self, *, hold_off_ms: int = 2000) -> LinkIdentity:
        self.hold_off_ms = hold_off_ms
        self._hear()
        self.relays = RelayKnowledge.PARKED
        return LinkIdentity(
            name="fake",
            protocol_version=1,
            relay_count=4,
            park_state=PARK,
            max_path=16,
            can_sense=False,
            boots=1,
        )

    def apply(self, path: Sequence[PathStep]) -> LinkStatus:
        self._hear()
        self.relays = RelayKnowledge.KNOWN
        took_s = sum(step.hold_ms for step in path) / 1000
        self.longest_apply_s = max(self.longest_apply_s, took_s)
        self.clock.sleep_s(took_s)
        self.state = path[-1].state
        self.applied.extend(path)
        self._hear()  # the status that shows the end of the path
        return self._status()

    def park(self) -> None:
        if self.fail_in is not None and self.fail_in <= 0 and self.fail_also_parking:
            self.relays = RelayKnowledge.UNKNOWN
            raise LinkError("silent", port=self.port, relays=self.relays)
        self.parks += 1
        self.state = PARK
        self.relays = RelayKnowledge.PARKED

    def feed(self) -> LinkStatus:
        self._hear()
        return self._status()

    def _status(self) -> LinkStatus:
        return LinkStatus(
            state=self.state,
            parked=self.state == PARK,
            moving=False,
            hold_off_expired=False,
            fault=False,
            restarted=self.restarted,
            hold_off_ms=self.hold_off_ms,
            retries=0,
            dropped=0,
        )

    def sense(self, channel: int = 0) -> SenseReading:
        raise NotImplementedError

    def close(self) -> None:
        self.relays = RelayKnowledge.PARKED

    def _hear(self) -> None:
        now_s = self.clock.now_s()
        if self.heard_s is not None:
            self.longest_silence_s = max(self.longest_silence_s, now_s - self.heard_s)
        self.heard_s = now_s
        if self.restart_in is not None:
            self.restart_in -= 1
            if self.restart_in <= 0:
                self.restarted, self.state = True, PARK
        if self.fail_in is not None:
            self.fail_in -= 1
            if self.fail_in <= 0:
                self.relays = RelayKnowledge.UNKNOWN
                raise LinkError("silent", port=self.port, relays=self.relays)


@dataclass
class StreamingReadback:
    """Says at each half second what a function of the time since the prompt says."""

    clock: VirtualClock
    says: Callable[[Prompt, float], float | None]
    name: str = "streaming"
    continuous: bool = True
    prompt: Prompt | None = None
    asked_s: float = 0.0
    next_s: float = 0.0

    def open(self) -> None:
        return None

    def codes(self) -> None:
        return None

    def ask(self, prompt: Prompt) -> None:
        self.prompt, self.asked_s = prompt, self.clock.now_s()

    def poll(self) -> Answer | None:
        now_s = self.clock.now_s()
        if self.prompt is None or now_s < self.next_s:
            return None
        self.next_s = now_s + 0.5
        said = self.says(self.prompt, now_s - self.asked_s)
        return Reading(token=self.prompt.token, celsius=said, at_s=now_s)

    def close(self) -> None:
        self.prompt = None


@dataclass
class ScriptedReadback:
    """Gives the answers of a list, one for each poll; None means no answer yet."""

    clock: VirtualClock
    answers: list[float | OperatorCommand | Reading | None]
    name: str = "scripted"
    continuous: bool = False
    prompts: list[Prompt] = field(default_factory=list)

    def open(self) -> None:
        return None

    def codes(self) -> None:
        return None

    def ask(self, prompt: Prompt) -> None:
        self.prompts.append(prompt)

    def poll(self) -> Answer | None:
        if not self.answers:
            return None
        answer = self.answers.pop(0)
        if isinstance(answer, int | float):
            token = self.prompts[-1].token
            return Reading(token=token, celsius=float(answer), at_s=self.clock.now_s())
        return answer

    def close(self) -> None:
        return None


def four_rungs() -> Ladder:
    return Ladder(
        name="four rungs",
        relay_count=4,
        relays=tuple(Relay(index=index) for index in range(4)),
        groups=(
            Group(
                kind=GroupKind.SERIES,
                rungs=tuple(Rung(relay=index, ohms=100.0 * 2**index) for index in range(4)),
            ),
        ),
        park_state=PARK,
    )


def plain_plan(
    count: int = 3,
    *,
    settle: SettleRule | None = None,
    dwell_s: float = 0.0,
    hold_ms: int = 10,
    rule: DecisionRule = DecisionRule.SIMPLE,
    tolerance_celsius: float = 2.0,
    hops: int = 1,
) -> ResolvedPlan:
    """Return a plan of temperature steps at 10, 20, ... degC, each some single relay changes on."""
    gray = [index ^ (index >> 1) for index in range(count * hops + 1)]
    paths = [gray[index * hops + 1 : (index + 1) * hops + 1] for index in range(count)]
    return ResolvedPlan(
        name="plain",
        kind="sweep",
        steps=tuple(
            ResolvedStep(
                index=index,
                kind=StepKind.TEMPERATURE,
                target_celsius=10.0 * (index + 1),
                target_ohms=100.0,
                state=path[-1],
                achieved_ohms=100.0,
                achieved_celsius=10.0 * (index + 1),
                expected_celsius=10.0 * (index + 1),
                tolerance_celsius=tolerance_celsius,
                uncertainty_celsius=0.5,
                excursion_celsius=0.0,
                path=tuple(PathStep(state=state, hold_ms=hold_ms) for state in path),
                dwell_s=dwell_s,
            )
            for index, path in enumerate(paths)
        ),
        settle=settle or SettleRule(within_celsius=0.5, for_s=2.0, at_most_s=20.0),
        worst_excursion_celsius=0.0,
        relay_operations=count * hops,
        park_state=PARK,
        state_digits=4,
        decision_rule=rule,
    )


class Fakes:
    """What a test of the run needs, under one name."""

    FakeLink = FakeLink
    StreamingReadback = StreamingReadback
    ScriptedReadback = ScriptedReadback
    plain_plan = staticmethod(plain_plan)
    four_rungs = staticmethod(four_rungs)

    @staticmethod
    def bench(link: FakeLink, readback: object, *, hold_off_ms: int = 2000) -> Bench:
        return Bench(
            name="fake",
            ladder=four_rungs(),
            link=link,
            readback=readback,
            hold_off_ms=hold_off_ms,
            drives_hardware=False,
        )

    @staticmethod
    def right(prompt: Prompt, _since_s: float) -> float:
        """Say what a healthy module says in a `plain_plan`."""
        return 10.0 * (prompt.step_index + 1)

    @staticmethod
    def never(_prompt: Prompt, _since_s: float) -> float | None:
        return None

    @staticmethod
    def settling(time_constant_s: float) -> Callable[[Prompt, float], float]:
        def says(prompt: Prompt, since_s: float) -> float:
            goal = 10.0 * (prompt.step_index + 1)
            return goal - 10.0 * math.exp(-since_s / time_constant_s)

        return says


@pytest.fixture
def fakes() -> type[Fakes]:
    return Fakes


@pytest.fixture
def clock() -> VirtualClock:
    return VirtualClock()


def kinds(events: Iterable[object]) -> list[str]:
    return [type(event).__name__ for event in events]
