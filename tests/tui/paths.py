"""Steps that the ways of several people through the screens begin with."""

from __future__ import annotations

from pathlib import Path

from textual.widgets import OptionList

from controller.tui.dialogs import Ask
from controller.tui.screens.ready import ReadyScreen
from controller.tui.screens.run import RunScreen

WORKSHOP = Path(__file__).with_name("workshop")


def shown(screen: object, selector: str = "Sentences, PartsLine") -> str:
    return "\n".join(str(w.content) for w in screen.query(selector) if w.display)  # type: ignore[attr-defined]


def focused(app, name: str) -> bool:  # type: ignore[no-untyped-def]
    return app.screen.focused is not None and app.screen.focused.id == name


def lines_of(app, name: str) -> list[str]:  # type: ignore[no-untyped-def]
    return [str(option.prompt) for option in app.screen.query_one(f"#{name}", OptionList).options]


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
