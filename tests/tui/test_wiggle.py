"""The wiggle check on the screen: value, stillness, jumps with a bell, one sentence at the end."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from textual.widgets import Input

from controller.bench.simulation import Simulation
from controller.module.model import ModuleReport
from controller.tui.screens.choose import ChooseScreen
from controller.tui.screens.wiggle import WiggleScreen
from controller.tui.widgets.lines import StatusLine

ROOT = Path(__file__).parents[2]
METERED = ROOT / "sweeps" / "benches" / "simulated-metered.toml"


def watched(screen: object) -> str:
    return str(screen.query_one("#watched").content)  # type: ignore[attr-defined]


async def held(helper, pilot, bench: Path | None) -> WiggleScreen:  # type: ignore[no-untyped-def]
    """Begin to hold 20 degC, and wait until jumps count."""
    screen = WiggleScreen(bench, None)
    await pilot.app.push_screen(screen)
    await pilot.press("enter")
    await helper.until(pilot, lambda: "now move connector and harness" in watched(screen))
    return screen


def test_a_still_reading_ends_in_a_sentence_without_jumps(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(80, 24)) as pilot:
            screen = await held(helper, pilot, METERED)
            await helper.until(pilot, lambda: app.engine.job.watched_s > 12)
            await pilot.press("enter")
            await helper.until(pilot, lambda: not app.engine.alive)
            await helper.until(pilot, lambda: "No jump in" in watched(screen))
            assert "the ladder is parked" in watched(screen)
            assert "PASS" in watched(screen).upper()

    helper.run(body())


def test_jumps_are_counted_and_rung_as_they_come(helper, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    """Once it is watched, a reading that is 25 degC off for half a second in every six."""
    sound = Simulation.report
    touched: list[bool] = []

    def loose(self: Simulation) -> ModuleReport:
        report = sound(self)
        if touched and self._clock.now_s() % 6 < 0.6:
            return replace(report, celsius=report.celsius + 25)
        return report

    monkeypatch.setattr(Simulation, "report", loose)

    async def body() -> None:
        app = helper.app(clock=helper.fast(20.0))
        rung: list[bool] = []
        app.ring = lambda: rung.append(True)
        async with app.run_test(size=(80, 24)) as pilot:
            screen = await held(helper, pilot, METERED)
            touched.append(True)
            await helper.until(pilot, lambda: app.engine.job.jumps >= 2)
            await helper.until(pilot, lambda: "jump 1: 45 degC from 20" in watched(screen))
            await pilot.press("enter")
            await helper.until(pilot, lambda: "The reading jumped" in watched(screen))
            assert len(rung) >= 1
            assert "FAIL" in watched(screen).upper()
            assert "look at what was moved just then" in watched(screen)

    helper.run(body())


def test_typed_readings_are_refused_in_words(helper, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(80, 24)) as pilot:
            screen = WiggleScreen(helper.folder / "benches" / "typed.toml", None)
            await app.push_screen(screen)
            await pilot.press("enter")
            await helper.until(pilot, lambda: "too slow for this" in watched(screen))
            assert "Nothing was driven." in watched(screen)
            assert app.engine is None

    helper.run(body())


def test_the_cautions_come_before_real_relays(helper, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    folder = tmp_path / "harbour"
    shutil.copytree(ROOT / "sweeps", folder)
    bench = folder / "benches" / "real.toml"
    text = (folder / "benches" / "serial-example.toml").read_text(encoding="utf-8")
    bench.write_text(f"{text}\n[sense]\nload_ohms = 1e7\n", encoding="utf-8")

    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(80, 24)) as pilot:
            screen = WiggleScreen(bench, None)
            await app.push_screen(screen)
            screen.query_one(Input).value = "2.5k"
            await pilot.press("enter")
            await helper.until(pilot, lambda: app.screen is not screen or "✗" in watched(screen))
            assert app.screen is not screen, watched(screen)
            await pilot.press("escape")
            await helper.until(pilot, lambda: app.screen is screen)
            assert app.engine is None

    helper.run(body())


def test_esc_parks_and_goes_back(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(80, 24)) as pilot:
            await held(helper, pilot, METERED)
            await pilot.press("escape")
            await helper.until(pilot, lambda: not app.engine.alive)
            await helper.until(pilot, lambda: isinstance(app.screen, ChooseScreen))
            assert app.picture.relays.value == "the ladder is parked"

    helper.run(body())


@pytest.mark.parametrize("size", [(80, 24), (140, 45)])
def test_the_first_screen_leads_there(helper, size: tuple[int, int]) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=size) as pilot:
            await helper.until(pilot, lambda: app.screen.query("#plans OptionList, #plans"))
            await pilot.press("w")
            await helper.until(pilot, lambda: isinstance(app.screen, WiggleScreen))
            await helper.until(pilot, lambda: "Reach for nothing" in watched(app.screen))
            assert app.screen.query_one(Input).value == "20degC"
            status = app.screen.query_one(StatusLine).region
            assert status.height == 1
            assert status.bottom <= size[1]

    helper.run(body())
