"""What is kept from one time to the next, and how things are shown."""

from __future__ import annotations

import gc
import json
import subprocess
import sys
from pathlib import Path

import pytest
from textual.widgets import OptionList
from textual.widgets._footer import FooterKey

from controller.tui.app import RungwiseApp
from controller.tui.palette import DARK, LIGHT, SIXTEEN, needs_ascii
from controller.tui.remembered import LastChoice, Remembered, load, memory_file, save
from controller.tui.scale import Scale
from controller.tui.screens.actions import ActionsScreen
from controller.tui.screens.choose import ChooseScreen
from controller.tui.screens.help import key_lines
from controller.tui.screens.ready import ReadyScreen
from controller.tui.text import ascii_only
from controller.tui.widgets.picks import PickList

WORKSHOP = Path(__file__).with_name("workshop")


def test_what_was_chosen_is_there_the_next_time(tmp_path: Path) -> None:
    path = tmp_path / "data" / "screen.json"
    kept = Remembered(theme=LIGHT.name, unit="degF", bell=False, details=True)
    kept = kept.with_choice(tmp_path, tmp_path / "a.toml", None).with_port(tmp_path / "b", "/dev/x")
    save(path, kept)
    assert load(path) == kept
    assert load(path).choice(tmp_path) == LastChoice(plan=str(tmp_path / "a.toml"), bench=None)
    assert kept.with_port(tmp_path / "b", None).port(tmp_path / "b") is None


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{",
        "nonsense",
        '{"theme": 3, "bell": "yes", "choices": [1], "ports": {"a": 1}}',
        '{"choices": {"a": {"plan": 1}, "b": "c"}}',
        "[" * 100_000,
    ],
)
def test_a_file_that_is_wrong_is_as_good_as_none(tmp_path: Path, text: str) -> None:
    path = tmp_path / "screen.json"
    path.write_text(text, encoding="utf-8")
    assert load(path) == Remembered()
    assert load(tmp_path / "not-there") == load(None) == Remembered()


def test_only_so_many_folders_are_kept(tmp_path: Path) -> None:
    kept = Remembered()
    for index in range(80):
        kept = kept.with_choice(tmp_path / str(index), tmp_path / "plan", None)
    assert len(kept.choices) == 50
    assert kept.choice(tmp_path / "79") is not None
    assert kept.choice(tmp_path / "0") is None


def test_it_lies_beside_the_counts_of_relay_operations(tmp_path: Path) -> None:
    assert memory_file({"RUNGWISE_DATA": str(tmp_path)}) == tmp_path / "screen.json"


def test_nothing_is_written_where_that_cannot_be_done(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    save(tmp_path / "file" / "screen.json", Remembered())  # a folder that cannot be made


@pytest.mark.parametrize(
    ("environ", "ascii_only"),
    [
        ({"LANG": "C"}, True),
        ({"LANG": "POSIX"}, True),
        # What Python itself makes of LANG=C (PEP 538).
        ({"LANG": "C", "LC_CTYPE": "C.UTF-8"}, True),
        ({"LC_ALL": "C", "LANG": "de_DE.UTF-8"}, True),
        ({"LC_ALL": "C.UTF-8", "LANG": "C"}, False),
        ({"LANG": "C", "LC_CTYPE": "de_DE.UTF-8"}, False),
        ({"LANG": "de_DE.UTF-8"}, False),
    ],
)
def test_the_language_c_means_ascii(
    monkeypatch: pytest.MonkeyPatch, environ: dict[str, str], ascii_only: bool
) -> None:
    monkeypatch.setattr("locale.getpreferredencoding", lambda do_setlocale: "UTF-8")
    assert needs_ascii(environ) is ascii_only


def test_plus_or_minus_is_two_signs_in_ascii_and_keeps_its_width() -> None:
    text = "1490.9 ohm ± 0.5 = 40.00 degC ± 0.02"
    assert ascii_only(text) == "1490.9 ohm +-0.5 = 40.00 degC +-0.02"
    assert len(ascii_only(text)) == len(text)


def test_plan_bench_theme_unit_and_bell_are_remembered(helper, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    memory, rung = tmp_path / "screen.json", []

    class Quiet(RungwiseApp):
        def bell(self) -> None:
            rung.append(1)

    def app(**more: object) -> RungwiseApp:
        made = Quiet(WORKSHOP, runs=tmp_path, memory=memory, **more)  # type: ignore[arg-type]
        made.animation_level = "none"
        return made

    async def first() -> None:
        program = app()
        async with program.run_test(size=(80, 24)) as pilot:
            await helper.until(pilot, lambda: program.screen.query_one("#plans").option_count == 2)
            await pilot.press("down", "tab", "down", "enter")
            await helper.until(pilot, lambda: isinstance(program.screen, ReadyScreen))
            await pilot.press("f8", "f9")
            program.action_look(LIGHT.name)
            program.ring()
            assert rung == [1]
            await pilot.press("ctrl+g")
            program.ring()
            assert rung == [1]

    async def second() -> None:
        program = app()
        async with program.run_test(size=(80, 24)) as pilot:
            await helper.until(pilot, lambda: program.screen.query_one("#plans").option_count == 2)
            screen = program.screen
            assert isinstance(screen, ChooseScreen)
            await helper.until(pilot, lambda: screen.plan is not None)
            assert screen.plan is not None
            assert screen.plan.name == "Tern coolant sweep"
            assert screen.bench is not None
            assert screen.bench.path.name == "corroded.toml"
            assert program.theme == LIGHT.name
            assert program.scale is Scale.FAHRENHEIT
            assert program.details
            program.ring()
            assert rung == [1]
        # What is asked for on the command line goes before what is kept.
        asked = app(theme=SIXTEEN.name, scale=Scale.CELSIUS)
        assert (asked.theme, asked.scale) == (SIXTEEN.name, Scale.CELSIUS)

    helper.run(first())
    assert json.loads(memory.read_text(encoding="utf-8"))["unit"] == "degF"
    helper.run(second())


def test_an_action_is_found_by_words_of_its_name(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app()
        async with app.run_test(size=(80, 24)) as pilot:
            await helper.until(pilot, lambda: app.screen.query_one("#plans").option_count == 2)
            await pilot.press("ctrl+p")
            await helper.at(pilot, ActionsScreen)
            actions = app.screen.query_one("#actions", PickList)
            every = [str(option.prompt) for option in actions.options]
            assert sum("Theme:" in one for one in every) == 3
            assert not any("textual" in one.lower() for one in every)
            await pilot.press(*"light")
            await helper.until(pilot, lambda: actions.option_count == 1)
            await pilot.press("enter")
            await helper.until(pilot, lambda: app.theme == LIGHT.name)
            assert isinstance(app.screen, ChooseScreen)
            await pilot.press("ctrl+p", "escape")
            await helper.at(pilot, ChooseScreen)
            assert app.mistakes == []

    helper.run(body())


@pytest.mark.parametrize("width", [60, 80, pytest.param(140, marks=pytest.mark.soak)])
def test_the_line_of_keys_never_loses_stop_help_enter_and_quit(helper, width: int) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app()
        async with app.run_test(size=(width, 24)) as pilot:
            await helper.until(pilot, lambda: app.screen.query_one("#plans").option_count == 2)

            def line() -> str:
                strips = app.screen._compositor.render_strips()
                return "".join(piece.text for piece in strips[-1])

            for key in ("F12 STOP", "F1 Help", "Enter ", "Ctrl+Q Quit"):
                await helper.until(pilot, lambda key=key: key in line())
            app.screen.query_one("#plans", OptionList).focus()
            await pilot.press("enter")
            await helper.at(pilot, ReadyScreen)
            for key in ("F12 STOP", "F1 Help", "Enter ", "Esc Back", "Ctrl+Q Quit"):
                await helper.until(pilot, lambda key=key: key in line())

    helper.run(body())


def test_the_line_of_keys_is_made_anew_only_where_other_keys_are_shown(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app()
        async with app.run_test(size=(80, 24)) as pilot:
            await helper.until(pilot, lambda: app.screen.query_one("#plans").option_count == 2)

            def keys() -> list[FooterKey]:
                return list(app.screen.query(FooterKey))

            def words() -> list[str]:
                return [f"{one.key_display} {one.description}" for one in keys()]

            app.screen.query_one("#plans", OptionList).focus()
            await helper.until(pilot, lambda: any("Enter " in one for one in words()))
            at_plans, told = keys(), words()
            app.screen.refresh_bindings()
            await pilot.press("f1", "escape")
            assert isinstance(app.screen, ChooseScreen)
            await pilot.pause()
            assert all(now is before for now, before in zip(keys(), at_plans, strict=True))
            await pilot.resize_terminal(60, 24)
            await helper.until(pilot, lambda: len(keys()) < len(told))
            await pilot.resize_terminal(80, 24)
            await helper.until(pilot, lambda: words() == told)
            await pilot.press("slash")  # in a field, letters are no keys of the screen's
            await helper.until(pilot, lambda: "h Set by hand" not in words())
            app.screen.query_one("#plans", OptionList).focus()
            await helper.until(pilot, lambda: words() == told)
            assert app.mistakes == []

    helper.run(body())


def test_help_names_only_keys_with_an_explanation_of_ours(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app()
        async with app.run_test(size=(80, 24)) as pilot:
            await helper.until(pilot, lambda: app.screen.query_one("#plans").option_count == 2)
            told = key_lines(app.screen)
            assert all(why for _, _, why in told)
            names = {name for _, name, _ in told}
            assert {"STOP", "Help", "Set by hand", "Ports", "Find records"} <= names
            assert not {"Copy selected text", "Focus Previous", "Pick the row"} & names
            assert not any("super" in keys for keys, _, _ in told)

    helper.run(body())


def test_the_theme_is_one_of_three_of_our_own() -> None:
    app = RungwiseApp(WORKSHOP, theme=None)
    assert app.theme in {DARK.name, LIGHT.name, SIXTEEN.name}


@pytest.mark.parametrize("theme", [DARK, LIGHT, SIXTEEN], ids=lambda one: one.name)
def test_no_color_has_two_colours_and_shows_the_bar_in_reverse(  # type: ignore[no-untyped-def]
    helper, monkeypatch: pytest.MonkeyPatch, theme
) -> None:
    # https://no-color.org: no colour is added; reverse and bold are none. The environment is that
    # of a terminal of sixteen colours, where greys fall together.
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("COLORTERM", raising=False)

    async def body() -> None:
        app = helper.app(theme=theme.name)
        async with app.run_test(size=(80, 24)) as pilot:
            plans = app.screen.query_one("#plans", PickList)
            await helper.until(pilot, lambda: plans.option_count == 2)
            await pilot.pause()
            strips = [list(strip) for strip in app.screen._compositor.render_strips()]
            bar = [
                piece.style.reverse
                for strip in strips
                for piece in strip
                if piece.style and piece.text.lstrip().startswith(("● check", "sweep "))
            ]
            assert bar == [True, False]  # the marked plan, and the other one
            for strip in strips:
                for piece in strip:
                    for colour in (piece.style.color, piece.style.bgcolor):
                        assert colour is None or colour.is_default, piece

    helper.run(body())


def test_nothing_heavy_is_loaded_before_the_first_frame() -> None:
    """Loading numpy alone takes as long as a bare screen."""
    code = (
        "import os, sys; from pathlib import Path; from controller.tui.app import RungwiseApp;"
        " from controller.tui.remembered import memory_file;"
        " RungwiseApp(Path('.'), memory=memory_file(os.environ));"
        " print([m for m in ('numpy', 'scipy', 'serial', 'textual_plot', 'controller.bench.files',"
        " 'controller.planning.files', 'controller.planning.model', 'statistics')"
        " if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=120
    )
    assert done.stdout.strip() == "[]"


def test_the_collector_rests_until_the_first_frame(  # type: ignore[no-untyped-def]
    helper, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing that is loaded for it is garbage; once it is there, the collector works again."""
    from controller.tui import app as module
    from controller.tui import start

    seen: list[bool] = []
    monkeypatch.setattr(module, "main", lambda _argv: seen.append(gc.isenabled()) or 0)
    assert start.main([]) == 0
    assert seen == [False]
    assert gc.isenabled()

    async def body() -> None:
        app = helper.app()
        gc.disable()
        async with app.run_test(size=(80, 24)) as pilot:
            await helper.until(pilot, gc.isenabled)

    try:
        helper.run(body())
    finally:
        gc.enable()
