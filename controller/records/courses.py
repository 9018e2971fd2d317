"""A profile's times and a search's looks, held against a second run and judged again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from controller.errors import InputError
from controller.measurement.model import Verdict
from controller.planning.model import ResolvedPlan
from controller.planning.plan import PlanKind
from controller.planning.search import Search
from controller.records.codec import was_resumed
from controller.records.compare import (
    Difference,
    Tolerances,
    numbers_differ,
    verdict_of,
    words_differ,
)
from controller.records.course_lines import course_event
from controller.records.decode import ending_of
from controller.records.inputs import Inputs
from controller.records.reader import Record
from controller.records.values import finite_or_none
from controller.run.bisection import Bisection
from controller.run.events import Looked, PointFound, StepTimed
from controller.run.model import Ending, StepResult
from controller.run.points import SwitchingPoint
from controller.run.profile import ProfileRun
from controller.run.seek import SeekRun, begun, outcome

__all__ = [
    "compare_search",
    "compare_times",
    "judge_search",
    "known_of",
    "looks_in",
    "recorded_verdict",
]


def compare_times(record: Record, again: ProfileRun, tolerances: Tolerances) -> list[Difference]:
    """Compare when each step was set; lateness counts where both runs were in virtual time."""
    if tolerances.timing_s is None:
        return []
    differences: list[Difference] = []
    recorded = [event for event in _events(record) if isinstance(event, StepTimed)]
    for was, now in zip(recorded, again.timed, strict=False):
        index = was.step_index
        differences += numbers_differ(index, "planned_s", was.planned_s, now.planned_s, 1e-6)
        differences += numbers_differ(index, "set_s", was.set_s, now.set_s, tolerances.timing_s)
        differences += words_differ(index, "late", was.late, now.late)
    return differences


def recorded_verdict(record: Record, plan: ResolvedPlan, results: Sequence[StepResult]) -> Verdict:
    """Return the verdict of a record: that of its results, or else what its run ended with.

    A search has no results: it is judged by its points. Nor has a run without steps, a self-test
    of a ladder for example.
    """
    if plan.steps and plan.kind != PlanKind.THRESHOLD.value:
        return verdict_of(plan, results, ending_of(record))
    closing = record.closing
    return Verdict.UNDECIDED if closing is None else Verdict(closing["verdict"])


def looks_in(record: Record) -> int:
    """Return how often a recorded search has looked."""
    return sum(isinstance(event, Looked) for event in _events(record))


def judge_search(
    record: Record, plan: ResolvedPlan, inputs: Inputs
) -> tuple[Verdict, list[Difference]]:
    """Go through a recorded search look by look: each has to be the one that was to come next."""
    search = inputs.plan.search
    assert search is not None  # noqa: S101 - the caller has a search
    known, differences = _gone_through(record, plan, search)
    closing = record.closing
    ending = Ending.STOPPED if closing is None else Ending(closing["ended"])
    points, verdict = outcome(plan, search, known, ending)
    recorded = [event.point for event in _events(record) if isinstance(event, PointFound)]
    if ending is Ending.COMPLETE or recorded:
        differences += _compare_points(recorded, points, Tolerances(), "judged again")
    return verdict, differences


def known_of(record: Record, plan: ResolvedPlan, search: Search) -> Bisection:
    """Return what a recorded search has found. Raises InputError when it did not go by its plan."""
    known, differences = _gone_through(record, plan, search)
    if differences:
        raise InputError.single(
            f"its looks are not those of this search: {differences[0]}", where=str(record.path)
        )
    return known


def _gone_through(
    record: Record, plan: ResolvedPlan, search: Search
) -> tuple[Bisection, list[Difference]]:
    """Return what is known after every look, and the looks that were not to come next."""
    known, differences = begun(plan, search), list[Difference]()
    for line in record.lines:
        if was_resumed(line):
            known = known.begun_again()
        event = course_event(line, float(line["elapsed_s"]))
        if not isinstance(event, Looked):
            continue
        meant = known.next_level()
        differences += words_differ(
            event.step_index, "level (looked at again)", event.step_index, meant
        )
        if not 0 <= event.step_index < len(plan.steps):
            break
        known = known.seen(event.step_index, on=event.seen)
    return known, differences


def compare_search(record: Record, again: SeekRun, tolerances: Tolerances) -> list[Difference]:
    """Compare what was found with what the simulated module was found to do.

    Intervals found on other equipment, or in real time, have to overlap, uncertainties included.
    """
    recorded = [event.point for event in _events(record) if isinstance(event, PointFound)]
    if not recorded:
        return []  # it was cut short before it had found anything
    if tolerances.timing_s is not None:
        return _compare_points(recorded, again.points, tolerances, "searched again")
    by_way = {point.way: point for point in again.points}
    differences: list[Difference] = []
    for was in recorded:
        now = by_way.get(was.way)
        if now is None or not _overlap(was, now):
            found = None if now is None else str(now)
            differences += words_differ(None, f"{was.way.value} (searched again)", str(was), found)
    return differences


def _compare_points(
    recorded: list[SwitchingPoint],
    found: tuple[SwitchingPoint, ...],
    tolerances: Tolerances,
    how: str,
) -> list[Difference]:
    differences = words_differ(
        None, f"points ({how})", [p.way.value for p in recorded], [p.way.value for p in found]
    )
    near = tolerances.computed
    for was, now in zip(recorded, found, strict=False):
        for field in ("low_celsius", "high_celsius", "uncertainty_celsius"):
            name = f"{was.way.value} {field} ({how})"
            before, after = finite_or_none(getattr(was, field)), finite_or_none(getattr(now, field))
            differences += numbers_differ(None, name, before, after, near)
        for field, one, other in (
            ("verdict", was.verdict, now.verdict),
            ("limits", str(was.limits), str(now.limits)),
        ):
            differences += words_differ(None, f"{was.way.value} {field} ({how})", one, other)
    return differences


def _overlap(one: SwitchingPoint, other: SwitchingPoint) -> bool:
    unsure = one.uncertainty_celsius + other.uncertainty_celsius
    return (
        one.low_celsius - unsure <= other.high_celsius
        and other.low_celsius - unsure <= one.high_celsius
    )


def _events(record: Record) -> Iterator[object]:
    for line in record.lines:
        event = course_event(line, float(line["elapsed_s"]))
        if event is not None:
            yield event
