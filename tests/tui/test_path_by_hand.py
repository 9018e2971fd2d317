"""Values set by hand, one at a time, on simulated benches."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from textual.widgets import Input, OptionList

from controller.tui.dialogs import Ask, PickRecord
from controller.tui.screens.choose import ChooseScreen
from controller.tui.screens.hand import HandScreen
from controller.tui.view import Driving
from controller.tui.widgets.table import RowsTable
from tests.tui.paths import WORKSHOP, focused, lines_of, shown


def test_values_by_hand(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(80, 24)) as pilot:
            await helper.until(
                pilot, lambda: app.screen.query_one("#benches", OptionList).option_count == 4
            )
            app.screen.query_one("#benches", OptionList).focus()
            await pilot.press("down", "h")
            await helper.at(pilot, HandScreen)
            await helper.until(pilot, lambda: app.picture.view.driving is Driving.PARKED)
            await pilot.press(*"20degC")
            await helper.until(pilot, lambda: "3494.7 ohm ±" in shown(app.screen, "#preview"))
            assert "k=2" not in shown(app.screen, "#preview")
            await pilot.press("f9")
            await helper.until(pilot, lambda: "(k=2)" in shown(app.screen, "#preview"))
            assert app.picture.view.driven_ohms is None  # shown before it is applied
            await pilot.press("enter")
            await helper.until(pilot, lambda: app.picture.view.driven_ohms is not None)
            assert app.picture.view.driven_ohms == pytest.approx(3494.7, abs=0.1)
            await pilot.press("up")
            await helper.until(pilot, lambda: app.screen.query_one(Input).value == "20.5degC")
            await pilot.press("ctrl+u", *"open", "enter")
            await helper.at(pilot, Ask)
            await helper.until(pilot, lambda: focused(app, "no"))
            await pilot.press("enter")  # the default is the safe answer
            await helper.at(pilot, HandScreen)
            await pilot.pause(0.2)
            assert app.picture.view.driven_ohms == pytest.approx(3494.7, abs=0.1)
            await pilot.press("tab")
            await helper.until(pilot, lambda: app.screen.query_one(RowsTable).has_focus)
            await pilot.press("down", "down", "enter")
            await helper.at(pilot, Ask)
            before = app.picture.view.relay_state
            await pilot.press("y")
            await helper.until(pilot, lambda: app.picture.view.set_state == before ^ 0b100)
            await pilot.press("escape")
            await helper.at(pilot, ChooseScreen)
            await helper.until(pilot, lambda: not app.driving)
            assert app.picture.view.driving is Driving.PARKED
            assert app.mistakes == []

    helper.run(body())


def test_extremes_by_hand_say_what_they_are(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(80, 24)) as pilot:
            app.by_hand(helper.folder / "benches/corroded.toml")
            await helper.at(pilot, HandScreen)
            await helper.until(pilot, lambda: app.picture.view.driving is Driving.PARKED)
            await pilot.press(*"short")
            await helper.until(pilot, lambda: "A short circuit draws" in shown(app.screen))
            await pilot.press("enter")
            await helper.at(pilot, Ask)
            await helper.until(pilot, lambda: "A short circuit draws" in shown(app.screen))
            # 5 V behind 2490 ohm: U / R = 2.01 mA and, matched, U^2 / 4R = 2.51 mW (Ohm's law).
            assert "2.01 mA" in shown(app.screen)
            assert "2.51 mW" in shown(app.screen)
            await pilot.press("y")
            await helper.until(pilot, lambda: app.picture.view.driving is Driving.DRIVEN)
            await helper.until(pilot, lambda: "2.01 mA" in shown(app.screen, "#now"))
            await pilot.press(*"open", "enter")
            await helper.at(pilot, Ask)
            await pilot.press("y")
            await helper.until(pilot, lambda: app.picture.view.set_state == 0)
            await helper.until(pilot, lambda: "an open circuit" in shown(app.screen, "#now"))
            assert "mA" not in shown(app.screen, "#now")
            await pilot.press("escape")
            await helper.until(pilot, lambda: not app.driving)
            assert app.mistakes == []

    helper.run(body())


@pytest.mark.parametrize("bench", [None, "benches/serial.toml"])
def test_by_hand_takes_the_sensor_of_the_marked_plan(
    workshop: Path, tmp_path: Path, bench: str | None
) -> None:
    from controller.tui.preparing import prepare_bench

    root = WORKSHOP.parents[2]
    sensor = root / "sweeps/sensors/tern-exhaust-pt1000.toml"
    plan = tmp_path / "check.toml"
    plan.write_text(
        (workshop / "plans/check.toml")
        .read_text()
        .replace("../../../../sweeps/sensors/tern-coolant.toml", str(sensor))
        .replace("../../../../sweeps", f"{root}/sweeps")
        .replace("../benches", f"{workshop}/benches")
    )
    found = prepare_bench(None if bench is None else workshop / bench, plan)
    assert found.sensor is not None
    # IEC 60751:2022, table 1: a platinum element of 1000 ohm has 1155.4 ohm at 40 degC.
    assert found.finder.find("40degC", 0).ohms == pytest.approx(1155.4, abs=1.0)
    assert found.module is not None
    assert found.module.short_circuit_amperes == pytest.approx(5.0 / 2490.0)  # Ohm's law
    assert (found.bench.name == "Serial ladder") == (bench is not None)


def test_by_hand_names_the_sensor_and_lets_another_be_chosen(helper, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    root = WORKSHOP.parents[2]
    helper.folder = tmp_path / "w"
    shutil.copytree(WORKSHOP, helper.folder)
    for path in helper.folder.glob("*/*.toml"):
        path.write_text(path.read_text().replace("../../../../sweeps", f"{root}/sweeps"))
    shutil.copy(root / "sweeps/sensors/tern-exhaust-pt1000.toml", helper.folder)

    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(140, 45)) as pilot:
            await helper.until(pilot, lambda: len(lines_of(app, "plans")) == 2)
            await pilot.press("h")
            await helper.at(pilot, HandScreen)
            await helper.until(pilot, lambda: app.picture.view.driving is Driving.PARKED)
            assert "sensor: Tern coolant sensor" in shown(app.screen, "#headline")
            await pilot.press(*"40degC")
            await helper.until(pilot, lambda: "would make 149" in shown(app.screen, "#preview"))
            await pilot.press("f4")
            await helper.at(pilot, PickRecord)
            await pilot.press("enter")
            await helper.until(pilot, lambda: "exhaust" in shown(app.screen, "#headline"))
            # IEC 60751:2022, table 1: a platinum element of 1000 ohm has 1155.4 ohm at 40 degC.
            await helper.until(pilot, lambda: "would make 1155." in shown(app.screen, "#preview"))
            await pilot.press("escape")
            await helper.until(pilot, lambda: not app.driving)
            assert app.mistakes == []

    helper.run(body())
