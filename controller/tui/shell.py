"""What a screen may ask of the program around it, declared; `app` does it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from textual.app import App

from controller.tui.parts import Tone
from controller.tui.remembered import Remembered
from controller.tui.scale import Scale

if TYPE_CHECKING:
    from controller.clock import Clock
    from controller.records.replay import Replay
    from controller.tui.engine_thread import EngineThread
    from controller.tui.preparing import ReadyRun

__all__ = ["Shell"]


class Shell(App[int]):
    """The program, as its screens know it.

    `clock` is for tests: the clock that every run gets. `cautions_read` names the benches whose
    cautions have been confirmed.
    """

    scale: Scale
    details: bool
    kept: Remembered
    folder: Path
    runs: Path
    record_path: Path
    engine: EngineThread | None
    clock: Clock | None
    cautions_read: set[str]

    def busy(self) -> bool:
        """Whether a bench is open already; says so."""
        raise NotImplementedError

    def begin(self, engine: EngineThread) -> None:
        """Make this the one engine, and start it."""
        raise NotImplementedError

    def engine_changed(self) -> None:
        """Called by the engine's thread when there is a newer picture."""
        raise NotImplementedError

    def catch_up(self) -> None:
        """Bring a screen up to date that has come into sight again."""
        raise NotImplementedError

    def say(self, text: str, tone: Tone = Tone.PLAIN, *, seconds: float = 8.0) -> None:
        """Tell something that needs no answer, for a few seconds."""
        raise NotImplementedError

    def use_scale(self, scale: Scale) -> None:
        """Show and take temperatures in a unit, on every screen."""
        raise NotImplementedError

    def show_anew(self) -> None:
        """Show every screen anew: the unit or the details have changed."""
        raise NotImplementedError

    def keep(self, kept: Remembered) -> None:
        """Keep other choices, now and for the next time."""
        raise NotImplementedError

    def ring(self) -> None:
        """Sound the terminal's bell, unless it is turned off."""
        raise NotImplementedError

    def warn_once(self, warnings: Sequence[str]) -> None:
        """Tell each warning of a run for a few seconds, once."""
        raise NotImplementedError

    def prepare(self, plan: Path, bench: Path | None) -> None:
        """Read and resolve a plan, then show what it would do."""
        raise NotImplementedError

    def start_run(self, run: ReadyRun, *, pace: str, resume: bool) -> None:
        """Ask what has to be asked, then run."""
        raise NotImplementedError

    def self_test(self, run: ReadyRun, done: Callable[[ReadyRun], None]) -> None:
        """Ask what has to be asked, then test the ladder of a run; `done` gets the run after it."""
        raise NotImplementedError

    def by_hand(self, bench: Path | None, plan: Path | None = None) -> None:
        """Open a bench for single values, with the sensor of a plan."""
        raise NotImplementedError

    async def pick_sensor(self) -> Path | None:
        """Ask for one of the sensors in the folder; None: none was picked."""
        raise NotImplementedError

    def pick_port(self, bench: Path | None) -> None:
        """Show who answers on which port, and pick one for a bench."""
        raise NotImplementedError

    def open_record(self, path: Path) -> None:
        """Show a record."""
        raise NotImplementedError

    def compare_with(self, path: Path) -> None:
        """Ask for a second record and show both."""
        raise NotImplementedError

    def show_replay(self, name: str, outcome: Replay) -> None:
        """Show a record beside its run on the simulated bench."""
        raise NotImplementedError

    def action_leave(self) -> None:
        """Go back to the screen before."""
        raise NotImplementedError
