"""A long record opens with what is in sight, and nothing of it stays unread before its verdict."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.cli.main import main
from controller.clock import VirtualClock
from controller.errors import InputError, RelayKnowledge
from controller.records import decode
from controller.records.codec import event_count, events_of_line
from controller.records.decode import plan_of
from controller.records.indexed import IndexedRecord
from controller.records.lines import FIRST_PREVIOUS, digest, encode_line
from controller.records.reader import load_record
from controller.records.writer import RecordWriter
from controller.run.events import (
    Event,
    FaultRaised,
    LinkReported,
    Looked,
    NoteKind,
    NoteMade,
    Parked,
    PromptOpened,
    ReadingSeen,
    RelaysSet,
    StepFinished,
    StepStarted,
    StepTimed,
)
from controller.session.recording import opening_of
from controller.tui.playback import Film, film_at
from controller.tui.preparing import ReadyRun
from controller.tui.screens import record as screen_of_records
from controller.tui.screens.record import GivenUp, RecordScreen, load
from controller.tui.step_rows import columns_for, row_of
from controller.tui.view import after, begin

ROOT = Path(__file__).resolve().parents[2]
RECORDED = sorted((ROOT / "sweeps/recorded").glob("*.jsonl")) + sorted(
    (ROOT / "tests/records/earlier").glob("*.jsonl")
)
ROWS_IN_SIGHT = 20


def write(prepared: ReadyRun, events: Iterable[Event], path: Path, rounds: int = 1) -> Path:
    """Write a record; `rounds`: the plan and what happens at its steps, so many times over."""
    plan = prepared.prepared.resolved
    count = len(plan.steps)
    steps = [
        replace(step, index=step.index + count * turn)
        for turn in range(rounds)
        for step in plan.steps
    ]
    clock = VirtualClock()
    opening = opening_of(
        prepared.prepared.inputs, replace(plan, steps=tuple(steps)), verb="sweep", pace="fast"
    )
    path.unlink(missing_ok=True)
    writer = RecordWriter.create(path, opening, clock=clock, durable=False)
    whole = tuple(events)
    between = [one for one in whole if isinstance(one, RelaysSet | ReadingSeen | StepFinished)]
    first, last = whole.index(between[0]), whole.index(between[-1]) + 1
    for event in whole[:first]:
        writer.take(event)
    for turn in range(rounds):
        start_s = clock.now_s()
        for event in whole[first:last]:
            clock.sleep_s(max(0.0, start_s + event.at_s - clock.now_s()))
            writer.take(_moved(event, count * turn))
    for event in whole[last:]:
        clock.sleep_s(max(0.0, event.at_s - clock.now_s()))
        writer.take(event)
    writer.close()
    return path


def _moved(event: Event, by: int) -> Event:
    match event:
        case RelaysSet() | ReadingSeen() if event.step_index is not None:
            return replace(event, step_index=event.step_index + by)
        case StepFinished():
            step = replace(event.result.step, index=event.result.step.index + by)
            return StepFinished(at_s=event.at_s, result=replace(event.result, step=step))
        case _:
            return event


def seen(film: Film) -> None:
    """Make what a screenful shows of a record when it is opened."""
    view = film.at(film.last)
    columns = columns_for(film.plan, most_ohms=film.most_ohms)
    for index in range(ROWS_IN_SIGHT):
        row_of(view, index, columns)


@pytest.fixture
def unread(monkeypatch: pytest.MonkeyPatch) -> None:
    """Treat a short record as a long one."""
    monkeypatch.setattr(screen_of_records, "READ_AT_ONCE", 0)


def test_what_is_decoded_for_the_first_sight_does_not_grow_with_the_record(
    sweep: ReadyRun,
    sweep_events: list[Event],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    unread: None,
) -> None:
    counts = {"lines": 0, "steps": 0}
    lines, step = IndexedRecord.lines, decode._step

    def counted_lines(self: IndexedRecord, number: int) -> list[dict[str, Any]]:
        counts["lines"] += 1
        return lines(self, number)

    def counted_step(fields: dict[str, Any]) -> object:
        counts["steps"] += 1
        return step(fields)

    monkeypatch.setattr(IndexedRecord, "lines", counted_lines)
    monkeypatch.setattr(decode, "_step", counted_step)
    decoded = []
    for rounds in (2, 10):
        path = write(sweep, sweep_events, tmp_path / f"{rounds}.jsonl", rounds)
        counts.update(lines=0, steps=0)
        film = load(path).film
        assert len(film.plan.steps) == 21 * rounds
        assert not film.whole
        seen(film)
        decoded.append(dict(counts))
        film.read()
        assert counts["lines"] >= len(film)
        assert counts["steps"] >= len(film.plan.steps)
    assert decoded[0] == decoded[1]
    assert 0 < decoded[0]["lines"] <= 2 * ROWS_IN_SIGHT


# What may happen at any place of a run. Times are set where they are put in.
ELSE = st.sampled_from(
    [
        NoteMade(at_s=0, text="paused", kind=NoteKind.PAUSED),
        NoteMade(at_s=0, text="resumed", kind=NoteKind.RESUMED),
        NoteMade(at_s=0, text="1 ohm more", kind=NoteKind.BY_HAND),
        NoteMade(at_s=0, text="relay 3 is worn", kind=NoteKind.WEAR),
        NoteMade(at_s=0, text="skip was not done", kind=NoteKind.REFUSED),
        StepTimed(at_s=0, step_index=1, planned_s=2.0, set_s=9.0, late=True),
        Looked(
            at_s=0, step_index=1, celsius=4.0, seen=True, reported_celsius=None, codes=(),
        ),
        FaultRaised(at_s=0, message="no answer", relays=RelayKnowledge.UNKNOWN),
        FaultRaised(at_s=0, message="no answer", relays=RelayKnowledge.KNOWN),
        Parked(at_s=0),
        Parked(at_s=0, input=2),
        RelaysSet(at_s=0, step_index=None, path=(), achieved_ohms=47.0),
        ReadingSeen(
            at_s=0, step_index=0, attempt=1, celsius=1.0, volts=None, codes=("P1",), final=False,
            input=2,
        ),
        ReadingSeen(
            at_s=0, step_index=0, attempt=1, celsius=2.0, volts=None, codes=("P2",), final=False
        ),
    ]
)  # fmt: skip


def _with_others(
    events: list[Event], others: list[tuple[int, Event]], redone: set[int]
) -> list[Event]:
    """Return what happens with more put in, some steps done twice; without what no line keeps."""
    found: list[Event] = []
    step: list[Event] = []
    for event in events:
        if isinstance(event, LinkReported | PromptOpened):
            continue
        if isinstance(event, StepStarted):
            step = []
        step.append(event)
        found.append(event)
        if isinstance(event, StepFinished) and event.result.step.index in redone:
            found += [
                replace(one, attempt=2) if isinstance(one, StepStarted) else one for one in step
            ]
    for place, other in others:
        at = place % len(found)
        # A step's beginning and the setting of its relays are one line.
        while isinstance(found[at - 1], StepStarted):
            at += 1
        found.insert(at, other)
    now_s, timed = 0.0, []
    for event in found:
        now_s = max(now_s + 0.125, event.at_s)
        timed.append(replace(event, at_s=now_s))
    return timed


def test_every_picture_is_that_of_the_run_whatever_happened_in_it(
    sweep: ReadyRun, sweep_events: list[Event], tmp_path: Path
) -> None:
    @settings(max_examples=settings().max_examples // 5)
    @given(
        others=st.lists(st.tuples(st.integers(0, 500), ELSE), max_size=12),
        redone=st.sets(st.integers(0, 5), max_size=2),
    )
    def law(others: list[tuple[int, Event]], redone: set[int]) -> None:
        events = _with_others(sweep_events[:80], others, redone)
        _require_same_pictures(sweep, events, tmp_path / "one.jsonl")

    law()


def _require_same_pictures(sweep: ReadyRun, events: list[Event], path: Path) -> None:
    """Hold the film of some events against the picture that they make one after the other."""
    path.unlink(missing_ok=True)
    clock = VirtualClock()
    opening = opening_of(sweep.prepared.inputs, sweep.prepared.resolved, verb="sweep", pace="fast")
    writer = RecordWriter.create(path, opening, clock=clock, durable=False)
    for event in events:
        clock.sleep_s(event.at_s - clock.now_s())
        writer.take(event)
    writer.close()
    _require_pictures_of(path)


def _require_pictures_of(path: Path, *, every: int = 3) -> None:
    """Hold a film against the run: at whatever is no reading, and at so many events in all."""
    film, _opening = film_at(path)
    record, attempts = load_record(path), dict[int, int]()
    plan = plan_of(record)
    whole = [one for line in record.lines[1:] for one in events_of_line(line, plan, attempts)]
    assert list(film.events()) == whole
    for read in (False, True):
        if read:
            film.read()
        view = begin(plan)
        for position, event in enumerate(whole, start=1):
            view = after(view, event)
            other = every > 3 and not isinstance(event, ReadingSeen)
            if position % every == 0 or other or position == len(whole):
                got = film.at(position)
                for name in vars(view):
                    if read or name not in ("operations", "spent_s", "spent_planned_s"):
                        assert getattr(got, name) == getattr(view, name), (position, name)
                assert film.time_s(position) == event.at_s
    assert film.points(film.last) == view.points


@pytest.mark.parametrize("name", ["fan-seek", "warm-up"])
def test_the_pictures_of_a_search_and_of_a_profile_are_those_of_the_run(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], many: Callable[..., int]
) -> None:
    path = tmp_path / "one.jsonl"
    verb = "seek" if name == "fan-seek" else "sweep"
    assert main([verb, str(ROOT / f"sweeps/{name}.toml"), "--record", str(path), "--json"]) in (
        0,
        1,
    )
    capsys.readouterr()
    _require_pictures_of(path, every=many(19 if name == "warm-up" else 3, 1, soak=3))


@pytest.mark.parametrize("path", RECORDED, ids=lambda path: path.stem)
def test_events_are_counted_as_they_are_read(path: Path) -> None:
    record = load_record(path)
    plan, attempts = plan_of(record), dict[int, int]()
    for line in record.lines[1:]:
        assert event_count(line) == len(list(events_of_line(line, plan, attempts)))
    film, _opening = film_at(path)
    assert film.last == sum(map(event_count, record.lines[1:])) == len(list(film.events()))


@pytest.mark.parametrize("path", RECORDED, ids=lambda path: path.stem)
def test_what_a_film_leaves_out_is_in_the_record_all_the_same(path: Path) -> None:
    plan = plan_of(load_record(path))
    film, _opening = film_at(path)
    assert tuple(film.plan.steps) == tuple(plan.steps)
    assert film.plan.steps[-1] == plan.steps[-1]
    assert film.plan.steps[1:3] == tuple(plan.steps[1:3])
    assert replace(film.plan, steps=()) == replace(plan, steps=())
    with pytest.raises(IndexError):
        film.plan.steps[len(plan.steps)]


def _forged(path: Path, change: Any) -> Path:
    """Change a record's lines as they are written, and chain them anew."""
    lines = [json.loads(raw) for raw in path.read_bytes().splitlines()]
    change(lines)
    previous, data = FIRST_PREVIOUS, b""
    for seq, line in enumerate(lines):
        own = ("seq", "utc", "elapsed_s", "type", "previous", "check")
        content = {key: value for key, value in line.items() if key not in own}
        raw = encode_line(
            line["type"], content, seq=seq, utc=VirtualClock().utc(),
            elapsed_s=line["elapsed_s"], previous=previous,
        )  # fmt: skip
        previous, data = digest(raw), data + raw
    path.write_bytes(data)
    return path


def _no_such_verdict(lines: list[dict[str, Any]]) -> None:
    steps = [line for line in lines if line["type"] == "step"]
    steps[len(steps) // 2]["verdict"] = "splendid"


def _a_reading_of_nothing(lines: list[dict[str, Any]]) -> None:
    next(line for line in lines[4:] if line["type"] == "reading").pop("final", None)
    next(line for line in lines[4:] if line["type"] == "reading").pop("attempt", None)


def _a_step_of_no_kind(lines: list[dict[str, Any]]) -> None:
    table = lines[0]["plan"]["steps"]
    table["same"].pop("kind", None)
    table["each"]["kind"] = ["temperature"] * 30 + ["lukewarm"] + ["temperature"] * 11


def _a_path_of_no_table(lines: list[dict[str, Any]]) -> None:
    empty = {"same": {}, "each": {}}
    lines[0]["plan"]["steps"]["each"]["path"] = [[]] * 30 + [empty] + [[]] * 11


def _a_step_never_begun(lines: list[dict[str, Any]]) -> None:
    del lines[30:]
    _a_step_of_no_kind(lines)


FORGERIES = [
    _no_such_verdict,
    _a_reading_of_nothing,
    _a_step_of_no_kind,
    _a_path_of_no_table,
    _a_step_never_begun,
]


@pytest.mark.parametrize("change", FORGERIES, ids=lambda one: one.__name__.strip("_"))
def test_what_cannot_be_read_is_found_wherever_it_stands(
    sweep: ReadyRun, sweep_events: list[Event], tmp_path: Path, change: Any, unread: None
) -> None:
    path = _forged(write(sweep, sweep_events, tmp_path / "one.jsonl", 2), change)
    film = load(path).film
    with pytest.raises(InputError, match=r"one\.jsonl"):
        film.read()
    assert not film.whole


@pytest.mark.parametrize("change", FORGERIES, ids=lambda one: one.__name__.strip("_"))
def test_no_verdict_is_shown_of_what_cannot_be_read(
    helper: Any,
    sweep: ReadyRun,
    sweep_events: list[Event],
    tmp_path: Path,
    change: Any,
    unread: None,
) -> None:
    path = _forged(write(sweep, sweep_events, tmp_path / "one.jsonl", 2), change)
    sentence = str(load_record(write(sweep, sweep_events, tmp_path / "two.jsonl", 2)).closing)
    told = next(word for word in ("FAIL: ", "PASS: ") if word[:4].lower() in sentence)

    async def body() -> None:
        app = helper.app()
        async with app.run_test(size=(80, 24)) as pilot:
            await app.push_screen(RecordScreen(load(path)))
            await helper.until(pilot, lambda: "✗" in helper.drawn(pilot).partition("──")[2])
            for key in ("home", "pagedown", "pagedown", "end"):
                await pilot.press(key)
                assert told not in helper.drawn(pilot)
            drawn = " ".join(helper.drawn(pilot).split())
            assert "another version" in drawn or "the record is damaged" in drawn
            assert not app.mistakes

            await app.push_screen(RecordScreen(load(tmp_path / "two.jsonl")))
            await helper.until(pilot, lambda: told in helper.drawn(pilot))

    helper.run(body())


def test_the_verdict_waits_for_every_line_and_leaving_ends_the_reading(
    helper: Any,
    sweep: ReadyRun,
    sweep_events: list[Event],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    unread: None,
) -> None:
    path = write(sweep, sweep_events, tmp_path / "one.jsonl", 2)
    go_on, told = threading.Event(), list[str]()
    read = Film.read

    def slow(self: Film, tell: Any = None) -> None:
        def slowly(share: float) -> None:
            go_on.wait(10.0)
            try:
                tell(share)
            except GivenUp:
                told.append("given up")
                raise

        read(self, slowly)
        told.append("read")

    monkeypatch.setattr(Film, "read", slow)

    async def body() -> None:
        app = helper.app()
        async with app.run_test(size=(80, 24)) as pilot:
            for wanted in ("given up", "read"):
                go_on.clear()
                await app.push_screen(RecordScreen(load(path)))
                await helper.until(pilot, lambda: "reading all of it" in helper.drawn(pilot))
                drawn = helper.drawn(pilot)
                assert "42 of 42 steps" in drawn
                assert "when every line has been read" in drawn
                assert "FAIL: " not in drawn
                if wanted == "given up":
                    await pilot.press("escape")
                    await pilot.pause()
                go_on.set()
                await helper.until(pilot, lambda wanted=wanted: told[-1:] == [wanted])
            await helper.until(pilot, lambda: "FAIL: " in helper.drawn(pilot))
            assert "reading all of it" not in helper.drawn(pilot)

    helper.run(body())
    assert told == ["given up", "read"]


def test_proving_ends_where_it_is_given_up(
    sweep: ReadyRun, sweep_events: list[Event], tmp_path: Path
) -> None:
    path = write(sweep, sweep_events, tmp_path / "one.jsonl", 2)
    lines = 0

    def going_on() -> None:
        nonlocal lines
        lines += 1
        if lines == 10:
            raise GivenUp

    with pytest.raises(GivenUp):
        load(path, going_on)
    assert lines == 10


def test_the_next_failed_step_is_found_before_all_is_read(
    helper: Any, sweep: ReadyRun, sweep_events: list[Event], tmp_path: Path
) -> None:
    path = write(sweep, sweep_events, tmp_path / "one.jsonl", 2)
    film, _opening = film_at(path)
    events = list(film.events())
    fails = [
        position
        for position, event in enumerate(events, start=1)
        if isinstance(event, StepFinished) and event.result.whole_verdict == "fail"
    ]
    assert fails
    assert list(film.fails) == fails
    assert [film.at(one).newest.step.index for one in fails] == [  # type: ignore[union-attr]
        events[one - 1].result.step.index
        for one in fails  # type: ignore[union-attr]
    ]
