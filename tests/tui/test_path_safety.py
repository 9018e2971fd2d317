"""What is said before relays move, and that everything stops and parks when it is asked to."""

from __future__ import annotations

import threading
from dataclasses import replace
from pathlib import Path

import pytest
from textual.widgets import OptionList

from controller.records.reader import load_record
from controller.run.model import Ending
from controller.tui.dialogs import Ask
from controller.tui.screens.choose import ChooseScreen
from controller.tui.screens.help import HelpScreen
from controller.tui.screens.ready import ReadyScreen
from controller.tui.screens.run import RunScreen
from controller.tui.view import Driving, Phase
from controller.tui.widgets.picks import PickList
from tests.tui.paths import focused, lines_of, shown, start, to_ready


def test_a_port_that_is_not_there_is_said_before_any_caution(helper, workshop: Path) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app()
        async with app.run_test(size=(80, 24)) as pilot:
            app.prepare(workshop / "plans/check.toml", workshop / "benches/serial.toml")
            await helper.at(pilot, ReadyScreen)
            await pilot.press("s")
            await helper.at(pilot, Ask)
            told = shown(app.screen)
            assert "/dev/rungwise-no-such-port: there is no such port" in told
            assert "Cooling fans" not in told
            await pilot.press("escape")
            await helper.at(pilot, ReadyScreen)
            assert not helper.runs.exists()
            assert app.cautions_read == set()

    helper.run(body())


@pytest.mark.parametrize("bench", ["serial", "typed"])
def test_the_smallest_window_says_what_the_marked_bench_drives(helper, bench: str) -> None:  # type: ignore[no-untyped-def]
    # What each file says: a serial port of a name that nothing has, and readings typed.
    real = "REAL RELAYS: link serial /dev/rungwise-no-such-port"
    told = {"serial": real, "typed": "nothing real moves: link simulated, readings typed"}

    async def body() -> None:
        app = helper.app()
        async with app.run_test(size=(60, 18)) as pilot:
            await helper.until(pilot, lambda: len(lines_of(app, "benches")) == 4)
            path = helper.folder / f"benches/{bench}.toml"
            app.screen.query_one("#benches", PickList).choose(path)
            box = app.screen.query_one("#about")

            def seen() -> str:
                left, top, width, height = box.content_region
                rows = [line.ljust(60) for line in helper.drawn(pilot).splitlines()]
                words = " ".join(row[left : left + width] for row in rows[top : top + height])
                return "".join(words.split())

            await helper.until(pilot, lambda: "".join(told[bench].split()) in seen(), 5.0)

    helper.run(body())


def test_the_cautions_come_before_real_relays_and_once(
    helper,  # type: ignore[no-untyped-def]
    workshop: Path,
    tmp_path: Path,
) -> None:
    port = tmp_path / "no-serial-port"
    port.write_bytes(b"")

    async def body() -> None:
        app = helper.app()
        # Another port than the file names, as picked in the screen.
        app.keep(app.kept.with_port(workshop / "benches/serial.toml", str(port)))
        async with app.run_test(size=(80, 24)) as pilot:
            app.prepare(workshop / "plans/check.toml", workshop / "benches/serial.toml")
            await helper.at(pilot, ReadyScreen)
            await helper.until(pilot, lambda: focused(app, "back"))
            assert "REAL RELAYS" in shown(app.screen)
            assert port.name in shown(app.screen)
            await pilot.press("s")
            await helper.at(pilot, Ask)
            assert "Cooling fans" in shown(app.screen)
            await helper.until(pilot, lambda: focused(app, "no"))
            await pilot.press("enter")  # the default says no
            await helper.at(pilot, ReadyScreen)
            assert not helper.runs.exists()
            await pilot.press("s")
            await helper.at(pilot, Ask)
            await pilot.press("y")
            await helper.until(
                pilot,
                lambda: isinstance(app.screen, Ask) and "drives an extreme" in shown(app.screen),
            )
            await pilot.press("y")
            # It is no serial port: a fault in words, nothing was driven.
            await helper.at(pilot, RunScreen)
            await helper.until(pilot, lambda: not app.driving)
            await helper.until(pilot, lambda: "not a serial port" in shown(app.screen, "#ending"))
            await pilot.press("escape")
            await helper.at(pilot, ChooseScreen)
            assert len(app.cautions_read) == 1
            assert app.mistakes == []

    helper.run(body())


def test_a_plan_that_cannot_be_run_says_why(helper, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    broken = tmp_path / "broken.toml"
    broken.write_text(
        'format = "rungwise-plan/1"\nname = "[/red]\\u001b[31m bad [bold]"\nkin = 1\n'
    )
    helper.folder = tmp_path

    async def body() -> None:
        app = helper.app()
        async with app.run_test(size=(80, 24)) as pilot:
            await helper.until(
                pilot, lambda: app.screen.query_one("#plans", OptionList).option_count == 1
            )
            await pilot.press("enter")
            await helper.at(pilot, Ask)
            assert "kin" in shown(app.screen)
            assert "Nothing was driven" in shown(app.screen)
            await pilot.press("escape")
            await helper.at(pilot, ChooseScreen)
            assert app.mistakes == []

    helper.run(body())


@pytest.mark.parametrize(
    ("key", "place"),
    [
        ("f12", "input"),
        ("ctrl+c", "dialog"),
        pytest.param("f12", "help", marks=pytest.mark.soak),
        pytest.param("ctrl+c", "palette", marks=pytest.mark.soak),
    ],
)
def test_the_stop_key_works_everywhere(helper, key: str, place: str) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(80, 24)) as pilot:
            await to_ready(helper, pilot, 0)
            await start(helper, pilot, asks=True)
            await helper.until(pilot, lambda: app.picture.view.phase is Phase.ASKING)
            if place == "input":
                await pilot.press("8", "3")
            elif place == "dialog":
                await pilot.press("ctrl+q")
                await helper.at(pilot, Ask)
            elif place == "help":
                await pilot.press("f1")
                await helper.at(pilot, HelpScreen)
            else:
                await pilot.press("ctrl+p")
                await pilot.pause(0.2)
            assert app.driving
            await pilot.press(key)
            await helper.until(pilot, lambda: not app.driving)
            assert app.picture.view.driving is Driving.PARKED
            assert app.picture.view.summary.ended is Ending.STOPPED
            await helper.at(pilot, RunScreen)
            assert app.is_running

    helper.run(body())


def test_quitting_while_driving_asks_and_parks(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(80, 24)) as pilot:
            await to_ready(helper, pilot, 0)
            await start(helper, pilot, asks=True)
            await helper.until(pilot, lambda: app.picture.view.phase is Phase.ASKING)
            await pilot.press("ctrl+q")
            await helper.at(pilot, Ask)
            await helper.until(pilot, lambda: focused(app, "no"))
            await pilot.press("enter")  # stay
            await helper.at(pilot, RunScreen)
            assert app.driving
            await pilot.press("ctrl+q")
            await helper.at(pilot, Ask)
            await pilot.press("y")
            await helper.until(pilot, lambda: not app.is_running)
        assert app.picture.view.driving is Driving.PARKED
        assert load_record(app.record_path).closing is not None

    helper.run(body())


def test_wear_warnings_reach_the_screen_and_stay(helper, sweep) -> None:  # type: ignore[no-untyped-def]
    from controller.tui.preparing import begin_run

    told = "relay 3 has moved 9,000,000 times, its rated life is 10,000,000"
    worn = replace(sweep, prepared=replace(sweep.prepared, warnings=(told,)))

    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(140, 45)) as pilot:
            engine = begin_run(worn, pace="real", changed=app.engine_changed, clock=app.clock)
            app.begin(engine)
            app.push_screen(RunScreen(worn, engine))
            await helper.until(
                pilot, lambda: [note.message for note in app._notifications] == [told]
            )
            await pilot.press("f12")
            await helper.until(pilot, lambda: not app.driving)
            await helper.until(pilot, lambda: told in shown(app.screen, "#ending"))

    helper.run(body())


def test_a_long_preparation_says_so_and_can_be_given_up(
    helper,  # type: ignore[no-untyped-def]
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from controller.tui import preparing
    from controller.tui.dialogs import Working

    go_on = threading.Event()
    begun: list[Path] = []
    really = preparing.ready

    def slow(plan: Path, *others: object):  # type: ignore[no-untyped-def]
        begun.append(plan)
        assert go_on.wait(30)
        return really(plan, *others)

    monkeypatch.setattr(preparing, "ready", slow)

    async def body() -> None:
        app = helper.app()
        async with app.run_test(size=(80, 24)) as pilot:
            await helper.until(pilot, lambda: len(lines_of(app, "plans")) == 2)
            app.screen.query_one("#plans", OptionList).focus()
            await pilot.press("enter", "enter")
            await helper.at(pilot, Working)
            await helper.until(pilot, lambda: "Esc gives it up" in shown(app.screen))
            await pilot.press("enter")
            assert len(begun) == 1  # pressed again it does not begin anew
            await pilot.press("escape")
            await helper.at(pilot, ChooseScreen)
            await helper.until(
                pilot, lambda: not any(w.group == "prepare" and w.is_running for w in app.workers)
            )
            await pilot.press("enter")
            await helper.at(pilot, Working)
            go_on.set()
            await helper.at(pilot, ReadyScreen)
            assert app.mistakes == []

    helper.run(body())
