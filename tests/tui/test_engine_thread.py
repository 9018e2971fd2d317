"""The engine's thread ends parked and the record whole, whatever happens to it or to the screen."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from controller.clock import PacedClock, VirtualClock
from controller.errors import RelayKnowledge
from controller.records.reader import load_record
from controller.records.writer import RecordError, RecordWriter
from controller.run.events import Event
from controller.run.sweep import SweepRun
from controller.session.session import Session, Setup
from controller.tui.engine_thread import EngineThread
from controller.tui.preparing import ReadyRun, begin_run
from controller.tui.view import Driving, Phase, begin


def nothing() -> None:
    return None


def test_a_run_at_once_ends_with_a_whole_record(sweep: ReadyRun) -> None:
    engine = begin_run(sweep, pace="at once", changed=nothing)
    engine.start()
    assert engine.join(60)
    picture = engine.picture
    assert not picture.alive
    assert picture.error is None
    assert picture.view.phase is Phase.FINISHED
    assert picture.relays is RelayKnowledge.PARKED
    record = load_record(sweep.record)
    assert record.broken is None
    assert record.closing is not None
    assert len(record.steps) == 21


def test_stop_parks_and_closes_the_record(sweep: ReadyRun) -> None:
    seen = threading.Event()
    engine = begin_run(
        sweep, pace="20x", clock=PacedClock(50.0),
        changed=lambda: seen.set() if engine.picture.view.done >= 3 else None,
    )  # fmt: skip
    engine.start()
    assert seen.wait(60)
    engine.stop()
    assert engine.join(60)
    assert engine.picture.view.driving is Driving.PARKED
    record = load_record(sweep.record)
    assert record.closing is not None
    assert record.closing["ended"] == "stopped"
    assert 3 <= len(record.steps) < 21


def test_a_screen_that_fails_does_not_stop_the_run(sweep: ReadyRun) -> None:
    def fails() -> None:
        raise RuntimeError("the screen has gone")

    engine = begin_run(sweep, pace="at once", changed=fails)
    engine.start()
    assert engine.join(60)
    assert engine.picture.view.done == 21


def test_nobody_has_to_look_and_nothing_piles_up(sweep: ReadyRun) -> None:
    calls = 0

    def changed() -> None:
        nonlocal calls
        calls += 1

    engine = begin_run(sweep, pace="at once", changed=changed)
    engine.start()
    assert engine.join(60)
    # One picture is held, however many there have been.
    assert engine.picture.number == calls > 100


class FullDisk:
    """Stands in for a record on a medium that fills up."""

    def __init__(self, lines: int) -> None:
        self.left = lines
        self.closed = False

    def take(self, event: Event) -> None:
        self.left -= 1
        if self.left == 0:
            raise RecordError("record.jsonl: cannot be written to: the medium is full")

    def close(self) -> None:
        self.closed = True


class Bug:
    """A job with a mistake in it."""

    finished = False

    def __init__(self, run: SweepRun) -> None:
        self._run = run
        self._steps = 0

    def step(self) -> tuple[Event, ...]:
        self._steps += 1
        if self._steps == 20:
            raise ZeroDivisionError("a mistake")
        events = self._run.step()
        self.finished = self._run.finished
        return events

    def stop(self) -> None:
        self._run.stop()


def engine_of(sweep: ReadyRun, sink: object, make_job) -> EngineThread:  # type: ignore[no-untyped-def]
    clock = VirtualClock()
    setup = Setup(
        bench=sweep.prepared.bench,
        plan=sweep.prepared.resolved,
        make_job=lambda bench: make_job(SweepRun(sweep.prepared.resolved, bench, clock)),
        clock=clock,
        record=sink,  # type: ignore[arg-type]
    )
    return EngineThread(
        open_session=lambda lines, say: Session(setup, lines=lines, write=say),
        view=begin(sweep.prepared.resolved),
        clock=clock,
        changed=nothing,
    )


def test_a_full_disk_stops_and_parks(sweep: ReadyRun) -> None:
    disk = FullDisk(30)
    engine = engine_of(sweep, disk, lambda run: run)
    engine.start()
    assert engine.join(60)
    assert disk.closed
    assert "full" in (engine.picture.error or "")
    assert engine.picture.view.driving is Driving.PARKED
    assert engine.picture.relays is RelayKnowledge.PARKED


def test_a_mistake_in_the_job_parks_and_is_told(sweep: ReadyRun) -> None:
    engine = engine_of(sweep, None, Bug)
    engine.start()
    assert engine.join(60)
    assert "ZeroDivisionError" in (engine.picture.error or "")
    assert engine.picture.relays is RelayKnowledge.PARKED


def test_a_bench_that_cannot_be_opened_is_told(sweep: ReadyRun, workshop: Path) -> None:
    from controller.tui.preparing import ready

    serial = ready(
        workshop / "plans/check.toml", workshop / "benches/serial.toml", sweep.record.parent
    )
    assert serial.prepared.bench.drives_hardware
    engine = begin_run(serial, pace="real", changed=nothing)
    engine.start()
    assert engine.join(60)
    assert "no such port" in (engine.picture.view.fault or "")
    assert not serial.record.exists()


def test_typed_answers_reach_the_run(check: ReadyRun) -> None:
    import time

    engine = begin_run(check, pace="real", changed=nothing, clock=PacedClock(50.0))
    engine.start()
    for text in ("-40", "68F", "80", "130"):
        step = engine.picture.view.done
        deadline = time.monotonic() + 120
        while (
            engine.picture.view.phase is not Phase.ASKING
            or engine.picture.view.prompt is None
            or engine.picture.view.prompt.step_index != step
        ):
            assert time.monotonic() < deadline
            time.sleep(0.005)
        engine.answer(text)
        while engine.picture.view.done == step:
            assert time.monotonic() < deadline
            time.sleep(0.005)
    assert engine.join(30)
    reported = [r.reported_celsius for r in engine.picture.view.results if r is not None]
    assert reported == pytest.approx([-40.0, 20.0, 80.0, 130.0])


def test_a_run_goes_on_where_its_record_ends(sweep: ReadyRun, workshop: Path) -> None:
    from controller.tui.preparing import ready

    engine = begin_run(
        sweep, pace="20x", clock=PacedClock(50.0),
        changed=lambda: engine.stop() if engine.picture.view.done >= 4 else None,
    )  # fmt: skip
    engine.start()
    assert engine.join(60)
    again = ready(workshop / "plans/sweep.toml", None, sweep.record.parent)
    assert again.unfinished is not None
    assert again.unfinished.path == sweep.record
    engine = begin_run(again, pace="at once", changed=nothing, resume=True)
    done = engine.picture.view.done
    assert done == again.unfinished.first_step >= 4
    engine.start()
    assert engine.join(60)
    summary = engine.picture.view.summary
    assert summary is not None
    assert summary.passed + summary.failed + summary.undecided == 21
    assert summary.not_run == 0
    record = load_record(sweep.record)
    assert len(record.steps) == 21
    assert ready(workshop / "plans/sweep.toml", None, sweep.record.parent).unfinished is None


def test_the_record_is_the_command_lines_record(sweep: ReadyRun, tmp_path: Path) -> None:
    from controller.cli.main import main

    engine = begin_run(sweep, pace="at once", changed=nothing)
    engine.start()
    assert engine.join(60)
    other = tmp_path / "cli.jsonl"
    plan = str(sweep.prepared.inputs.plan.path)
    main(["sweep", plan, "--record", str(other), "--pace", "fast", "--json"])
    ours, theirs = load_record(sweep.record), load_record(other)
    assert [line["type"] for line in ours.lines] == [line["type"] for line in theirs.lines]
    assert ours.opening["hashes"] == theirs.opening["hashes"]
    for one, two in zip(ours.steps, theirs.steps, strict=True):
        keys = ("reported_celsius", "verdict", "error_celsius", "settle_s", "elapsed_s")
        assert {key: one[key] for key in keys} == {key: two[key] for key in keys}


def test_a_writer_is_what_the_engine_takes_for_a_sink() -> None:
    assert {"take", "close"} <= set(dir(RecordWriter))
