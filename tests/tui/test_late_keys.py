"""A key that is pressed as a step ends: it acts on what was on the screen, or says it was late."""

from __future__ import annotations

from dataclasses import replace

from controller.clock import VirtualClock
from controller.run.model import Reason
from controller.tui.screens.ready import ReadyScreen
from controller.tui.screens.run import RunScreen


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
