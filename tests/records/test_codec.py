"""What a line of a record says is what has happened, whatever words a person has used."""

from __future__ import annotations

import pytest

from controller.planning.model import ResolvedPlan
from controller.records.codec import events_of_line, line_of_event, was_interrupted
from controller.run.events import Event, NoteKind, NoteMade, RunStarted

WORDS_OF_ITS_OWN = ("started", "resumed", "paused")
"""What the program's own notes of the first version said, which had no kind."""


def again(event: Event, plan: ResolvedPlan) -> tuple[dict[str, object], list[Event]]:
    found = line_of_event(event, plan.state_digits)
    assert found is not None
    kind, content = found
    line = {"type": kind, "elapsed_s": event.at_s, **content}
    return line, list(events_of_line(line, plan, {}))


@pytest.mark.parametrize("text", WORDS_OF_ITS_OWN)
def test_a_remark_of_a_person_is_a_remark(plan: ResolvedPlan, text: str) -> None:
    remark = NoteMade(at_s=2.0, text=text, kind=NoteKind.REMARK)
    line, events = again(remark, plan)
    assert events == [remark]
    assert not was_interrupted(line)


def test_the_beginning_of_a_run_comes_back(plan: ResolvedPlan) -> None:
    started = RunStarted(at_s=0.0, plan=plan, device_name="ladder", first_step=1)
    assert again(started, plan)[1] == [started]


@pytest.mark.parametrize(
    ("line", "interrupted"),
    [
        ({"text": "paused"}, True),
        ({"text": "paused", "kind": "paused"}, True),
        ({"text": "resumed", "first_step": 3}, True),
        ({"text": "a quiet afternoon"}, False),
    ],
)
def test_a_run_that_was_interrupted_is_known_in_both_versions(
    line: dict[str, object], interrupted: bool
) -> None:
    assert was_interrupted({"type": "note", "elapsed_s": 1.0, **line}) is interrupted
