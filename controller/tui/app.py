"""The shell: which screen is shown, the one engine there may be, the keys that work everywhere.

The first frame comes before numpy, plans and plots are imported.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Coroutine, Iterable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual import work
from textual.app import SystemCommand
from textual.binding import Binding, BindingType
from textual.filter import Monochrome, NoColor
from textual.screen import ModalScreen, Screen
from textual.worker import Worker, WorkerState

from controller.errors import ExitCode, RelayKnowledge
from controller.tui.guard import Guard
from controller.tui.palette import (
    DARK,
    LIGHT,
    SIXTEEN,
    THEMES,
    AsciiFilter,
    NoColourFilter,
    needs_ascii,
)
from controller.tui.parts import Part, Tone
from controller.tui.remembered import memory_file
from controller.tui.scale import Scale
from controller.tui.screens.base import BenchScreen
from controller.tui.screens.choose import ChooseScreen
from controller.tui.sight import Sight
from controller.tui.style import CSS

if TYPE_CHECKING:
    from textual.driver import Driver

    from controller.clock import Clock
    from controller.records.replay import Replay
    from controller.tui.preparing import ReadyRun

__all__ = ["RungwiseApp", "main"]

RUNS = Path("runs")
"""Where records go, beside where the program was started."""


class RungwiseApp(Sight):
    """The program on a terminal."""

    TITLE = "Rungwise"
    CSS = CSS
    ENABLE_COMMAND_PALETTE = True
    COMMAND_PALETTE_DISPLAY = "ctrl+p"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f12", "stop", "STOP", priority=True, id="app.stop", key_display="F12",
                tooltip="Stop and park at once; works everywhere"),
        Binding("ctrl+c", "stop_or_quit", "Stop, else quit", priority=True, show=False,
                id="app.interrupt", tooltip="Stop what is driven; quit when nothing is"),
        Binding("f1", "help", "Help", priority=True, id="app.help", key_display="F1",
                tooltip="The keys of this screen"),
        Binding("ctrl+p", "command_palette", "All actions", priority=True, show=False,
                id="app.palette", tooltip="Find any action by its name"),
        Binding("f8", "scale", "degC/degF", show=False, id="app.scale", key_display="F8",
                tooltip="Show and type temperatures in the other unit"),
        Binding("f9", "details", "Details", show=False, id="app.details",
                tooltip="Show or hide uncertainty, limit and ladder state"),
        Binding("ctrl+g", "switch_bell", "Bell on/off", show=False, id="app.bell",
                tooltip="Ring at a question, a fail and the end, or never"),
        Binding("ctrl+q", "quit", "Quit", priority=True, id="app.quit",
                tooltip="Leave; asks first while something is driven"),
    ]  # fmt: skip

    def __init__(
        self,
        folder: Path,
        *,
        runs: Path = RUNS,
        ascii_only: bool = False,
        theme: str | None = None,
        clock: Clock | None = None,
        scale: Scale | None = None,
        memory: Path | None = None,
    ) -> None:
        super().__init__(memory=memory, theme=theme, scale=scale)
        self.folder = folder
        self.runs = runs
        self.record_path = Path()
        self.mistakes: list[BaseException | None] = []
        self.clock = clock
        self.cautions_read: set[str] = set()
        if self.no_color:
            # Greys are colours too, and a terminal of 16 colours has hardly any to tell apart.
            self._filters = [
                one for one in self._filters if not isinstance(one, Monochrome | NoColor)
            ]
            self._filters.append(NoColourFilter(lambda: self.current_theme.dark))
        if ascii_only:
            self._filters.append(AsciiFilter())

    def get_driver_class(self) -> type[Driver]:
        """Return what reads the terminal; on Unix one that survives any byte."""
        found = super().get_driver_class()
        if sys.platform == "win32":
            return found
        from controller.tui.terminal_input import patient

        return patient(found)

    def get_key_display(self, binding: Binding) -> str:
        """Write keys as they stand on the keyboard, everywhere in one way."""
        key = binding.key
        if key.startswith("f") and key[1:].isdigit():
            return key.upper()
        if key.startswith("ctrl+") and len(key) == 6:
            return f"Ctrl+{key[-1].upper()}"
        named = {"escape": "Esc", "enter": "Enter", "tab": "Tab", "space": "Space"}
        return named.get(key) or super().get_key_display(binding)

    def get_default_screen(self) -> Screen[None]:
        """Return the first screen."""
        return ChooseScreen()

    def on_worker_state_changed(self, event: Worker.StateChanged) -> None:
        """Tell of a mistake in background work, which would else vanish."""
        if event.state is WorkerState.ERROR:
            error = event.worker.error
            self.mistakes.append(error)
            self.say(f"Internal error, please report it: {type(error).__name__}: {error}", Tone.BAD)

    # What the screens ask for

    def flow(self, group: str, steps: Coroutine[None, None, None]) -> None:
        """Run one of the flows; another one of the same group is given up for it."""
        self.run_worker(steps, group=group, exclusive=True, exit_on_error=False)

    def prepare(self, plan: Path, bench: Path | None) -> None:
        """Read and resolve a plan, then show what it would do."""
        from controller.tui import flows

        if not any(one.group == "prepare" and one.is_running for one in self.workers):
            self.flow("prepare", flows.prepare(self, plan, bench))

    def start_run(self, run: ReadyRun, *, pace: str, resume: bool) -> None:
        """Ask what has to be asked, then run."""
        from controller.tui import flows

        self.flow("start", flows.start_run(self, run, pace=pace, resume=resume))

    def self_test(self, run: ReadyRun, done: Callable[[ReadyRun], None]) -> None:
        """Ask what has to be asked, then test the ladder of a run; `done` gets the run after it."""
        from controller.tui import flows

        self.flow("start", flows.self_test(self, run, done))

    def by_hand(self, bench: Path | None, plan: Path | None = None) -> None:
        """Open a bench for single values, with the sensor of a plan."""
        from controller.tui import flows

        self.flow("start", flows.by_hand(self, bench, plan))

    async def pick_sensor(self) -> Path | None:
        """Ask for one of the sensors in the folder; None: none was picked."""
        from controller.tui import flows

        return await flows.pick_sensor(self)

    def pick_port(self, bench: Path | None) -> None:
        """Show who answers on which port, and pick one for a bench."""
        from controller.tui import flows

        self.flow("start", flows.pick_port(self, bench))

    def open_record(self, path: Path) -> None:
        """Show a record."""
        from controller.tui import flows

        self.flow("record", flows.open_record(self, path))

    def compare_with(self, path: Path) -> None:
        """Ask for a second record and show both."""
        from controller.tui import flows

        self.flow("record", flows.compare_with(self, path))

    def show_replay(self, name: str, outcome: Replay) -> None:
        """Show a record beside its run on the simulated bench."""
        from controller.tui import flows

        flows.show_replay(self, name, outcome)

    # Keys that work everywhere

    def action_leave(self) -> None:
        """Go back to the screen before."""
        if len(self.screen_stack) > 1:
            self.pop_screen()

    def action_stop(self) -> None:
        """Stop and park; questions that are open are answered with no."""
        if self.engine is None or not self.driving:
            return
        self.engine.stop()
        while isinstance(self.screen, ModalScreen):
            top = self.screen
            top.dismiss(None)
            if self.screen is top:
                break
        self._show_status()

    async def action_stop_or_quit(self) -> None:
        """Stop what is driven; quit when nothing is."""
        if self.driving:
            self.action_stop()
        else:
            self.exit(0)

    @work(exclusive=True, group="quit", exit_on_error=False)
    async def action_quit(self) -> None:  # type: ignore[override]
        """Quit; while something is driven, ask, and park first."""
        if not self.driving:
            self.exit(0)
            return
        from controller.tui.dialogs import Ask

        question = Ask(
            "Something is being driven",
            [Part("Quitting stops the run and parks the ladder first.")],
            yes="Stop, park and quit",
            no="Stay",
        )
        if await self.push_screen_wait(question):
            self._leaving = True
            if self.engine is not None:
                self.engine.stop()
            self.engine_changed()

    def action_help(self) -> None:
        """Show the keys of the screen."""
        from controller.tui.screens.help import HelpScreen, key_lines

        if isinstance(self.screen, HelpScreen):
            self.screen.dismiss(None)
            return
        about = self.screen.HELP if isinstance(self.screen, BenchScreen) else ""
        self.push_screen(HelpScreen(about, key_lines(self.screen)))

    def get_system_commands(self, screen: Screen[object]) -> Iterable[SystemCommand]:
        """Offer every action that a key can start on this screen, and the themes."""
        seen: set[str] = set()
        for active in screen.active_bindings.values():
            binding, node = active.binding, active.node
            if not binding.description or not active.enabled or binding.action in seen:
                continue
            if binding.action.endswith("command_palette") or not binding.tooltip:
                continue
            seen.add(binding.action)
            key = self.get_key_display(binding)

            async def act(action: str = binding.action, node: object = node) -> None:
                await self.run_action(action, node)  # type: ignore[arg-type]

            yield SystemCommand(binding.description, f"{binding.tooltip} ({key})", act)
        for theme, words in zip(THEMES, ("dark", "light", "16 colours"), strict=True):
            yield SystemCommand(
                f"Theme: {words}", "How it looks; kept for the next time",
                partial(self.action_look, theme.name),
            )  # fmt: skip

    @work(exclusive=True, group="palette", exit_on_error=False)
    async def action_command_palette(self) -> None:  # type: ignore[override]
        """Offer every action by its name."""
        from controller.tui.screens.actions import ActionsScreen

        if isinstance(self.screen, ModalScreen):
            return
        picked = await self.push_screen_wait(
            ActionsScreen(tuple(self.get_system_commands(self.screen)))
        )
        if picked is not None:
            self.call_later(picked.callback)


def main(argv: Sequence[str] | None = None) -> int:
    """Open the terminal UI; return the exit status.

    Arguments: an optional folder instead of ``sweeps``, ``--ascii``, ``--fahrenheit``,
    ``--light``, ``--dark``, ``--16-colours``.
    """
    import argparse

    parser = argparse.ArgumentParser(prog="rungwise", description="The bench in one screen.")
    parser.add_argument("folder", nargs="?", type=Path, default=Path("sweeps"))
    parser.add_argument("--fahrenheit", action="store_true", help="temperatures in degF")
    parser.add_argument("--ascii", action="store_true", help="no glyphs beyond ASCII")
    look = parser.add_mutually_exclusive_group()
    look.add_argument("--dark", dest="theme", action="store_const", const=DARK.name)
    look.add_argument("--light", dest="theme", action="store_const", const=LIGHT.name)
    look.add_argument("--16-colours", dest="theme", action="store_const", const=SIXTEEN.name)
    arguments = parser.parse_args([] if argv is None else argv)
    app = RungwiseApp(
        arguments.folder,
        ascii_only=arguments.ascii or needs_ascii(os.environ),
        theme=arguments.theme,
        scale=Scale.FAHRENHEIT if arguments.fahrenheit else None,
        memory=memory_file(os.environ),
    )
    return run(app)


def run(app: RungwiseApp) -> int:
    """Run the program until it is left; whatever ends it, the bench is closed and parked first."""
    guard = Guard(lambda: app.engine, app.leave_now)
    status: int | None = None
    with guard.on_duty():
        try:
            status = app.run()
        finally:
            # A crash in a widget ends up here too.
            if app.engine is not None:
                app.engine.stop()
                app.engine.join()
    relays = app.picture.relays
    if app.return_code or status is None:
        # Whoever leaves in good order says a status.
        print(f"The screen has failed; {relays.value}.", file=sys.stderr)  # noqa: T201
        return int(app.return_code or ExitCode.FAIL)
    if relays is RelayKnowledge.UNKNOWN:
        print(f"rungwise: {relays.value}", file=sys.stderr)  # noqa: T201
        return int(ExitCode.LINK_FAULT)
    if guard.ended:
        return int(ExitCode.INTERRUPTED)
    return int(status)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
