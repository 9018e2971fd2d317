"""A ladder tests itself: every relay is moved and read back, every rung is measured.

Knows: the order of the test, and what is told in the end.
Must not know: which states show what, files, meters beyond the interface.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.errors import RelayKnowledge
from controller.ladder.model import Ladder, PathStep
from controller.ladder.self_test import Examination
from controller.measurement.model import Verdict
from controller.meters.base import Meter
from controller.planning.model import ResolvedPlan
from controller.run.driver import Part
from controller.run.events import NoteKind, NoteMade
from controller.run.measure import MeasureRun, StateToMeasure
from controller.run.model import Ending, RunSummary
from controller.run.relay_timing import RelayTime
from controller.run.summary import with_relays
from controller.units import format_ohms

__all__ = ["SelfTestRun", "examined_summary", "found_words", "unseen_words"]


def examined_summary(
    whole: Examination | None,
    verdict: Verdict,
    ending: Ending,
    *,
    not_run: int,
    found: str,
    relays: RelayKnowledge,
) -> RunSummary:
    """Return the summary of a self-test: it counts the states that agree, by whatever measured."""
    return RunSummary(
        verdict=verdict,
        ended=ending,
        passed=0 if whole is None else sum(one.agrees for one in whole.seen),
        failed=0 if whole is None else sum(not one.agrees for one in whole.seen),
        undecided=0,
        unsettled=0,
        not_run=not_run,
        relays=relays,
        sentence=f"{with_relays(found, relays)}.",
    )


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
        self.times: tuple[RelayTime, ...] = ()
        """None: what measures ohms is too slow to see a relay move."""
        self.not_timed: tuple[int, ...] = ()

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
        return examined_summary(
            whole,
            verdict,
            ending,
            not_run=len(self._states) - len(self.taken),
            found=self.found,
            relays=self._bench.link.relays,
        )

    @property
    def found(self) -> str:
        """What was found, without the full stop."""
        whole = self.examination
        if whole is None:
            if not self._walked:
                return "The self-test did not finish"
            return (
                f"All {self._ladder.relay_count} relays were commanded and read back; contacts and"
                " rungs were not measured: that takes a [meter] in the bench file, or [sense] where"
                " the board has a voltage input"
            )
        if whole.sound:
            missing = len(self._states) - len(whole.seen)
            left = f"; {missing} states were not measured" if missing else ""
            return f"{found_words(whole, self.plan)}{left}"
        return found_words(whole, self.plan)


def found_words(whole: Examination, plan: ResolvedPlan) -> str:
    """Say what was found, without the full stop."""
    if whole.sound:
        text = f"All {len(whole.seen)} states measured are within their tolerance"
        unseen = unseen_words(whole)
        return f"{text}, as far as can be seen: {unseen}" if unseen else text
    said = [
        ", or ".join([fault.words, *(other.words for other in others)])
        for fault, others in zip(whole.faults, whole.alternatives, strict=True)
    ]
    if whole.unexplained:
        names = ", ".join(plan.format_state(state) for state in whole.unexplained)
        said.append(f"not explained by any single fault: {names}")
    return f"The ladder is not sound: {'; '.join(said)}"


def unseen_words(whole: Examination) -> str:
    """Say which rungs are too small for what measured them; empty where all are seen."""
    hidden = [one for one in whole.rungs if one.hidden]
    coarse = [one for one in whole.rungs if one.coarse]
    said = []
    if hidden:
        largest = format_ohms(max(one.ohms for one in hidden))
        relays = ", ".join(str(one.relay) for one in hidden)
        said.append(f"not the rungs of relays {relays} (up to {largest}), there or missing")
    if coarse:
        worst = max(100 * one.resolution_ohms / one.ohms for one in coarse)
        relays = ", ".join(str(one.relay) for one in coarse)
        said.append(f"those of relays {relays} to {worst:.2g} % or better, not to their tolerance")
    if said:
        said.append(f"a contact from {format_ohms(whole.contact_ohms)} too much on")
    return "; ".join(said)
