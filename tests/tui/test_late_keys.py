"""A key that is pressed as a step ends: it acts on what was on the screen, or says it was late."""

from __future__ import annotations

from dataclasses import replace

from controller.clock import VirtualClock
from controller.run.model import Reason
from controller.tui.engine_thread import EngineThread
from controller.tui.screens.ready import ReadyScreen
from controller.tui.screens.run import RunScreen
from controller.tui.view import Phase, RunView


class Behind:
    """An engine whose newest picture is an old one."""

    def __init__(self, engine: EngineThread, view: RunView) -> None:
        self._engine = engine
        self.picture = replace(engine.picture, view=view)

    def __getattr__(self, name: str) -> object:
        return getattr(self._engine, name)


def test_a_key_for_a_step_that_is_over_says_so_and_leaves_the_next_alone(helper, sweep) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast(20.0))
        async with app.run_test(size=(100, 30)) as pilot:
            await app.push_screen(ReadyScreen(sweep))
            await pilot.press("s")
            await helper.at(pilot, RunScreen)
            screen = app.screen
            await helper.until(pilot, lambda: app.picture.view.done >= 2)
            # The screen as it was a moment ago: at a step that is over.
            view = app.picture.view
            screen._shown = replace(view, step=view.plan.steps[0], attempt=1)
            screen.action_skip()
            await helper.until(pilot, lambda: app.picture.view.refusals)
            await helper.until(
                pilot, lambda: any("too late" in one.message for one in app._notifications)
            )
            screen.action_skip()  # of the step that is on the screen now
            await helper.until(
                pilot,
                lambda: (
                    any(
                        r is not None and r.reason is Reason.SKIPPED
                        for r in app.picture.view.results
                    )
                    or len(app.picture.view.refusals) > 1
                ),
            )
            skipped = [
                r.step.index for r in app.picture.view.results if r and r.reason is Reason.SKIPPED
            ]
            assert len(skipped) + len(app.picture.view.refusals) == 2
            assert 0 not in skipped
            await pilot.press("f12")
            await helper.until(pilot, lambda: not app.driving)

    helper.run(body())


def test_a_key_after_the_last_step_says_so(helper, check) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=VirtualClock())
        async with app.run_test(size=(100, 30)) as pilot:
            await app.push_screen(ReadyScreen(check))
            app.start_run(check, pace="real", resume=False)
            await helper.until(pilot, lambda: len(app.screen_stack) > 2)
            await pilot.press("y")
            await helper.at(pilot, RunScreen)
            await helper.open_question(pilot, 0)
            screen = app.screen
            before = screen._shown
            await pilot.press("f12")
            await helper.until(pilot, lambda: not app.driving)
            screen._shown = before  # the end has not been shown yet
            screen._wish(lambda run, about: run.redo(about))
            await helper.until(
                pilot, lambda: any("run is over" in one.message for one in app._notifications)
            )

    helper.run(body())


def test_a_nudge_that_is_refused_twice_in_a_row_leaves_no_run_paused(helper, sweep) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast(5.0))
        async with app.run_test(size=(100, 30)) as pilot:
            await app.push_screen(ReadyScreen(sweep))
            await pilot.press("s")
            await helper.at(pilot, RunScreen)
            await helper.until(pilot, lambda: app.picture.view.done >= 1)
            # The picture of the pause for the first nudge, refused as the relays moved, is still
            # the newest when the second is asked for.
            screen, engine = app.screen, app.engine
            late = replace(app.picture.view, phase=Phase.PAUSED, set_at_s=None)
            screen._engine = Behind(engine, late)
            screen.action_nudge(-1)
            await helper.until(
                pilot, lambda: any("relays move" in one.message for one in app._notifications)
            )
            screen._engine = engine
            app.clock.speed = 1000.0
            await helper.until(pilot, lambda: not app.driving)
            assert app.picture.view.done == 21
            assert app.mistakes == []

    helper.run(body())
