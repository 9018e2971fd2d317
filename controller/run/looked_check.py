"""A check that looks at the module's input first, through the board's own voltage input.

Knows: what of a finding forbids the steps, the ratings of the ladder.
Must not know: how the input is looked at, how steps are carried out, files.

The plan was refused, or not, by what the module's file says of its input. What was measured is held
against the same ratings again before a step is set: the short above all.
"""

from __future__ import annotations

import math

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.errors import ReadbackError
from controller.ladder.loading import overloads, state_loading
from controller.ladder.model import Ladder
from controller.measurement.input_circuit import InputCircuit, Tap
from controller.planning.model import ResolvedPlan
from controller.planning.paths import Router
from controller.run.driver import Part
from controller.run.events import NoteKind, NoteMade
from controller.run.input_check import Expected, LooksAtInput, finding_words
from controller.run.sweep import SweepRun

__all__ = ["LookedCheckRun"]

_INPUT = "the module's input"


class LookedCheckRun(LooksAtInput, SweepRun):
    """Looks at the input, and goes on with the plan's steps where nothing forbids it.

    `lowest_pullup_ohms` is what the module may switch to, as far as its file says.
    """

    def __init__(
        self,
        plan: ResolvedPlan,
        router: Router,
        tap: Tap,
        expected: Expected | None,
        bench: Bench,
        clock: Clock,
        *,
        lowest_pullup_ohms: float = math.inf,
    ) -> None:
        super().__init__(plan, router, tap, expected, bench, clock)
        self._ladder: Ladder = router.ladder
        self._lowest_pullup_ohms = lowest_pullup_ohms

    def _work(self) -> Part:
        yield from self._look.whole()
        finding = self.finding
        yield (
            NoteMade(
                at_s=self._clock.now_s(),
                kind=NoteKind.INPUT,
                text=finding_words(finding),
            ),
        )
        if finding.circuit is None:
            raise ReadbackError(
                finding.trouble or "it could not be measured",
                source=_INPUT,
                hint="no step was set; find the cause before the ladder is connected again",
            )
        self._require_ratings(finding.circuit)
        yield from super()._work()

    def _require_ratings(self, circuit: InputCircuit) -> None:
        """Raise ReadbackError where a state of the plan would overload the ladder, as measured.

        Taken at the ends of the uncertainty that load the ladder most.
        """
        volts = circuit.reference_volts + circuit.reference_uncertainty_volts
        pullup = circuit.pullup_ohms - circuit.pullup_uncertainty_ohms
        states = {hold.state for step in self.plan.steps for hold in step.path}
        for state in sorted(states | {step.state for step in self.plan.steps}):
            loading = state_loading(
                self._ladder,
                state,
                reference_volts=volts,
                pullup_ohms=max(min(pullup, self._lowest_pullup_ohms), 1e-3),
            )
            for sentence in overloads(self._ladder, loading):
                raise ReadbackError(
                    f"with up to {volts:.2f} V behind {pullup:.0f} ohm, as measured, {sentence}",
                    source=_INPUT,
                    hint="no step was set; use a ladder rated for this input",
                )
