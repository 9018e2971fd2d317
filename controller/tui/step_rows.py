"""The table of steps: its columns, and a row of it after any event.

Knows: the view of a run, which columns there is room for.
Must not know: Textual, where a table stands.

Uncertainty, limit and the like are for whoever asks for details.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from controller.planning.model import ResolvedPlan, ResolvedStep
from controller.run.model import Reason, StepResult
from controller.text import number, ohms
from controller.tui.course import last_look
from controller.tui.parts import Cells, Column, Tone
from controller.tui.scale import Scale
from controller.tui.text import one_line
from controller.tui.view import Phase, RunView
from controller.tui.wording import difference, step_name, temperature, verdict_words

__all__ = ["columns_for", "highest_ohms", "row_of"]

_ON_DEMAND = ("unsure", "limit")
_LEFT_OUT = ("ohm", *_ON_DEMAND, "expected", "target")
"""Columns that go first where there is no room for all."""


def columns_for(
    plan: ResolvedPlan,
    scale: Scale = Scale.CELSIUS,
    *,
    details: bool = True,
    room: int = 78,
    most_ohms: float | None = None,
) -> tuple[Column, ...]:
    """Return the columns of a plan's table, one cell between them, as many as fit `room` cells.

    `most_ohms` is the highest resistance of its steps where that is known already.
    The result and the reading are always among them. Where the plan's own numbers need it, a
    column is wider.
    """
    # Without a letter in the head a column is in degC.
    letter = "" if scale is Scale.CELSIUS else " F"
    if most_ohms is None:
        most_ohms = highest_ohms(step.achieved_ohms for step in plan.steps)
    reports = [
        Column(f"report{letter}" if letter else "reported", 8, key="reported"),
        Column(f"error{letter}", 8, key="error"),
    ]
    if plan.second is not None:
        # Two inputs beside each other: each report stands under the name of its input.
        reports = [
            Column(_head(plan.input or "first", letter), 8, key="reported"),
            Column(f"error{letter}", 7, key="error"),
            Column(_head(plan.second.input or "second", letter), 8, key="reported second"),
            Column(f"error{letter}", 7, key="error second"),
        ]
    result = Column("result", 11, right=False, key="result")
    if plan.kind == "threshold":
        return (
            Column("", 1, right=False, key="mark"),
            Column("level", max(5, len(str(len(plan.steps)))), key="step"),
            Column(f"made{letter}", 8, key="made"),
            Column("ohm", max(8, len(ohms(most_ohms))), key="ohm"),
            reports[0],
            result,
        )
    columns = [
        Column("", 1, right=False, key="mark"),
        Column("step", max(4, len(str(len(plan.steps)))), key="step"),
        Column(f"target{letter}", 8, key="target"),
        Column("ohm", max(8, len(ohms(most_ohms))), key="ohm"),
        Column(f"expect{letter}" if letter else "expected", 8, key="expected"),
        *reports,
        Column("U k=2", 6, key="unsure"),
        Column("limit", 6, key="limit"),
        result,
    ]
    if plan.kind == "profile":
        columns[2:3] = [Column("due s", 8, key="due"), columns[2]]
    if not details:
        columns = [column for column in columns if column.key not in _ON_DEMAND]
    for key in _LEFT_OUT:
        if sum(column.width + 1 for column in columns) - 1 > room:
            columns = [column for column in columns if column.key != key]
    return tuple(columns)


def highest_ohms(made: Iterable[float]) -> float:
    """Return the highest of some resistances that is no open circuit; 0 without one.

    None takes more room than that: what is shorter than eight digits gets eight cells anyway.
    """
    return max(filter(math.isfinite, made), default=0.0)


def _head(name: str, letter: str) -> str:
    return f"{one_line(name)[: 8 - len(letter)]}{letter}"


def row_of(
    view: RunView, index: int, columns: Sequence[Column], scale: Scale = Scale.CELSIUS
) -> Cells:
    """Return one row of the table."""
    assert view.plan is not None  # noqa: S101 - there are no rows without a plan
    step = view.plan.steps[index]
    result = view.results[index]
    now = view.step is not None and view.step.index == index and view.phase is not Phase.FINISHED
    words, tone = ("now", Tone.ACTIVE) if now else ("", Tone.PLAIN)
    if result is not None and not now:
        part = verdict_words(result.whole_verdict)
        words, tone = part.text, part.tone
        if result.reason is Reason.SKIPPED:
            words = "? skipped"
    elif not now and view.follows and any(one.step_index == index for one in view.course.late):
        words, tone = "? late", Tone.DOUBT
    look = last_look(view.course, index)
    if look is not None and not now:
        words, tone = ("● changed", Tone.ACTIVE) if look.seen else ("○ as before", Tone.PLAIN)
    cells = {
        "mark": "▶" if now else "",
        **_known(step, scale),
        **_came(result, scale),
        **{f"{key} second": text for key, text in _came(result and result.second, scale).items()},
        "result": words,
    }
    if look is not None:
        cells["reported"] = temperature(look.reported_celsius, scale)
    return Cells(tuple(cells[column.key] for column in columns), tone)


def _came(result: StepResult | None, scale: Scale) -> dict[str, str]:
    """Return the cells of what came in at one input."""
    if result is None:
        return {"reported": "-", "error": "-"}
    return {
        "reported": temperature(result.reported_celsius, scale),
        "error": difference(result.error_celsius, scale, sign=True),
    }


def _known(step: ResolvedStep, scale: Scale) -> dict[str, str]:
    """Return the cells of a step that are known before it runs."""
    return {
        "step": str(step.index + 1),
        "target": step_name(step, scale),
        "ohm": ohms(step.achieved_ohms),
        "expected": temperature(step.expected_celsius, scale),
        "unsure": difference(step.shown_uncertainty_celsius, scale),
        "limit": difference(step.tolerance_celsius, scale),
        "due": number(step.planned_s, 2),
        "made": temperature(step.achieved_celsius, scale),
    }
