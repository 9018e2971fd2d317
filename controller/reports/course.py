"""What a report says of a profile's times and of a search, as tables for text and page alike."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from controller.planning.model import ResolvedPlan
from controller.planning.search import Way
from controller.records.course_lines import Course, course_of
from controller.records.courses import recorded_verdict
from controller.records.reader import Record
from controller.reports.scale import Scale
from controller.run.model import StepResult
from controller.run.points import SwitchingPoint
from controller.text import number

__all__ = ["Section", "course_sections", "verdict_words"]

_POINTS = {Way.THERE: "on", Way.BACK: "off again", Way.HYSTERESIS: "hysteresis"}
_NOT_JUDGED = "not judged"


@dataclass(frozen=True, kw_only=True)
class Section:
    """A table with its heading; `words` are the columns that hold no numbers."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    words: tuple[int, ...] = ()


def verdict_words(record: Record, plan: ResolvedPlan, results: Sequence[StepResult]) -> str:
    """Return the verdict of a record; that of a search whose plan states no limits is none."""
    points = course_of(record.lines).points
    unlimited = all(point.found and point.verdict is None for point in points)
    return _NOT_JUDGED if points and unlimited else recorded_verdict(record, plan, results).value


def course_sections(course: Course, scale: Scale) -> Iterator[Section]:
    """Yield the tables of what there is: switching points, looks, late steps."""
    if course.points:
        yield Section(
            title="Switching points",
            heads=("point", "from", "to", "U (k=2)", "lowest limit", "highest limit", "verdict"),
            rows=tuple(_point(point, scale) for point in course.points),
            words=(0, 6),
        )
    if course.looks:
        yield Section(
            title="Looks",
            heads=("look", "set", "reported", "seen", "codes"),
            rows=tuple(
                (
                    str(count),
                    scale.temperature(look.celsius),
                    scale.temperature(look.reported_celsius),
                    "yes" if look.seen else "no",
                    ", ".join(look.codes),
                )
                for count, look in enumerate(course.looks, start=1)
            ),
            words=(3, 4),
        )
    if course.late:
        yield Section(
            title=f"Late steps: {len(course.late)} of {len(course.timed)} that were set",
            heads=("step", "due at s", "set at s", "late by s"),
            rows=tuple(
                (
                    str(one.step_index + 1),
                    number(one.planned_s, 2),
                    number(one.set_s, 2),
                    number(one.set_s - one.planned_s, 2),
                )
                for one in course.late
            ),
        )


def _point(point: SwitchingPoint, scale: Scale) -> tuple[str, ...]:
    written = scale.difference if point.way is Way.HYSTERESIS else scale.temperature

    def end(value: float, lacking: str) -> str:
        return written(value) if math.isfinite(value) else lacking

    return (
        _POINTS[point.way],
        end(point.low_celsius, "not found"),
        end(point.high_celsius, "not found"),
        scale.difference(point.uncertainty_celsius),
        end(point.limits.lowest, "none"),
        end(point.limits.highest, "none"),
        _NOT_JUDGED if point.verdict is None else point.verdict.value,
    )
