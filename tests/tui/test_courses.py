"""Profiles and searches on the screen: the same end as on the command line, and a key for a fan."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from controller.cli.main import main
from controller.clock import VirtualClock
from controller.records.reader import load_record
from controller.tui.course import left_s, progress
from controller.tui.dialogs import Ask
from controller.tui.preparing import begin_run, ready
from controller.tui.scale import Scale
from controller.tui.screens.choose import ChooseScreen
from controller.tui.screens.ready import ReadyScreen
from controller.tui.screens.run import RunScreen
from controller.tui.step_rows import columns_for, row_of
from controller.tui.widgets.answer import AnswerBox

SWEEPS = Path(__file__).parents[2] / "sweeps"

TYPED = """
format = "rungwise-bench/1"
name = "Harbour workshop, somebody watches the fan"
ladder = "{sweeps}/ladders/bench-mixed.toml"
[link]
kind = "{link}"
{port}
[readback]
kind = "typed"
[simulation]
module = "{sweeps}/modules/tern-fan.toml"
"""


def typed_bench(folder: Path, *, link: str = "simulated", port: str = "") -> Path:
    path = folder / f"typed-{link}.toml"
    text = TYPED.format(sweeps=SWEEPS, link=link, port=port)
    if link != "simulated":
        text = text[: text.index("[simulation]")]
    path.write_text(text, encoding="utf-8")
    return path


def run_by_command(plan: Path, record: Path, capsys: pytest.CaptureFixture[str]) -> dict:
    verb = "seek" if "seek" in plan.name else "sweep"
    main([verb, str(plan), "--record", str(record), "--json"])
    return json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("name", ["fan-seek", "code-seek", "warm-up"])
def test_a_course_ends_on_the_screen_as_on_the_command_line(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same sentence, looks, points and times, from the job and not from one another."""
    plan = SWEEPS / f"{name}.toml"
    (tmp_path / "runs").mkdir()
    run = ready(plan, None, tmp_path / "runs")
    engine = begin_run(run, pace="at once", changed=lambda: None)
    engine.start()
    assert engine.join(120)
    view = engine.picture.view
    told = run_by_command(plan, tmp_path / "command.jsonl", capsys)
    assert engine.picture.error is None
    assert view.summary is not None
    assert view.summary.sentence == told["sentence"]
    assert view.summary.verdict.value == told["verdict"]
    assert [(one.step_index, one.seen) for one in view.course.looks] == [
        (one["step"], one["seen"]) for one in told.get("looks", [])
    ]
    assert [point.found for point in view.course.points] == [
        one["found"] for one in told.get("points", [])
    ]
    assert [(one.step_index, one.late) for one in view.course.timed] == [
        (one["step"], one["late"]) for one in told.get("timing", [])
    ]
    assert bool(view.course.looks) != bool(view.course.timed)
    assert load_record(run.record).closing["sentence"] == told["sentence"]


@pytest.mark.parametrize("name", ["fan-seek", "warm-up"])
def test_the_table_and_the_line_of_progress_fit_80_columns(name: str, tmp_path: Path) -> None:
    (tmp_path / "runs").mkdir()
    run = ready(SWEEPS / f"{name}.toml", None, tmp_path / "runs")
    engine = begin_run(run, pace="at once", changed=lambda: None)
    before = engine.picture.view
    engine.start()
    assert engine.join(120)
    view = engine.picture.view
    for scale in Scale:
        columns = columns_for(run.prepared.resolved, scale, details=False, room=78)
        assert sum(column.width + 1 for column in columns) - 1 <= 78
        rows = [row_of(view, index, columns, scale).cells for index in range(view.total)]
        assert all(
            len(cell) <= column.width
            for cells in rows
            for cell, column in zip(cells, columns, strict=True)
        )
    _, words = progress(view)
    if name == "fan-seek":
        assert words[0] == f"{len(view.course.looks)} looks"
        assert left_s(before) is left_s(view) is None
        seen = {one.step_index: one.seen for one in view.course.looks}
        for index, cells in enumerate(rows):
            want = {True: "● changed", False: "○ as before", None: ""}[seen.get(index)]
            assert cells[-1] == want
    else:
        assert words[0] == "63 of 63 set, 0 late"
        # sweeps/warm-up.toml: the last step is due at 680 s of the profile's own time.
        assert left_s(before) == run.prepared.resolved.steps[-1].planned_s == 680.0


def test_late_steps_are_named_with_their_times(tmp_path: Path) -> None:
    """A ladder so slow that it cannot keep up."""
    from controller.run.events import StepTimed
    from controller.tui.course import late_parts
    from controller.tui.view import after, begin

    run = ready(SWEEPS / "warm-up.toml", None, tmp_path)
    view = begin(run.prepared.resolved)
    for index in range(8):
        late = index > 0
        view = after(
            view,
            StepTimed(
                at_s=index * 10.0,
                step_index=index,
                planned_s=index * 10.0,
                set_s=index * 10.0 + 0.5 * late,
                late=late,
            ),
        )
    told = [part.text for part in late_parts(view)]
    assert told[0] == "? step 2 was due at 10.00 s and set at 10.50 s: 0.50 s late"
    assert told[-1] == "? and 2 more late steps"
    assert progress(view)[1][0] == "8 of 63 set, 7 late"


def test_a_key_tells_of_the_fan_and_the_search_goes_both_ways(helper, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    """The fan is a person here, who sees it start at 94.2 degC and stop at 88.7 degC."""
    bench = typed_bench(tmp_path)
    run = ready(SWEEPS / "fan-seek.toml", bench, tmp_path)

    async def body() -> None:
        clock = helper.fast(60.0)
        app = helper.app(clock=clock)
        clock.waits = lambda: False  # somebody answers soon
        async with app.run_test(size=(80, 24)) as pilot:
            await app.push_screen(ReadyScreen(run))
            await pilot.pause()
            assert "hands, hair, sleeves" in " ".join(helper.drawn(pilot).split())
            await pilot.press("s")
            await helper.at(pilot, RunScreen)
            box = app.screen.query_one(AnswerBox)
            running, looked, early = False, 0, False
            while looked < 60:
                await helper.until(
                    pilot, lambda: box.open_token is not None or not app.engine.alive
                )
                if not app.engine.alive:
                    break
                view = app.picture.view
                if view.prompt is None or view.prompt.token != box.open_token:
                    continue
                celsius = view.step.achieved_celsius
                now = celsius >= 94.2 if not running else celsius > 88.7
                if now == running and app.engine.clock.now_s() < view.set_at_s + 5.5:
                    if not early and looked:
                        early = True  # once: it is asked again, and says why
                        await pilot.press("n")
                        await helper.until(pilot, lambda: "too early" in helper.drawn(pilot))
                    await pilot.pause(0.02)
                    continue
                if not now and running:
                    await helper.until(
                        pilot,
                        lambda at=view.set_at_s: app.engine.clock.now_s() > at + 5.5,
                    )
                running = now
                await pilot.press("y" if running else "n")  # without Enter
                looked += 1
            await helper.until(pilot, lambda: not app.driving)
            points = app.picture.view.course.points
            assert len(points) == 3
            there, back, _ = points
            assert there.low_celsius < 94.2 <= there.high_celsius
            assert back.low_celsius <= 88.7 < back.high_celsius
            await helper.until(pilot, lambda: "✓ PASS" in helper.drawn(pilot))
            assert "hysteresis between" in " ".join(helper.drawn(pilot).split())
            assert app.mistakes == []

    helper.run(body())


def test_a_search_on_real_relays_has_its_caution_first_and_no_key_that_skips(  # type: ignore[no-untyped-def]
    helper, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = typed_bench(tmp_path, link="serial", port='url = "/dev/null"')
    run = ready(SWEEPS / "fan-seek.toml", bench, tmp_path)

    async def body() -> None:
        app = helper.app(clock=VirtualClock())
        async with app.run_test(size=(80, 24)) as pilot:
            await app.push_screen(ReadyScreen(run))
            app.start_run(run, pace="real", resume=False)
            await helper.at(pilot, Ask)
            said = " ".join(re.sub(r"[┃▔▁]", " ", helper.drawn(pilot)).split())
            assert said.index("This search goes on until") < said.index("Engine off")
            await pilot.press("n")
            await helper.at(pilot, ReadyScreen)
            assert app.engine is None
            screen = RunScreen(run, begin_run(
                ready(SWEEPS / "fan-seek.toml", None, tmp_path), pace="at once",
                changed=app.engine_changed,
            ))  # fmt: skip
            for action in ("skip", "back", "redo", "nudge"):
                assert screen.check_action(action, ()) is False
            for action in ("pause", "note"):
                assert screen.check_action(action, ()) is True

    helper.run(body())


def test_the_first_screen_says_what_is_looked_for(helper) -> None:  # type: ignore[no-untyped-def]
    from controller.tui.remembered import Remembered
    from controller.tui.screens.about import about_plan
    from controller.tui.workshop import Found

    found = Found(path=SWEEPS / "fan-seek.toml", name="fan-seek", changed_s=0.0)
    told = [p.text for p in about_plan(found, None, Remembered(), scale=Scale.FAHRENHEIT)]
    assert "threshold: where the fan changes, 176 degF to 230 degF" in told
    assert not any("limit" in one for one in told)
    assert ChooseScreen is not None
