"""A small workshop of invented plans and benches, runs of them in virtual time, and the app."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import textual.app
import textual.pilot
from textual.screen import UPDATE_PERIOD, Screen

from controller.bench.wiring import open_bench
from controller.clock import Clock, VirtualClock
from controller.run.events import Event
from controller.run.job import run_events
from controller.run.sweep import SweepRun
from controller.tui.app import RungwiseApp
from controller.tui.palette import DARK
from controller.tui.preparing import ReadyRun, ready
from controller.tui.view import Phase
from controller.tui.widgets.answer import AnswerBox

WAITING = (Phase.ASKING, Phase.PAUSED, Phase.NUDGED)
"""Where a run goes on only when a person wants it to, a nudge for a minute."""

WORKSHOP = Path(__file__).with_name("workshop")


async def screen_at_rest(min_sleep: float = 0.0, max_sleep: float = 1.0) -> None:
    """Wait until the screen's own loop has nothing to do, and nothing before its next frame.

    Textual's pilot waits after each key until the whole process uses next to no processor time,
    which a run on the engine's thread keeps it from for the full second, twice a key.
    """
    loop: Any = asyncio.get_running_loop()
    end_s = loop.time() + max_sleep
    await asyncio.sleep(min_sleep)
    while loop.time() < end_s:
        soon_s = loop.time() + UPDATE_PERIOD
        due_s = (one.when() for one in loop._scheduled if not one.cancelled())
        if loop._ready:
            await asyncio.sleep(0)
        elif (next_s := min(due_s, default=end_s)) <= soon_s:
            await asyncio.sleep(next_s - loop.time())
        else:
            return


textual.app.wait_for_idle = textual.pilot.wait_for_idle = screen_at_rest


@pytest.fixture
def workshop() -> Path:
    return WORKSHOP


@pytest.fixture
def runs(tmp_path: Path) -> Path:
    return tmp_path / "runs"


@pytest.fixture
def sweep(runs: Path) -> ReadyRun:
    """A sweep of 21 steps at a module behind a corroded connector, all simulated."""
    return ready(WORKSHOP / "plans/sweep.toml", None, runs)


@pytest.fixture
def check(runs: Path) -> ReadyRun:
    """Open, 20, 80 degC, short; a person types the readings."""
    return ready(WORKSHOP / "plans/check.toml", None, runs)


def virtual_run(prepared: ReadyRun) -> list[Event]:
    """Return the events of a whole run on the virtual clock."""
    clock = VirtualClock()
    with closing(open_bench(prepared.prepared.bench, clock)) as bench:
        return list(run_events(SweepRun(prepared.prepared.resolved, bench, clock)))


@pytest.fixture
def sweep_events(sweep: ReadyRun) -> list[Event]:
    return virtual_run(sweep)


class ObligingClock(VirtualClock):
    """Virtual time that runs fast, and slowly while a person is waited for.

    A run that waits looks around at every slice; at full speed that would cost the whole machine.
    """

    def __init__(self, speed: float) -> None:
        super().__init__()
        self.speed = speed
        self.waits: Callable[[], bool] = lambda: False

    def sleep_s(self, seconds: float) -> None:
        """Move time forward and wait for its share."""
        super().sleep_s(seconds)
        if seconds > 0:
            time.sleep(0.05 if self.waits() else seconds / self.speed)


@dataclass
class Helper:
    """What the tests of whole screens need, under one name."""

    runs: Path
    folder: Path = WORKSHOP

    def app(
        self,
        *,
        clock: Clock | None = None,
        ascii_only: bool = False,
        theme: str | None = None,
        memory: Path | None = None,
        kind: type[RungwiseApp] = RungwiseApp,
    ) -> RungwiseApp:
        app = kind(
            self.folder,
            runs=self.runs,
            clock=clock,
            ascii_only=ascii_only,
            theme=theme or DARK.name,
            memory=memory,
        )
        app.animation_level = "none"
        if isinstance(clock, ObligingClock):
            clock.waits = lambda: app.picture.view.phase in WAITING
        return app

    @staticmethod
    def fast(speed: float = 100.0) -> ObligingClock:
        """Virtual time, fast, but with room for the screen between two steps."""
        return ObligingClock(speed)

    @staticmethod
    def run(body: Awaitable[None]) -> None:
        asyncio.run(body)  # type: ignore[arg-type]

    @staticmethod
    async def until(pilot: object, fact: Callable[[], object], seconds: float = 60.0) -> None:
        """Wait for something that, once true, stays true."""
        deadline = time.monotonic() + seconds
        while not fact():
            if time.monotonic() > deadline:
                pytest.fail(f"it never came true; the screen shows\n{drawn(pilot)}")
            await pilot.pause(0.04)  # type: ignore[attr-defined]

    @staticmethod
    def drawn(pilot: Any) -> str:
        """Return what stands on the screen, and what the run has come to."""
        return drawn(pilot)

    async def at(self, pilot: Any, kind: type[Screen[Any]]) -> None:
        """Wait until a screen or dialog of a kind is on top and has been filled."""
        app = pilot.app
        await self.until(pilot, lambda: isinstance(app.screen, kind) and app.screen.is_mounted)

    async def open_question(self, pilot: Any, step: int) -> None:
        """Wait until the screen takes an answer to the question that the run asks for a step.

        What the screen shows lags behind the run; only an answer to the same question is taken.
        """
        app = pilot.app

        def is_open() -> bool:
            prompt = app.picture.view.prompt
            boxes = list(app.screen.query(AnswerBox))
            return (
                prompt is not None
                and prompt.step_index == step
                and any(box.open_token == prompt.token for box in boxes)
            )

        await self.until(pilot, is_open)


def drawn(pilot: Any) -> str:
    """Return what stands on the screen, and what the run has come to."""
    app = pilot.app
    strips = app.screen._compositor.render_strips()
    text = "\n".join("".join(piece.text for piece in strip).rstrip() for strip in strips)
    view = getattr(getattr(app, "picture", None), "view", None)
    state = "" if view is None else f"phase {view.phase.value}, prompt {view.prompt}"
    return f"{text}\n{state}, mistakes {getattr(app, 'mistakes', [])}"


@pytest.fixture
def helper(runs: Path) -> Helper:
    return Helper(runs)
