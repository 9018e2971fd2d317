"""A technician's way through a check whose readings are typed, on simulated benches."""

from __future__ import annotations

import pytest
from textual.widgets import Input

from controller.errors import RelayKnowledge
from controller.records.reader import load_record
from controller.tui.scale import Scale
from controller.tui.view import Phase
from controller.tui.widgets.table import RowsTable
from tests.tui.paths import answer, focused, shown, start, to_ready


@pytest.mark.parametrize("size", [(80, 24), pytest.param((140, 45), marks=pytest.mark.soak)])
def test_the_technicians_check(helper, size) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=size) as pilot:
            await to_ready(helper, pilot, 0)
            told = shown(app.screen)
            assert "2.01 mA" in told
            assert "-40.0 degC" in told
            assert "130.0 degC" in told
            await start(helper, pilot, asks=True)
            await helper.until(pilot, lambda: focused(app, "reading"))
            await answer(helper, pilot, 0, "-40")
            await answer(helper, pilot, 1, "68F")
            await helper.until(
                pilot, lambda: "step 2, 20.0 degC: reported 20.0" in shown(app.screen)
            )
            await answer(helper, pilot, 2, "70")  # too cold: a doubtful step
            # A wish about a step counts from the moment that step has begun.
            await helper.open_question(pilot, 3)
            await pilot.press("f4")  # repeat the one before
            await helper.until(pilot, lambda: app.picture.view.attempt == 2)
            await answer(helper, pilot, 2, "80")
            await answer(helper, pilot, 3, "130")
            await helper.until(pilot, lambda: not app.driving)
            await helper.until(pilot, lambda: "PASS" in shown(app.screen, "#ending"))
            assert app.picture.relays is RelayKnowledge.PARKED
            record = load_record(app.record_path)
            assert record.closing is not None
            assert record.closing["verdict"] == "pass"
            assert app.mistakes == []

    helper.run(body())


def test_a_reading_that_would_end_a_run_in_doubt_is_asked_about_once(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(80, 24)) as pilot:
            await to_ready(helper, pilot, 0)
            await start(helper, pilot, asks=True)
            for step, text in enumerate(("-40", "20", "80")):
                await answer(helper, pilot, step, text)
            await answer(helper, pilot, 3, "100")
            await helper.until(pilot, lambda: "Enter once more" in shown(app.screen, "#said"))
            assert app.screen.query_one("#reading", Input).value == "100C"
            assert app.driving
            await pilot.press("enter")
            await helper.until(pilot, lambda: not app.driving)
            await helper.until(pilot, lambda: "FAIL" in shown(app.screen, "#ending"))

    helper.run(body())


def test_an_implausible_reading_has_to_be_confirmed(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(80, 24)) as pilot:
            await to_ready(helper, pilot, 0)
            await start(helper, pilot, asks=True)
            await answer(helper, pilot, 0, "500")
            await helper.until(pilot, lambda: "outside" in shown(app.screen, "#said"))
            assert app.picture.view.done == 0
            await pilot.press("minus", "4", "0", "enter")
            await helper.until(pilot, lambda: app.picture.view.done == 1)
            await pilot.press("f12")
            await helper.until(pilot, lambda: not app.driving)

    helper.run(body())


def test_a_click_takes_no_key_from_the_question(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(80, 24)) as pilot:
            await to_ready(helper, pilot, 0)
            await start(helper, pilot, asks=True)
            await helper.until(pilot, lambda: "Step 1 of" in shown(app.screen, "#question"))
            field = app.screen.query_one("#reading", Input)
            for place in ("#steps", "#headline", "#question"):
                await pilot.click(place)
                await pilot.press(*"stop")
                await helper.until(pilot, lambda: field.value == "stop")
                assert app.picture.view.done == 0
                assert app.picture.view.phase is Phase.ASKING
                await pilot.press("ctrl+u")
            app.screen.set_focus(None)
            await pilot.press("minus", *"40")
            await helper.until(pilot, lambda: field.value == "-40")
            app.screen.set_focus(None)  # each question takes the focus back
            app.engine.answer("-40C")
            await helper.until(pilot, lambda: "Step 2 of" in shown(app.screen, "#question"))
            await helper.until(pilot, lambda: focused(app, "reading"))
            await pilot.press("f12")
            await helper.until(pilot, lambda: not app.driving)
            assert app.mistakes == []

    helper.run(body())


def test_fahrenheit_holds_from_prompt_to_record(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast())
        app.scale = Scale.FAHRENHEIT
        async with app.run_test(size=(140, 45)) as pilot:
            await to_ready(helper, pilot, 0)
            # NIST SP 811 (2008), appendix B.8: t/degF = 1.8 t/degC + 32; -40 is the same on both.
            assert "reports 266.0 degF" in shown(app.screen)  # 130 degC
            assert "degC" not in shown(app.screen)
            await start(helper, pilot, asks=True)
            await answer(helper, pilot, 0, "-40")
            await helper.until(pilot, lambda: "68.0 degF" in shown(app.screen, "#question"))
            field = app.screen.query_one("#reading", Input)
            assert field.placeholder == "what it shows, degF"
            await answer(helper, pilot, 1, "68")
            await helper.until(pilot, lambda: app.picture.view.done == 2)
            table = app.screen.query_one("#steps", RowsTable)
            drawn = "\n".join(table.render_line(y).text for y in range(6))
            assert "68.0" in drawn
            assert "20.0" not in drawn
            assert "target F" in drawn
            title = app.screen.query_one("#curve").border_title
            assert title.startswith("curve: ohm (log) over degF")
            await helper.until(pilot, lambda: "Step 3 of" in shown(app.screen, "#question"))
            await pilot.press("f8")  # the tool shows degC after all
            await helper.until(pilot, lambda: "80.0 degC" in shown(app.screen, "#question"))
            await answer(helper, pilot, 2, "80")
            await helper.until(pilot, lambda: app.picture.view.done == 3)
            await helper.until(pilot, lambda: "Step 4 of" in shown(app.screen, "#question"))
            await pilot.press("f8")
            await answer(helper, pilot, 3, "266")
            await helper.until(pilot, lambda: not app.driving)
            await helper.until(pilot, lambda: "PASS" in shown(app.screen, "#ending"))
            steps = [line for line in load_record(app.record_path).lines if line["type"] == "step"]
            assert [line["reported_celsius"] for line in steps] == pytest.approx(
                [-40.0, 20.0, 80.0, 130.0]
            )
            assert app.mistakes == []

    helper.run(body())


def test_the_option_for_fahrenheit_reaches_the_screen(monkeypatch: pytest.MonkeyPatch) -> None:
    from types import SimpleNamespace

    from controller.cli import verb_ui
    from controller.cli.output import Output
    from controller.tui import app as screen

    seen: list[Scale] = []
    monkeypatch.setattr(screen, "run", lambda app: seen.append(app.scale) or 0)
    terminal = SimpleNamespace(isatty=lambda: True)
    monkeypatch.setattr(verb_ui, "sys", SimpleNamespace(stdin=terminal, stdout=terminal))
    arguments = SimpleNamespace(ascii=False, look=None, folder=None)
    for fahrenheit in (False, True):
        assert verb_ui.run(arguments, Output(fahrenheit=fahrenheit)) == 0
    assert seen == [Scale.CELSIUS, Scale.FAHRENHEIT]
