"""What a profile or a search has to say beyond its steps: late steps, looks, switching points."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from controller.records.course_lines import point_fields, timed_fields
from controller.run.events import Event, Looked, PointFound, StepTimed
from controller.text import number

if TYPE_CHECKING:
    from controller.cli.output import Output
    from controller.run.points import SwitchingPoint

__all__ = ["CourseKeeper"]

_SHOWN = 20


class CourseKeeper:
    """An event sink that keeps what the end of such a run is told from; empty for other runs."""

    def __init__(self) -> None:
        self.timed: list[StepTimed] = []
        self.looks: list[Looked] = []
        self.points: list[SwitchingPoint] = []

    def take(self, event: Event) -> None:
        """Keep an event."""
        match event:
            case StepTimed():
                self.timed.append(event)
            case Looked():
                self.looks.append(event)
            case PointFound():
                self.points.append(event.point)
            case _:
                pass

    def fields(self) -> dict[str, Any]:
        """Return what is added to the JSON document."""
        fields: dict[str, Any] = {}
        if self.timed:
            fields["timing"] = [timed_fields(one) for one in self.timed]
        if self.looks:
            fields["looks"] = [
                {"step": one.step_index, "celsius": one.celsius, "seen": one.seen}
                for one in self.looks
            ]
            fields["points"] = [point_fields(point) for point in self.points]
        return fields

    def say(self, output: Output) -> None:
        """Print late steps, and what was found."""
        late = [one for one in self.timed if one.late]
        if late:
            output.say_table(
                ["late step", "due at s", "set at s", "late by s"],
                [
                    [
                        str(one.step_index + 1),
                        number(one.planned_s, 2),
                        number(one.set_s, 2),
                        number(one.set_s - one.planned_s, 2),
                    ]
                    for one in late[:_SHOWN]
                ],
            )
            if len(late) > _SHOWN:
                output.say(f"... and {len(late) - _SHOWN} more; --json lists all of them.")
        if self.looks:
            unit = output.degrees
            output.say_table(
                ["look", unit, "seen"],
                [
                    [str(count), output.temperature(one.celsius), "yes" if one.seen else "no"]
                    for count, one in enumerate(self.looks, start=1)
                ],
            )
            for point in self.points:
                output.say(f"Found: {point}")
