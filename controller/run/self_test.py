"""A ladder tests itself: every relay is moved and read back, every rung is measured.

Knows: the order of the test, and what is told in the end.
Must not know: which states show what, files, meters beyond the interface.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.ladder.model import Ladder, PathStep
from controller.ladder.self_test import Examination
from controller.measurement.model import Verdict
from controller.meters.base import Meter
from controller.planning.model import ResolvedPlan
from controller.run.driver import Part
from controller.run.events import NoteKind, NoteMade
from controller.run.measure import MeasureRun, StateToMeasure
from controller.run.model import Ending, RunSummary

__all__ = ["SelfTestRun"]


class SelfTestRun(MeasureRun):
    """Walks over the relays one by one, then measures `states`. `examination` is there at the end.

    The walk is read back by every status of the link: a board whose outputs do not follow ends the
    run as a fault. That says nothing of the contacts; the meter does.
    """

    def __init__(
        self,
        plan: ResolvedPlan,
        walk: Sequence[PathStep],
        states: Sequence[StateToMeasure],
        examine: Callable[[dict[int, float]], Examination],
        ladder: Ladder,
        meter: Meter | None,
        bench: Bench,
        clock: Clock,
    ) -> None:
        super().__init__(plan, states, meter, bench, clock)
        self._walk = tuple(walk)
        self._examine = examine
        self._ladder = ladder
        self._walked = False
        self.examination: Examination | None = None

    def _work(self) -> Part:
        yield from self._driver.travel(self._walk)
        self._walked = True
        text = f"all {self._ladder.relay_count} relays were commanded and read back"
        yield (NoteMade(at_s=self._clock.now_s(), kind=NoteKind.REMARK, text=text),)
        yield from super()._work()
        if self.taken:
            self.examination = self._examine(self.taken)

    def _summary(self, ending: Ending) -> RunSummary:
        whole = self.examination
        verdict = Verdict.UNDECIDED
        if ending is Ending.COMPLETE and whole is not None:
            complete = len(whole.seen) == len(self._states)
            sound = Verdict.PASS if complete else Verdict.UNDECIDED
            verdict = sound if whole.sound else Verdict.FAIL
        relays = self._bench.link.relays
        return RunSummary(
            verdict=verdict,
            ended=ending,
            passed=0 if whole is None else sum(one.agrees for one in whole.seen),
            failed=0 if whole is None else sum(not one.agrees for one in whole.seen),
            undecided=0,
            unsettled=0,
            not_run=len(self._states) - len(self.taken),
            relays=relays,
            sentence=f"{self._found()}; {relays.value}.",
        )

    def _found(self) -> str:
        whole = self.examination
        if whole is None:
            if not self._walked:
                return "The self-test did not finish"
            return (
                f"All {self._ladder.relay_count} relays were commanded and read back; contacts and"
                " rungs were not measured: that takes a [meter] in the bench file"
            )
        if whole.sound:
            missing = len(self._states) - len(whole.seen)
            left = f"; {missing} states were not measured" if missing else ""
            return f"All {len(whole.seen)} states measured are within their tolerance{left}"
        said = [
            ", or ".join([fault.words, *(other.words for other in others)])
            for fault, others in zip(whole.faults, whole.alternatives, strict=True)
        ]
        if whole.unexplained:
            names = ", ".join(self.plan.format_state(state) for state in whole.unexplained)
            said.append(f"not explained by any single fault: {names}")
        text = "; ".join(said)
        return f"The ladder is not sound: {text}"
