"""What every screen shows: keys, status, choice and focus, also without colour or glyphs."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from textual.widgets import OptionList

from controller.tui.screens.help import HelpScreen
from controller.tui.screens.ready import ReadyScreen
from controller.tui.screens.run import RunScreen
from controller.tui.widgets.lines import StatusLine
from tests.tui.paths import WORKSHOP, focused, lines_of, shown, start, to_ready


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
