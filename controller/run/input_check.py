"""Looking at a module's input through the board's own voltage input, before it is driven.

Knows: the order: isolated first, then one known resistance, and what ends it in between.
Must not know: files, how volts become a circuit, terminals.

Nothing is connected while the isolated input shows a voltage that no reference supply has, and no
short is made: its current is told from what was measured.
"""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.ladder.electrical import open_state, state_ohms, state_uncertainty_ohms
from controller.ladder.model import Ladder, PathStep
from controller.measurement.input_circuit import (
    InputCircuit,
    Seen,
    Tap,
    input_circuit,
)
from controller.measurement.model import Verdict
from controller.planning.model import ResolvedPlan
from controller.planning.paths import Router
from controller.run.driver import Driver, Part
from controller.run.events import Event, Sensed
from controller.run.job import Job
from controller.run.model import Ending, RunSummary
from controller.run.sensing import look
from controller.run.summary import look_summary

__all__ = [
    "Expected",
    "InputCheckRun",
    "InputFinding",
    "InputLook",
    "LooksAtInput",
    "finding_words",
    "is_dead",
    "trouble_isolated",
]

_NOTHING_SHARE = 0.02
_UNSTEADY_SHARE, _UNSTEADY_STEPS = 0.05, 4
_MOST_FIRST_WATTS = 0.025
_FIRST_OHMS = 10_000.0
_NEAR = 3.0
"""A resistance within this factor of the pull-up divides the voltage well enough."""

_REFERENCE_SHARE, _PULLUP_SHARE = 0.1, 0.1
"""How far a healthy input may be off what its file says (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Expected:
    """What the module's file says of the input."""

    reference_volts: float
    pullup_ohms: float


@dataclass(frozen=True, kw_only=True)
class InputFinding:
    """What the check came to. `circuit` is None where it had to end before; `trouble` says why."""

    circuit: InputCircuit | None
    trouble: str | None
    isolated_volts: float | None


class InputLook:
    """Isolated, then a resistance near the pull-up, then parked. `finding` is there at the end.

    A script on a job's driver: by itself (`InputCheckRun`), or before the steps of a check.
    """

    def __init__(
        self,
        router: Router,
        tap: Tap,
        expected: Expected | None,
        bench: Bench,
        clock: Clock,
        driver: Driver,
        *,
        park_state: int,
    ) -> None:
        self._router = router
        self._ladder: Ladder = router.ladder
        self._tap = tap
        self._expected = expected
        self._bench = bench
        self._clock = clock
        self._driver = driver
        self._park_state = park_state
        self.finding = InputFinding(circuit=None, trouble="not finished", isolated_volts=None)

    def whole(self) -> Part:
        """Look at the input, from park to park."""
        isolated = yield from self._look(open_state(self._ladder, base=self._park_state))
        self.finding = InputFinding(
            circuit=None,
            trouble=trouble_isolated(isolated, self._expected, self._tap),
            isolated_volts=isolated.volts,
        )
        if self.finding.trouble is None:
            yield from self._connected(isolated)
        yield from self._go(self._park_state)

    def _connected(self, isolated: Seen) -> Part:
        """Connect what cannot be hurt by any supply of that voltage, then what tells most."""
        ohms = max(
            self._expected.pullup_ohms if self._expected else _FIRST_OHMS,
            isolated.volts**2 / _MOST_FIRST_WATTS,
        )
        circuit: InputCircuit | None = None
        trouble: str | None = None
        for _ in range(3):
            state = self._router.search.nearest(ohms).state
            made = state_ohms(self._ladder, state)
            if isolated.volts**2 / made > 4 * _MOST_FIRST_WATTS and circuit is None:
                trouble = f"the ladder has nothing above {made:.3g} ohm to begin with"
                break
            loaded = yield from self._look(state)
            try:
                circuit = input_circuit(
                    isolated,
                    loaded,
                    ohms=made,
                    uncertainty_ohms=state_uncertainty_ohms(self._ladder, state),
                    tap=self._tap,
                )
            except ValueError as error:
                trouble = (
                    f"{isolated.volts:.3f} V isolated and {loaded.volts:.3f} V with {made:.4g} ohm:"
                    f" {error}"
                )
                break
            if circuit.pullup_ohms / _NEAR < made < circuit.pullup_ohms * _NEAR:
                break
            ohms = max(circuit.pullup_ohms, isolated.volts**2 / (4 * _MOST_FIRST_WATTS))
        if trouble is None and circuit is not None:
            trouble = _unlike(circuit, self._expected)
        self.finding = InputFinding(circuit=circuit, trouble=trouble, isolated_volts=isolated.volts)

    def _go(self, state: int) -> Part:
        """Travel to a state; while isolated, rungs are set first and the output connected last."""
        path = self._path(self._driver.state, state)
        if not path:
            return
        yield from self._driver.go(path, state_ohms(self._ladder, state))

    def _path(self, now: int, state: int) -> tuple[PathStep, ...]:
        if state == now:
            return ()
        apart = self._isolated(state)
        if apart in (now, state) or math.isfinite(state_ohms(self._ladder, now)):
            return self._router.path(now, state)
        return (*self._router.path(now, apart), *self._router.path(apart, state))

    def _isolated(self, state: int) -> int:
        return open_state(self._ladder, base=state)

    def _look(self, state: int) -> Generator[tuple[Event, ...], None, Seen]:
        """Set a state, let the input settle, and read the volts several times."""
        yield from self._go(state)
        seen = yield from look(self._driver, self._bench.link, self._clock, self._tap)
        yield (
            Sensed(
                at_s=self._clock.now_s(),
                state=state,
                achieved_ohms=state_ohms(self._ladder, state),
                volts=seen.volts,
                spread_volts=seen.spread_volts,
            ),
        )
        return seen


class LooksAtInput(Job):
    """A job that looks at the module's input. `finding` is there at the end of the look."""

    def __init__(
        self,
        plan: ResolvedPlan,
        router: Router,
        tap: Tap,
        expected: Expected | None,
        bench: Bench,
        clock: Clock,
    ) -> None:
        super().__init__(plan, bench, clock)
        self._look = InputLook(
            router, tap, expected, bench, clock, self._driver, park_state=plan.park_state
        )

    @property
    def finding(self) -> InputFinding:
        """What has been found by now."""
        return self._look.finding


class InputCheckRun(LooksAtInput):
    """The look at an input as a run of its own."""

    def _work(self) -> Part:
        yield from self._look.whole()

    def _summary(self, ending: Ending) -> RunSummary:
        finding = self.finding
        if ending is not Ending.COMPLETE:
            verdict = Verdict.UNDECIDED
        elif finding.trouble is not None:
            verdict = Verdict.FAIL
        else:
            verdict = Verdict.PASS
        return look_summary(verdict, ending, self._bench.link.relays, finding_words(finding))


def finding_words(finding: InputFinding) -> str:
    """Say in one sentence, without its full stop, what the check came to."""
    said = []
    if (circuit := finding.circuit) is not None:
        said.append(
            f"the input has {circuit.reference_volts:.3f} V ±"
            f" {circuit.reference_uncertainty_volts:.3f} behind {circuit.pullup_ohms:.0f} ohm ±"
            f" {circuit.pullup_uncertainty_ohms:.0f}: a short would draw"
            f" {circuit.short_circuit_amperes * 1e3:.3g} mA"
        )
    if finding.trouble is not None:
        said.append(finding.trouble)
    text = "; ".join(said)
    return text[:1].upper() + text[1:]


def trouble_isolated(seen: Seen, expected: Expected | None, tap: Tap) -> str | None:
    """Return why nothing is to be connected to an input that shows this, isolated."""
    volts = seen.volts
    if seen.at_end:
        return (
            f"foreign voltage, or the board's input does not reach far enough: {volts:.2f} V or"
            " more without anything connected; nothing was connected"
        )
    unsteady = max(_UNSTEADY_SHARE * volts, _UNSTEADY_STEPS * seen.step_volts)
    if seen.spread_volts > unsteady:
        return (
            f"the voltage moves by {seen.spread_volts:.2f} V without anything connected: something"
            " else drives this wire; nothing was connected"
        )
    if is_dead(seen, expected):
        return (
            f"no voltage ({volts:.2f} V): is the key on, the wire whole and not shorted to ground?"
            " Nothing was connected"
        )
    if expected is None:
        return None
    reference = expected.reference_volts
    should = reference / (1.0 + expected.pullup_ohms / tap.load_ohms)
    allowed = reference * (_REFERENCE_SHARE + 2 * tap.scale_percent / 100) + 2 * seen.step_volts
    if abs(volts - should) > allowed:
        foreign = "foreign voltage" if volts > should else "too little voltage"
        return (
            f"{foreign}: {volts:.2f} V without anything connected, {should:.2f} V expected;"
            " nothing was connected"
        )
    return None


def is_dead(seen: Seen, expected: Expected | None) -> bool:
    """Whether an input shows as good as no voltage."""
    least = _NOTHING_SHARE * (expected.reference_volts if expected else 5.0)
    return seen.volts < least + seen.step_volts


def _unlike(circuit: InputCircuit, expected: Expected | None) -> str | None:
    if expected is None:
        return None
    allowed = _PULLUP_SHARE * expected.pullup_ohms + circuit.pullup_uncertainty_ohms
    if abs(circuit.pullup_ohms - expected.pullup_ohms) > allowed:
        return f"the module's file says {expected.pullup_ohms:.0f} ohm"
    return None
