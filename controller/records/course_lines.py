"""The lines that profiles and searches leave in a record besides those of every run."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from controller.measurement.model import Verdict
from controller.planning.search import Limits, Way
from controller.records.values import codes_of, finite_or_none, number_of
from controller.run.events import Event, Looked, PointFound, StepTimed
from controller.run.points import SwitchingPoint

__all__ = [
    "COURSE_TYPES",
    "Course",
    "course_event",
    "course_line",
    "course_of",
    "point_fields",
    "timed_fields",
]

COURSE_TYPES = frozenset({"timed", "look", "point"})
"""The types of line that `course_event` reads."""


@dataclass(frozen=True, kw_only=True)
class Course:
    """What a record tells of a profile's times, or of a search; empty for other runs."""

    timed: tuple[StepTimed, ...] = ()
    looks: tuple[Looked, ...] = ()
    points: tuple[SwitchingPoint, ...] = ()

    @property
    def late(self) -> tuple[StepTimed, ...]:
        """The steps that were set too late."""
        return tuple(one for one in self.timed if one.late)


def course_of(lines: Iterable[Mapping[str, Any]]) -> Course:
    """Return what the lines of a record tell. Raises like `codec`."""
    events = [event for line in lines if (event := course_event(line, float(line["elapsed_s"])))]
    return Course(
        timed=tuple(event for event in events if isinstance(event, StepTimed)),
        looks=tuple(event for event in events if isinstance(event, Looked)),
        points=tuple(event.point for event in events if isinstance(event, PointFound)),
    )


def timed_fields(event: StepTimed) -> dict[str, Any]:
    """Return when a step was due and when it was set."""
    return {
        "step": event.step_index,
        "planned_s": event.planned_s,
        "set_s": event.set_s,
        "late": event.late,
    }


def point_fields(point: SwitchingPoint) -> dict[str, Any]:
    """Return what a search found; an end that was not found, and a limit not stated, are None."""
    return {
        "way": point.way.value,
        "found": point.found,
        "low_celsius": finite_or_none(point.low_celsius),
        "high_celsius": finite_or_none(point.high_celsius),
        "uncertainty_celsius": point.uncertainty_celsius,
        "lowest_limit": finite_or_none(point.limits.lowest),
        "highest_limit": finite_or_none(point.limits.highest),
        "verdict": None if point.verdict is None else point.verdict.value,
    }


def course_line(event: Event) -> tuple[str, dict[str, Any]] | None:
    """Return the line an event leaves; None for events of other runs."""
    match event:
        case StepTimed():
            return "timed", timed_fields(event)
        case Looked():
            return "look", {
                "step": event.step_index,
                "celsius": event.celsius,
                "seen": event.seen,
                "reported_celsius": event.reported_celsius,
                "codes": event.codes,
            }
        case PointFound():
            return "point", point_fields(event.point)
        case _:
            return None


def course_event(line: Mapping[str, Any], at_s: float) -> Event | None:
    """Return the event behind a line; None for lines of other runs. Raises like `codec`."""
    match line["type"]:
        case "timed":
            return StepTimed(
                at_s=at_s,
                step_index=int(line["step"]),
                planned_s=float(line["planned_s"]),
                set_s=float(line["set_s"]),
                late=bool(line["late"]),
            )
        case "look":
            return Looked(
                at_s=at_s,
                step_index=int(line["step"]),
                celsius=float(line["celsius"]),
                seen=bool(line["seen"]),
                reported_celsius=number_of(line["reported_celsius"]),
                codes=codes_of(line["codes"]),
            )
        case "point":
            return PointFound(at_s=at_s, point=_point(line))
        case _:
            return None


def _point(line: Mapping[str, Any]) -> SwitchingPoint:
    low, high = line["low_celsius"], line["high_celsius"]
    lowest, highest, verdict = line["lowest_limit"], line["highest_limit"], line["verdict"]
    return SwitchingPoint(
        way=Way(line["way"]),
        low_celsius=-math.inf if low is None else float(low),
        high_celsius=math.inf if high is None else float(high),
        uncertainty_celsius=float(line["uncertainty_celsius"]),
        limits=Limits(
            lowest=-math.inf if lowest is None else float(lowest),
            highest=math.inf if highest is None else float(highest),
        ),
        verdict=None if verdict is None else Verdict(verdict),
    )
