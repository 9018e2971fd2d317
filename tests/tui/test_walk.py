"""A walk through all screens in three sizes, in 16 colours, without colours and in ASCII.

What is drawn is kept as text, one file for each size and alphabet, so that a change can be read
line by line. `pytest --snapshot-update` accepts a new look. The colours are held to what each kind
of terminal has.
"""

from __future__ import annotations

import asyncio
import importlib.util
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from rich.segment import Segment
from textual.pilot import Pilot

from controller.tui.screens.actions import ActionsScreen
from controller.tui.screens.choose import ChooseScreen
from controller.tui.screens.help import HelpScreen
from controller.tui.screens.ready import ReadyScreen
from controller.tui.screens.said import SaidForm

HERE = Path(__file__).parent
FOLDER = HERE / "walk"
SIZES = {"60x18": (60, 18), "80x24": (80, 24), "140x45": (140, 45)}
MODES = ("16-colours", "no-colour", "ascii")
ORDINARY = ("60x18", "ascii")
"""The narrowest with the fewest means."""
IN_CI = (("60x18", "16-colours"), ("80x24", "no-colour"), ("140x45", "ascii"))
"""Each size and each means once; every pair of them is walked at night."""


def how_long(size: str, mode: str) -> list[pytest.MarkDecorator]:
    if (size, mode) == ORDINARY:
        return []
    return [pytest.mark.soak if (size, mode) in IN_CI else pytest.mark.night]


@pytest.fixture(scope="module")
def stills() -> ModuleType:
    spec = importlib.util.spec_from_file_location("stills", HERE / "stills.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["stills"] = module
    spec.loader.exec_module(module)
    return module


def strips_of(pilot: Pilot[Any]) -> list[list[Segment]]:
    return [list(strip) for strip in pilot.app.screen._compositor.render_strips()]


def text_of(strips: list[list[Segment]]) -> str:
    return "\n".join("".join(s.text for s in strip).rstrip() for strip in strips)


def colours_of(strips: list[list[Segment]]) -> Iterator[Any]:
    for strip in strips:
        for segment in strip:
            if segment.style is not None:
                yield from (
                    c for c in (segment.style.color, segment.style.bgcolor) if c is not None
                )


def unreadable(strips: list[list[Segment]]) -> Iterator[Segment]:
    """What is written in the colour of its ground."""
    for strip in strips:
        for segment in strip:
            style = segment.style
            ink, paper = (None, None) if style is None else (style.color, style.bgcolor)
            if segment.text.strip() and ink is not None and not ink.is_default and ink == paper:
                yield segment


async def walk(stills: ModuleType, size: str, mode: str) -> dict[str, list[list[Segment]]]:
    """Return what every screen draws."""
    app = stills.build_app("rungwise-16", ascii_only=mode == "ascii")
    seen: dict[str, list[list[Segment]]] = {}
    async with app.run_test(size=SIZES[size]) as pilot:
        await stills.choose(pilot)
        seen["choose"] = strips_of(pilot)
        for name, key, kind in (
            ("keys", "f1", HelpScreen),
            ("actions", "ctrl+p", ActionsScreen),
        ):
            await pilot.press(key)
            await stills.arrived(pilot, kind)
            assert isinstance(app.screen, kind)
            seen[name] = strips_of(pilot)
            await pilot.press("escape")
            await stills.arrived(pilot, ChooseScreen)
        for name, still in stills.STILLS.items():
            if name == "choose":
                continue
            await still(pilot)
            seen[name] = strips_of(pilot)
            if name == "ready":
                await pilot.press("m")
                await stills.arrived(pilot, SaidForm)
                assert isinstance(app.screen, SaidForm)
                seen["about the run"] = strips_of(pilot)
                await pilot.press("escape")
                await stills.arrived(pilot, ReadyScreen)
            app.engine = None
            while len(app.screen_stack) > 1:
                app.pop_screen()
            await stills.settled(pilot)
    return seen


@pytest.mark.parametrize(
    ("size", "mode"),
    [pytest.param(size, mode, marks=how_long(size, mode)) for size in SIZES for mode in MODES],
)
def test_every_screen_in_every_size_and_with_few_means(
    stills: ModuleType,
    monkeypatch: pytest.MonkeyPatch,
    request: pytest.FixtureRequest,
    size: str,
    mode: str,
) -> None:
    monkeypatch.chdir(HERE)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLORTERM", "")
    monkeypatch.delenv("NO_COLOR", raising=False)
    if mode == "no-colour":
        monkeypatch.setenv("NO_COLOR", "1")
    seen = asyncio.run(walk(stills, size, mode))

    for name, strips in seen.items():
        for colour in colours_of(strips):
            if mode == "no-colour":
                assert colour.is_default, (name, colour)
            else:
                assert colour.is_default or colour.number in range(16), (name, colour)
        assert not list(unreadable(strips)), name
        text = text_of(strips)
        width, height = SIZES[size]
        lines = text.splitlines()
        assert len(lines) <= height
        assert all(len(line) <= width for line in lines), name
        assert "nothing driven" in text or "parked" in text or "DRIVING" in text, name
        if mode == "ascii":
            assert text.isascii(), name
    for name in ("cautions", "ready"):
        assert "(n)" in text_of(seen[name]) or "Back (Esc)" in text_of(seen[name])
    assert "(y)" in text_of(seen["cautions"])  # both buttons, in the smallest window too
    assert "result" in text_of(seen["asking"])
    assert "result" in text_of(seen["sweeping"])

    told = "\n\n".join(f"== {name}\n{text_of(strips)}" for name, strips in seen.items()) + "\n"
    kept = FOLDER / f"{size}-{'ascii' if mode == 'ascii' else 'plain'}.txt"
    if request.config.getoption("update_snapshots"):
        FOLDER.mkdir(exist_ok=True)
        kept.write_text(told, encoding="utf-8")
    assert told == kept.read_text(encoding="utf-8")
