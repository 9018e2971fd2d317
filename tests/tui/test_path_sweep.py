"""A bench builder's way: a sweep that reads by itself, paused, nudged, gone through again."""

from __future__ import annotations

import pytest
from textual.widgets import Input

from controller.records.reader import load_record
from controller.records.replay import replay
from controller.run.model import Reason
from controller.tui.screens.run import RunScreen
from controller.tui.screens.said import SaidForm
from controller.tui.view import Driving, Phase
from tests.tui.paths import answer, shown, start, to_ready


@pytest.mark.parametrize("size", [(80, 24), pytest.param((140, 45), marks=pytest.mark.soak)])
def test_the_bench_builders_sweep(helper, size) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast(15.0))
        async with app.run_test(size=size) as pilot:
            await to_ready(helper, pilot, 1)
            await start(helper, pilot, asks=False)
            await helper.until(pilot, lambda: app.picture.view.done >= 2)
            await pilot.press("p")
            await helper.until(pilot, lambda: app.picture.view.phase is Phase.PAUSED)
            held = app.picture.view.done
            await pilot.pause(0.3)
            assert app.picture.view.done == held
            assert app.picture.view.driving is Driving.DRIVEN
            await helper.until(pilot, lambda: "PAUSED" in shown(app.screen, "#headline"))
            await pilot.press("f3", "p")  # skip it and go on
            await helper.until(pilot, lambda: app.picture.view.done > held)
            app.clock.speed = 1000.0
            for _ in range(3):
                await pilot.press("v")
            await helper.until(pilot, lambda: not app.driving)
            await helper.until(pilot, lambda: "series" in shown(app.screen, "#ending"))
            ending = shown(app.screen, "#ending")
            assert "FAIL" in ending
            assert "Look first at" in ending
            assert app.picture.view.done == 21
            skipped = [r for r in app.picture.view.results if r is not None and r.reason]
            assert [r.reason for r in skipped] == [Reason.SKIPPED]
            await pilot.press("w")
            await helper.at(pilot, SaidForm)
            await pilot.press(*"P0118", "enter", *"wet plug", "enter")
            await helper.at(pilot, RunScreen)
            await helper.until(pilot, lambda: "Report: " in shown(app.screen, "#ending"))
            page = app.record_path.with_suffix(".html").read_text(encoding="utf-8")
            assert load_record(app.record_path).tail_hash in page
            assert "P0118" in page
            assert "wet plug" in page
            await pilot.press("w")
            await helper.until(pilot, lambda: "exists already" in shown(app.screen, "#ending"))
            assert app.mistakes == []

    helper.run(body())


def test_a_nudge_beside_a_step_is_no_reading(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(80, 24)) as pilot:
            await to_ready(helper, pilot, 0)
            await start(helper, pilot, asks=True)
            await helper.open_question(pilot, 0)
            await pilot.press("ctrl+up")  # an open circuit has nothing beside it
            await helper.until(
                pilot, lambda: any("nothing beside" in n.message for n in app._notifications)
            )
            await answer(helper, pilot, 0, "-40")
            await helper.open_question(pilot, 1)
            home = app.picture.view.set_state
            await pilot.press("1", "ctrl+up")
            await helper.until(pilot, lambda: "20.5 degC" in app.picture.view.nudged)
            assert app.picture.view.set_state != home
            await helper.until(pilot, lambda: "no reading counts" in shown(app.screen, "#question"))
            assert "nudged" in shown(app.screen, "StatusLine")
            assert app.screen.query_one("#reading", Input).value == ""
            await pilot.press(*"99", "enter")  # nobody asks for one here
            await helper.until(pilot, lambda: "not taken" in shown(app.screen, "#said"))
            await pilot.press("ctrl+up")
            await helper.until(pilot, lambda: "21.0 degC" in app.picture.view.nudged)
            await pilot.press("f5")
            await helper.open_question(pilot, 1)
            assert app.picture.view.set_state == home
            assert app.picture.view.nudged == ""
            for step, text in enumerate(("20", "80", "130"), start=1):
                await answer(helper, pilot, step, text)
            await helper.until(pilot, lambda: not app.driving)
            await helper.until(pilot, lambda: "PASS" in shown(app.screen, "#ending"))
            assert app.mistakes == []
        record = load_record(app.record_path)
        told = [one["text"] for one in record.lines if one["type"] == "note"]
        assert [text[:20] for text in told if "nudged" in text] == ["nudged beside step 2"] * 2
        again = replay(record)
        assert again.differences == ()
        assert record.closing["verdict"] == "pass"

    helper.run(body())


def test_a_sweep_is_nudged_while_it_runs_and_while_it_is_paused(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast(5.0))
        async with app.run_test(size=(80, 24)) as pilot:
            await to_ready(helper, pilot, 1)
            await start(helper, pilot, asks=False)
            await helper.until(pilot, lambda: app.picture.view.done >= 1)
            for paused in (False, True):
                while paused:
                    await pilot.press("p")
                    await helper.until(pilot, lambda: app.picture.view.phase is Phase.PAUSED)
                    if app.picture.view.set_at_s is not None:
                        break  # else it holds still half-way, where nothing can be nudged
                    await helper.until(pilot, lambda: "PAUSED" in shown(app.screen, "#headline"))
                    await pilot.press("p")
                    await helper.until(
                        pilot, lambda: "PAUSED" not in shown(app.screen, "#headline")
                    )
                for _ in range(20):  # where the relays just move, a person presses again
                    await pilot.press("ctrl+down")
                    await helper.until(
                        pilot,
                        lambda: (
                            app.picture.view.phase is Phase.NUDGED
                            or any("relays move" in one.message for one in app._notifications)
                        ),
                    )
                    if app.picture.view.phase is Phase.NUDGED:
                        break
                    app.clear_notifications()
                await helper.until(pilot, lambda: app.picture.view.phase is Phase.NUDGED)
                await helper.until(pilot, lambda: "NUDGED" in shown(app.screen, "#headline"))
                step, done = app.picture.view.step, app.picture.view.done
                await pilot.press("f5")
                await helper.until(pilot, lambda done=done: app.picture.view.done > done)
                assert app.picture.view.results[step.index].attempt >= 2
            app.clock.speed = 1000.0
            await helper.until(pilot, lambda: not app.driving)
            assert app.picture.view.done == 21
            assert app.mistakes == []
        assert replay(load_record(app.record_path)).recorded[-1].step.index == 20

    helper.run(body())


def test_no_single_letter_loses_a_step(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast(5.0))
        async with app.run_test(size=(80, 24)) as pilot:
            await to_ready(helper, pilot, 1)
            await start(helper, pilot, asks=False)
            await helper.until(pilot, lambda: app.picture.view.driving is Driving.DRIVEN)
            asked: list[str] = []
            for wish in ("skip", "back", "redo", "stop"):
                setattr(app.engine.job, wish, lambda _about=None, wish=wish: asked.append(wish))
            await pilot.press(*"abcdefghijklmnopqrstuvwxyz")
            assert asked == []
            await pilot.press("f3")
            assert asked == ["skip"]
            for wish in ("skip", "back", "redo", "stop"):
                delattr(app.engine.job, wish)
            await pilot.press("f12")
            await helper.until(pilot, lambda: not app.driving)

    helper.run(body())


def test_a_live_resize_keeps_everything_in_sight(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(80, 24)) as pilot:
            await to_ready(helper, pilot, 0)
            await start(helper, pilot, asks=True)
            for size in ((140, 45), (60, 20), (80, 24)):
                await pilot.resize_terminal(*size)
                await pilot.pause(0.2)
                for selector in ("StatusLine", "#reading", "#question"):
                    region = app.screen.query_one(selector).region
                    assert region.height > 0
                    assert region.bottom <= size[1]
            assert app.screen.query_one("#plots").display is False
            await pilot.resize_terminal(140, 45)
            await helper.until(pilot, lambda: app.screen.query_one("#plots").display)
            await pilot.press("f12")
            await helper.until(pilot, lambda: not app.driving)
            assert app.mistakes == []

    helper.run(body())
