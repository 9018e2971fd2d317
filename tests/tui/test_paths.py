"""Each person's way through the screens, on simulated benches."""

from __future__ import annotations

import re
import shutil
import threading
import unicodedata
from dataclasses import replace
from pathlib import Path

import pytest
from textual.widgets import Input, OptionList

from controller.errors import RelayKnowledge
from controller.records.reader import load_record
from controller.records.replay import replay
from controller.run.model import Ending, Reason
from controller.tui.dialogs import Ask, PickRecord
from controller.tui.scale import Scale
from controller.tui.screens.choose import ChooseScreen
from controller.tui.screens.compare import CompareScreen
from controller.tui.screens.hand import HandScreen
from controller.tui.screens.help import HelpScreen
from controller.tui.screens.ready import ReadyScreen
from controller.tui.screens.record import RecordScreen
from controller.tui.screens.run import RunScreen
from controller.tui.screens.said import SaidForm
from controller.tui.view import Driving, Phase
from controller.tui.widgets.lines import Sentences, StatusLine
from controller.tui.widgets.picks import PickList
from controller.tui.widgets.table import RowsTable

WORKSHOP = Path(__file__).with_name("workshop")


def shown(screen: object, selector: str = "Sentences, PartsLine") -> str:
    return "\n".join(str(w.content) for w in screen.query(selector) if w.display)  # type: ignore[attr-defined]


def focused(app, name: str) -> bool:  # type: ignore[no-untyped-def]
    return app.screen.focused is not None and app.screen.focused.id == name


async def to_ready(helper, pilot, plan: int):  # type: ignore[no-untyped-def]
    app = pilot.app
    await helper.until(pilot, lambda: app.screen.query_one("#plans", OptionList).option_count == 2)
    app.screen.query_one("#plans", OptionList).focus()
    for _ in range(plan):
        await pilot.press("down")
    await pilot.press("enter")
    await helper.at(pilot, ReadyScreen)


async def start(helper, pilot, *, asks: bool):  # type: ignore[no-untyped-def]
    await pilot.press("s")
    if asks:
        await helper.at(pilot, Ask)
        await pilot.press("y")
    await helper.at(pilot, RunScreen)


async def answer(helper, pilot, step: int, text: str):  # type: ignore[no-untyped-def]
    await helper.open_question(pilot, step)
    await pilot.press(*[{"-": "minus", ".": "full_stop"}.get(c, c) for c in text], "enter")


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


def test_the_developers_records(helper, sweep) -> None:  # type: ignore[no-untyped-def]
    from controller.tui.preparing import begin_run

    engine = begin_run(sweep, pace="at once", changed=lambda: None)
    engine.start()
    assert engine.join(60)
    twin = sweep.record.with_name("twin.jsonl")
    twin.write_bytes(sweep.record.read_bytes())

    async def body() -> None:
        app = helper.app()
        async with app.run_test(size=(80, 24)) as pilot:
            await helper.until(
                pilot, lambda: app.screen.query_one("#records", OptionList).option_count == 2
            )
            app.screen.query_one("#records", OptionList).focus()
            await pilot.press("enter")
            await helper.at(pilot, RecordScreen)
            screen = app.screen
            last = screen.position
            await pilot.press("home")
            assert screen.position == 0
            await pilot.press("right", "right")
            await helper.until(pilot, lambda: "2 of 21 steps" in shown(screen))
            await pilot.press("left")
            await helper.until(pilot, lambda: "1 of 21 steps" in shown(screen))
            here = screen.position
            await pilot.press("full_stop")
            assert screen.position == here + 1
            for _ in range(6):
                await pilot.press("plus")
            assert "speed ×1000" in shown(screen, "#headline")
            await pilot.press("space")
            await helper.until(pilot, lambda: screen.position == last)
            assert not screen.playing
            await pilot.press("d")
            await helper.until(pilot, lambda: "series" in shown(screen, "#ending"))
            await pilot.press("g")
            await helper.at(pilot, CompareScreen)
            await helper.until(pilot, lambda: "no difference" in shown(app.screen, "#headline"))
            await pilot.press("escape")
            await pilot.press("c")
            await helper.at(pilot, PickRecord)
            assert re.search(
                r"(✓ pass|✗ FAIL).*Tern coolant sweep", "\n".join(lines_of(app, "records"))
            )
            await pilot.press("enter")
            await helper.at(pilot, CompareScreen)
            await helper.until(pilot, lambda: "no difference" in shown(app.screen, "#headline"))
            await pilot.press("d", "escape", "escape")
            await helper.at(pilot, ChooseScreen)
            assert app.mistakes == []

    helper.run(body())


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


def test_help_and_palette_know_every_key_of_a_screen(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast(5.0))
        async with app.run_test(size=(80, 24)) as pilot:
            await to_ready(helper, pilot, 1)
            await start(helper, pilot, asks=False)
            screen = app.screen
            offered = {command.title for command in app.get_system_commands(screen)}
            await pilot.press("f1")
            await helper.at(pilot, HelpScreen)
            text = shown(app.screen)
            assert "STOP" in offered
            assert "STOP" in text
            for binding in RunScreen.BINDINGS:
                if screen.check_action(binding.action, ()):
                    assert binding.description in offered
                    assert binding.description in text
            await pilot.press("escape", "f12")
            await helper.until(pilot, lambda: not app.driving)

    helper.run(body())


def test_the_status_line_is_on_every_screen(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(80, 24)) as pilot:
            assert "nothing driven" in shown(app.screen, "StatusLine")
            await to_ready(helper, pilot, 0)
            assert "nothing driven" in shown(app.screen, "StatusLine")
            await start(helper, pilot, asks=True)
            await helper.until(pilot, lambda: "DRIVING" in shown(app.screen, "StatusLine"))
            assert "open circuit" in shown(app.screen, "StatusLine")
            await pilot.press("f1")
            await helper.at(pilot, HelpScreen)
            line = app.screen.query_one(StatusLine)
            assert "DRIVING" in str(line.content)
            assert line.region.height == 1
            await pilot.press("f12")
            await helper.until(pilot, lambda: not app.driving)
            await helper.until(pilot, lambda: "parked" in shown(app.screen, "StatusLine"))

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


def test_device_and_file_text_is_shown_as_it_is(helper, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    from controller.tui.preparing import begin_run, ready

    hostile = "[/x][red]\x1b[31m\u202e[link=foo]bar[/]\n\x00"
    plan = helper.folder / "plans/check.toml"
    prepared = ready(plan, None, helper.runs)
    prepared = replace(
        prepared,
        prepared=replace(
            prepared.prepared,
            resolved=replace(prepared.prepared.resolved, name=hostile, warnings=(hostile,)),
            inputs=replace(
                prepared.prepared.inputs, bench=replace(prepared.prepared.bench, name=hostile)
            ),
        ),
    )

    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(80, 24)) as pilot:
            app.push_screen(ReadyScreen(prepared))
            await pilot.pause(0.2)
            assert "[/x][red]" in shown(app.screen)
            engine = begin_run(prepared, pace="real", changed=app.engine_changed, clock=app.clock)
            app.record_path = prepared.record
            app.begin(engine)
            app.push_screen(RunScreen(prepared, engine))
            await helper.until(pilot, lambda: app.picture.view.phase is Phase.ASKING)
            app.say(hostile)
            await pilot.pause(0.2)
            assert "[/x][red]" in shown(app.screen, "#headline")
            for line in app.screen.query(Sentences):
                assert "\x1b" not in str(line.content)
            await pilot.press("f12")
            await helper.until(pilot, lambda: not app.driving)
            assert app.mistakes == []

    helper.run(body())


@pytest.mark.soak
def test_ascii_leaves_nothing_but_ascii_on_the_screen(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast(5.0), ascii_only=True)
        async with app.run_test(size=(140, 45)) as pilot:

            def drawn() -> str:
                strips = app.screen._compositor.render_strips()
                return "\n".join("".join(s.text for s in strip) for strip in strips)

            await helper.until(pilot, lambda: "Tern" in drawn())
            assert drawn().isascii()
            await to_ready(helper, pilot, 1)
            assert drawn().isascii()
            await start(helper, pilot, asks=False)
            await helper.until(pilot, lambda: app.picture.view.done >= 2)
            await pilot.pause(0.3)
            assert drawn().isascii()
            assert "> DRIVING" in drawn()
            assert "+ pass" in drawn()
            await pilot.press("f12")
            await helper.until(pilot, lambda: not app.driving)

    helper.run(body())


@pytest.mark.parametrize(
    "theme", [pytest.param("rungwise-dark", marks=pytest.mark.soak), "rungwise-16"]
)
def test_no_color_leaves_words_and_signs(
    helper,  # type: ignore[no-untyped-def]
    sweep,  # type: ignore[no-untyped-def]
    monkeypatch: pytest.MonkeyPatch,
    theme: str,
) -> None:
    from controller.tui.preparing import begin_run

    monkeypatch.setenv("NO_COLOR", "1")

    async def body() -> None:
        app = helper.app(clock=helper.fast(15.0), theme=theme)
        async with app.run_test(size=(140, 45)) as pilot:
            engine = begin_run(sweep, pace="real", changed=app.engine_changed, clock=app.clock)
            app.begin(engine)
            app.push_screen(RunScreen(sweep, engine))
            await helper.until(pilot, lambda: app.picture.view.done >= 3)
            for size in ((80, 24), (140, 45)):  # plots come and go
                await pilot.resize_terminal(*size)
                await pilot.pause(0.2)
            strips = app.screen._compositor.render_strips()
            text = "\n".join("".join(piece.text for piece in strip) for strip in strips)
            assert "▶ DRIVING" in text
            assert "✓ pass" in text
            for strip in strips:
                for piece in strip:
                    colour = piece.style.color if piece.style else None
                    if colour is not None and colour.triplet is not None:
                        assert len(set(colour.triplet)) == 1, piece  # a grey
            app.action_stop()
            await helper.until(pilot, lambda: not app.driving)

    helper.run(body())


def lines_of(app, name: str) -> list[str]:  # type: ignore[no-untyped-def]
    return [str(option.prompt) for option in app.screen.query_one(f"#{name}", OptionList).options]


def test_a_new_file_moves_the_mark_to_no_other_bench(helper, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    helper.folder = tmp_path / "w"
    shutil.copytree(WORKSHOP, helper.folder)

    async def body() -> None:
        app = helper.app()
        async with app.run_test(size=(80, 24)) as pilot:
            await helper.until(pilot, lambda: len(lines_of(app, "benches")) == 4)
            app.screen.query_one("#benches", OptionList).focus()
            await pilot.press("down")
            marked = app.screen.bench.path
            (helper.folder / "benches/aa.toml").write_text(
                (helper.folder / "benches/corroded.toml")
                .read_text()
                .replace("name =", "note =")
                .replace('bench/1"', 'bench/1"\nname = "A first one"')
            )
            await pilot.press("l")
            await helper.until(pilot, lambda: len(lines_of(app, "benches")) == 5)
            assert app.screen.bench.path == marked
            marked.unlink()  # what has gone leaves the plan's own bench
            await pilot.press("l")
            await helper.until(pilot, lambda: len(lines_of(app, "benches")) == 4)
            assert app.screen.bench is None

    helper.run(body())


@pytest.mark.parametrize(
    "theme", [pytest.param("rungwise-dark", marks=pytest.mark.soak), "rungwise-16"]
)
def test_signs_show_choice_and_focus(helper, theme: str) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(theme=theme)
        async with app.run_test(size=(80, 24)) as pilot:
            await helper.until(pilot, lambda: len(lines_of(app, "benches")) == 4)
            app.screen.query_one("#benches", OptionList).focus()
            await pilot.press("down")
            app.screen.query_one("#plans", OptionList).focus()
            await pilot.pause()
            strips = app.screen._compositor.render_strips()
            drawn = "\n".join("".join(piece.text for piece in strip) for strip in strips)
            assert "▶ plan" in drawn
            assert "▶ bench" not in drawn
            assert f"● {app.screen.bench.name[:20]}" in drawn  # without the focus too
            signed = [line for line in lines_of(app, "benches") if line.startswith("●")]
            assert len(signed) == 1
            await pilot.press("enter")
            await helper.at(pilot, ReadyScreen)
            await helper.until(pilot, lambda: focused(app, "start"))
            await helper.until(
                pilot, lambda: str(app.screen.query_one("#start").label) == "▶ Start (s)"
            )
            assert "▶" not in str(app.screen.query_one("#back").label)

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


HOSTILE = "\x1b]0;taken\x07\x1b[2J[x]\u202eb\x9b31m"


def acting(text: str) -> set[str]:
    """Return the characters of a text that a terminal would act on."""
    return {c for c in text if c != "\n" and unicodedata.category(c) in ("Cc", "Cf", "Cs")}


def test_names_in_files_and_of_files_act_on_no_terminal(helper, capsys, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    from controller.cli.main import main
    from controller.tui.screens.compare import CompareScreen, compare_records

    root = WORKSHOP.parents[2]
    recorded = (root / "sweeps/recorded/coolant-corroded.jsonl").read_bytes()
    helper.runs.mkdir()
    bad = helper.runs / f"{HOSTILE}.jsonl"
    bad.write_bytes(recorded)
    helper.folder = tmp_path / "w"
    helper.folder.mkdir()
    plan = helper.folder / f"p{HOSTILE}.toml"
    plan.write_text('format = "rungwise-plan/1"\nkind = "check"\nnote = "[b]\\u001b[31m"\n')

    async def body() -> None:
        app = helper.app()
        async with app.run_test(size=(140, 45)) as pilot:

            def drawn() -> str:
                strips = app.screen._compositor.render_strips()
                return "\n".join("".join(piece.text for piece in strip) for strip in strips)

            await helper.until(pilot, lambda: len(lines_of(app, "records")) == 1)
            await pilot.pause(0.3)
            assert "taken" in drawn()
            assert acting(drawn()) == set()
            app.open_record(bad)
            await helper.at(pilot, RecordScreen)
            await pilot.pause()
            assert acting(drawn()) == set()
            app.push_screen(CompareScreen(compare_records(bad, bad)))
            await helper.until(pilot, lambda: "Two runs" in drawn())
            assert acting(drawn()) == set()
            bad.write_bytes(b"{}")
            app.open_record(bad)
            await helper.at(pilot, Ask)
            await pilot.pause()
            assert acting(drawn()) == set()
            bad.write_bytes(recorded)

    helper.run(body())
    table = tmp_path / f"t{HOSTILE}.csv"
    table.write_text(f"celsius,reported\n{HOSTILE},1\n")
    for arguments in (
        ["report", str(bad)],
        ["compare", str(bad), str(bad)],
        ["diagnose", str(bad)],
        ["diagnose", str(table), "--plan", str(plan)],
        ["replay", str(table)],
        ["plan", str(plan)],
        ["curve", str(plan)],
        ["ui", HOSTILE],
    ):
        main(arguments)
        told = capsys.readouterr()
        assert told.out + told.err
        assert acting(told.out + told.err) == set(), arguments


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
