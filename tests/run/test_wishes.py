"""No wish of a person is lost, whenever it comes: it is obeyed, or the record says that it was not.

The law is tried at every place of a run at which another thread may come in: between any two
things that the run does.
"""

from __future__ import annotations

import pytest

from controller.clock import VirtualClock
from controller.run.events import Event, NoteKind, NoteMade, RunFinished, StepFinished, StepStarted
from controller.run.intents import Intent, Intents
from controller.run.model import Reason
from controller.run.sweep import SweepRun

STEPS = 3


def started(fakes):
    clock = VirtualClock()
    link = fakes.FakeLink(clock)
    readback = fakes.StreamingReadback(clock, fakes.settling(1.0))
    return SweepRun(fakes.plain_plan(STEPS), fakes.bench(link, readback), clock)


def seen_by(events: list[Event]) -> tuple[int, int] | None:
    """Return the step and attempt that a screen shows after some events."""
    shown = [e for e in events if isinstance(e, StepStarted)]
    return (shown[-1].step.index, shown[-1].attempt) if shown else None


def refusals(events: list[Event]) -> list[str]:
    return [e.text for e in events if isinstance(e, NoteMade) and e.kind is NoteKind.REFUSED]


def length(fakes) -> int:
    run, count = started(fakes), 0
    while not run.finished:
        run.step()
        count += 1
    return count


@pytest.mark.parametrize("wish", ["skip", "redo", "back"])
@pytest.mark.parametrize("behind", [0, 3])
def test_a_wish_at_any_time_is_obeyed_or_refused(fakes, wish, behind):
    """`behind` is by how many turns the screen that the person looks at is late."""
    obeyed = refused = after = 0
    for at in range(length(fakes) + 1):
        run = started(fakes)
        turns: list[list[Event]] = []
        while not run.finished and len(turns) < at:
            turns.append(list(run.step()))
        about = seen_by([e for turn in turns[: len(turns) - behind] for e in turn])
        if about is None:
            continue
        heard = getattr(run, wish)(about)
        events = [e for turn in turns for e in turn]
        before = len(events)
        while not run.finished:
            events.extend(run.step())
        told = refusals(events)
        begun = [(e.step.index, e.attempt) for e in events if isinstance(e, StepStarted)]
        if not heard:
            assert isinstance(events[before - 1], RunFinished)
            after += 1
            continue
        skipped = [
            e.result.step.index
            for e in events
            if isinstance(e, StepFinished) and e.result.reason is Reason.SKIPPED
        ]
        again = [index for index, attempt in begun if attempt == 2]
        if told:
            late = f"it came too late for step {about[0] + 1}, attempt 1"
            assert told == [f"{wish} was not done: {late}"]
            assert (skipped, again) == ([], [])
            refused += 1
            continue
        obeyed += 1
        match wish:
            case "skip":
                assert (skipped, again) == ([about[0]], [])
            case "redo":
                assert (skipped, again) == ([], [about[0]])
            case "back":  # from the first step there is nowhere to go
                back = max(about[0] - 1, 0)
                assert skipped == []
                assert again == list(range(back, about[0] + 1))
    assert obeyed > 10  # a run has dozens of places
    assert refused >= STEPS  # at each boundary, and at the end of the run
    assert after == 1


def test_two_presses_on_one_step_skip_one_step(fakes):
    run = started(fakes)
    events: list[Event] = []
    while seen_by(events) != (1, 1):
        events.extend(run.step())
    assert run.skip((1, 1))
    assert run.skip((1, 1))
    while not run.finished:
        events.extend(run.step())
    results = [e.result for e in events if isinstance(e, StepFinished)]
    assert [r.reason is Reason.SKIPPED for r in results] == [False, True, False]
    assert len(refusals(events)) == 1


def test_the_box_gives_each_wish_once_and_none_after_it_is_closed():
    box = Intents()
    assert box.wish(Intent.SKIP, (0, 1))
    assert box.wish(Intent.REDO, (0, 1))
    taken = box.take()
    assert taken is not None
    assert taken.intent is Intent.SKIP
    assert [one.intent for one in box.close()] == [Intent.REDO]
    assert not box.wish(Intent.BACK, (0, 1))
