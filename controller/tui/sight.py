"""What is in sight of the one engine there may be: its latest picture, the status line, warnings.

Knows: screens that show pictures, and how often it is worth the while.
Must not know: which screens there are, what starts an engine, keys.
"""

from __future__ import annotations

import gc
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from textual import on
from textual.message import Message
from textual.screen import ModalScreen, Screen

from controller.errors import ExitCode
from controller.tui.habits import Habits
from controller.tui.parts import NO_LINK, NOTHING_DRIVEN, Part, Tone
from controller.tui.scale import Scale
from controller.tui.screens.base import BenchScreen
from controller.tui.sentences import sentence_on
from controller.tui.widgets.lines import StatusLine

if TYPE_CHECKING:
    from controller.tui.engine_thread import EngineThread, Picture

__all__ = ["DRAW_EVERY_S", "Sight"]

DRAW_EVERY_S = 0.2
"""Pictures are shown no more often than this; what lies between is skipped."""


class Sight(Habits):
    """The part of the program that shows what the engine does."""

    class EngineChanged(Message):
        """There is a newer picture."""

    def __init__(self, *, memory: Path | None, theme: str | None, scale: Scale | None) -> None:
        super().__init__(memory=memory, theme=theme, scale=scale)
        self.engine: EngineThread | None = None
        self._posted = False
        self._drawn_s = -1e9
        self._drawn_number = -1
        self._leaving = False
        self._warned = 0

    def on_mount(self) -> None:
        """Keep the age of the last reply honest while nothing else happens."""
        self.set_interval(1.0, self._tick)
        self._show_status()
        # It was off while the first frame was made; see `start`.
        self.call_after_refresh(gc.enable)

    @property
    def picture(self) -> Picture:
        """The latest picture; without one nothing was ever driven."""
        from controller.tui.engine_thread import Picture
        from controller.tui.view import RunView

        return Picture(view=RunView(), alive=False) if self.engine is None else self.engine.picture

    @property
    def driving(self) -> bool:
        """Whether a bench is open."""
        return self.engine is not None and self.engine.alive

    def engine_changed(self) -> None:
        """Called by the engine's thread; at most one message waits at a time."""
        if not self._posted:
            self._posted = True
            self.post_message(self.EngineChanged())

    @on(EngineChanged)
    def _engine_changed(self) -> None:
        wait_s = self._drawn_s + DRAW_EVERY_S - self._now_s()
        if wait_s > 0:
            self.set_timer(wait_s, self._draw)
        else:
            self._draw()

    def _draw(self) -> None:
        if self._exit or not self.is_running:
            return  # what is shown is being taken down
        self._posted = False
        self._drawn_s = self._now_s()
        if self.engine is None:
            return
        picture = self.engine.picture
        if picture.number != self._drawn_number:
            self._drawn_number = picture.number
            for screen in self._in_sight():
                # One that is not there yet shows the latest picture when it is.
                if isinstance(screen, BenchScreen) and screen.is_mounted:
                    screen.show_picture(picture)
        self._show_status()
        if not picture.alive and self._leaving:
            self.exit(ExitCode.INTERRUPTED)

    def _tick(self) -> None:
        if self.driving and not self._exit:
            self._show_status()

    def status(self) -> tuple[Part, ...]:
        """Return the status line."""
        if self.engine is None:
            return (NOTHING_DRIVEN, NO_LINK)
        from controller.tui.wording import status_parts

        picture = self.engine.picture
        return status_parts(
            picture.view,
            port=picture.port,
            now_s=self.engine.clock.now_s(),
            alive=picture.alive,
            stopping=self.engine.stopping,
            room=max(60, self.size.width - 2),
            scale=self.scale,
            parks_by_itself=picture.parks_by_itself,
            details=self.details,
        )

    def _show_status(self) -> None:
        parts = self.status()
        for screen in self._in_sight():
            for line in screen.query(StatusLine):
                line.show(parts)

    def _in_sight(self) -> Iterable[Screen[object]]:
        """Return the top screen, and what lies under a dialog.

        To change a screen that is covered would paint the covering one as a whole.
        """
        for screen in reversed(self.screen_stack):
            yield screen
            if not isinstance(screen, ModalScreen):
                return

    def catch_up(self) -> None:
        """Bring a screen up to date that has come into sight again."""
        self._drawn_number = -1
        self.call_after_refresh(self._draw)

    def _now_s(self) -> float:
        return self._loop.time() if self._loop is not None else 0.0

    def begin(self, engine: EngineThread) -> None:
        """Make this the one engine, and start it."""
        self.engine = engine
        self._warned = 0
        self._drawn_number = -1
        engine.start()

    def busy(self) -> bool:
        """Whether a bench is open already; says so."""
        if self.driving:
            self.say("Something is being driven: stop it first (F12).", Tone.DOUBT)
        return self.driving

    def say(self, text: str, tone: Tone = Tone.PLAIN, *, seconds: float = 8.0) -> None:
        """Tell something that needs no answer, for a few seconds."""
        severity = {Tone.BAD: "error", Tone.DOUBT: "warning"}.get(tone, "information")
        self.notify(
            sentence_on(text, self.scale),
            severity=severity,  # type: ignore[arg-type]
            markup=False,
            timeout=seconds,
        )

    def warn_once(self, warnings: Sequence[str]) -> None:
        """Tell each warning of a run for a few seconds, once."""
        for warning in warnings[self._warned :]:
            self.say(warning, Tone.DOUBT)
        self._warned = max(self._warned, len(warnings))

    def leave_now(self) -> None:
        """Leave as soon as the bench is closed; called from any thread."""
        self._leaving = True
        if not self.driving:
            self.call_from_thread(self.exit, ExitCode.INTERRUPTED)

    def show_anew(self) -> None:
        """Show every screen anew: the unit or the details have changed."""
        for screen in self.screen_stack:
            if isinstance(screen, BenchScreen) and screen.is_mounted:
                screen.show_scale()
        self._show_status()
