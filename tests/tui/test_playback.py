"""A record's film shows what the run showed, from any position."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.clock import VirtualClock
from controller.errors import InputError
from controller.records.reader import load_record
from controller.records.writer import RecordWriter
from controller.run.events import Event, StepFinished
from controller.session.recording import opening_of
from controller.tui.playback import Film, film_at
from controller.tui.preparing import ReadyRun
from controller.tui.view import Driving, Phase, after, begin


def write(prepared: ReadyRun, events: list[Event], path: Path) -> Path:
    clock = VirtualClock()
    opening = opening_of(
        prepared.prepared.inputs, prepared.prepared.resolved, verb="sweep", pace="fast"
    )
    writer = RecordWriter.create(path, opening, clock=clock, durable=False)
    for event in events:
        clock.sleep_s(event.at_s - clock.now_s())
        writer.take(event)
    writer.close()
    return path


@pytest.fixture
def record(sweep: ReadyRun, sweep_events: list[Event], tmp_path: Path) -> Path:
    return write(sweep, sweep_events, tmp_path / "one.jsonl")


@pytest.fixture
def film(record: Path) -> Film:
    film, _opening = film_at(record)
    film.read()
    return film


def test_the_last_picture_is_the_runs_last_picture(
    film: Film, sweep: ReadyRun, sweep_events: list[Event]
) -> None:
    view = begin(sweep.prepared.resolved)
    for event in sweep_events:
        view = after(view, event)
    last = film.at(film.last)
    told = [
        [(r.step.index, r.step.state, r.reported_celsius, r.error_celsius, r.verdict) for r in some]
        for some in (last.results, view.results)
        if all(some)
    ]
    assert len(told) == 2
    assert told[0] == told[1]
    assert last.summary == view.summary
    assert last.operations == view.operations
    assert (last.phase, last.driving) == (Phase.FINISHED, Driving.PARKED)


def test_any_position_is_reached_from_anywhere(film: Film) -> None:
    view = begin(film.plan)
    for position, event in enumerate(film.events(), start=1):
        view = after(view, event)
        if position % 37 == 0:
            assert film.at(position) == view


def test_stepping_goes_from_result_to_result_and_back(film: Film) -> None:
    position, count = 0, 0
    while (onward := film.next_step(position)) < film.last:
        assert isinstance(film.event(onward), StepFinished)
        assert film.at(onward).done == count + 1
        assert film.step_before(onward) == position
        position, count = onward, count + 1
    assert count == len(film.plan.steps)


def test_playing_by_time_passes_every_event_once(film: Film) -> None:
    assert film.position_at(-1.0) == 0
    assert film.position_at(film.time_s(film.last)) == film.last
    seen = [film.position_at(0.1 * tick) for tick in range(2000)]
    assert seen == sorted(seen)


def test_a_torn_record_still_has_a_film(record: Path, tmp_path: Path) -> None:
    data = record.read_bytes()
    torn = tmp_path / "torn.jsonl"
    torn.write_bytes(data[: len(data) * 2 // 3])
    film, _opening = film_at(torn)
    last = film.at(film.last)
    assert last.summary is None
    assert 0 < last.done < len(film.plan.steps)


def test_a_record_of_another_kind_is_refused_in_words(record: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.jsonl"
    other.write_text('{"hello": 1}\n')
    with pytest.raises(InputError):
        load_record(other)
