"""Runs that follow a course or search for a switching point: what they show beyond their steps.

Knows: pictures of a run, what a profile's steps and a search's looks leave.
Must not know: Textual, who shows it.
"""

from __future__ import annotations

from collections.abc import Iterable

from controller.records.course_lines import Course
from controller.run.events import Looked
from controller.run.points import SwitchingPoint
from controller.tui.parts import Part, Tone
from controller.tui.scale import Scale
from controller.tui.view import Phase, RunView
from controller.tui.wording import duration, temperature

__all__ = ["found_all", "last_look", "late_parts", "left_s", "look_parts", "progress"]

_LATE_SHOWN = 5


def progress(view: RunView) -> tuple[float, tuple[str, ...]]:
    """Return the share of a run that is done, and how far it is in words."""
    course, total = view.course, view.total
    gone = f"{duration(view.elapsed_s)} gone"
    if view.searching:
        # How many looks it takes is known at the end.
        share = 1.0 if view.phase is Phase.FINISHED else 0.0
        looks = len(course.looks)
        return share, (f"{looks} {'look' if looks == 1 else 'looks'}", gone)
    done, words = view.done, f"{view.done} of {total} done"
    if view.follows:
        done = len(course.timed)
        words = f"{done} of {total} set, {len(course.late)} late"
    return (done / total if total else 0.0), (words, gone)


def left_s(view: RunView) -> float | None:
    """Return how long the run still takes; a profile by its own time, a search nobody knows."""
    if view.searching:
        return None
    ends_s = view.plan.steps[-1].planned_s if view.plan is not None and view.plan.steps else None
    if not view.follows or ends_s is None or view.phase is Phase.FINISHED:
        return view.left_s
    if not view.course.timed:
        return ends_s
    newest = view.course.timed[-1]
    return max(0.0, ends_s - newest.set_s - max(0.0, view.now_s - newest.at_s - view.held_s))


def last_look(course: Course, level: int) -> Looked | None:
    """Return what was seen at a level of a search the last time; None: nobody has looked."""
    return next((one for one in reversed(course.looks) if one.step_index == level), None)


def look_parts(view: RunView, now_s: float, scale: Scale) -> tuple[Part, ...]:
    """Return the line under a search's name: the level that stands, and the one before."""
    step = view.step
    if step is None:
        return ()
    parts = [Part(f"at {temperature(step.achieved_celsius, scale)} {scale.unit}", Tone.STRONG)]
    if view.set_at_s is not None:
        parts.append(Part(f"for {duration(max(0.0, now_s - view.set_at_s))}"))
    if view.course.looks:
        newest = view.course.looks[-1]
        seen = "it had changed" if newest.seen else "no change"
        parts.append(Part(f"before: {temperature(newest.celsius, scale)} {scale.unit}, {seen}"))
    return tuple(parts)


def found_all(points: Iterable[SwitchingPoint]) -> bool:
    """Return whether a search without limits has found what it looked for: there is no verdict."""
    points = tuple(points)
    return bool(points) and all(one.found and one.verdict is None for one in points)


def late_parts(view: RunView) -> Iterable[Part]:
    """Say which steps of a profile were late, the first of them."""
    late = view.course.late
    for one in late[:_LATE_SHOWN]:
        yield Part(
            f"? step {one.step_index + 1} was due at {one.planned_s:.2f} s and set at"
            f" {one.set_s:.2f} s: {one.set_s - one.planned_s:.2f} s late",
            Tone.DOUBT,
        )
    if more := late[_LATE_SHOWN:]:
        yield Part(f"? and {len(more)} more late steps", Tone.DOUBT)
