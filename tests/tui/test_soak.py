"""Two thousand steps on the screen in virtual time: memory stays flat, the screen stays current."""

from __future__ import annotations

import gc
from pathlib import Path

import pytest

from controller.clock import VirtualClock
from controller.tui.preparing import begin_run, ready
from controller.tui.screens.run import RunScreen

pytestmark = pytest.mark.soak

SWEEPS = Path(__file__).resolve().parents[2] / "sweeps"
GROWTH_MB = 12.0
"""For 1,500 steps; their results alone take about two."""


def resident_mb() -> float:
    with Path("/proc/self/statm").open() as file:
        return int(file.read().split()[1]) * 4096 / 1e6


def test_two_thousand_steps(helper, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    plan = tmp_path / "long.toml"
    plan.write_text(
        f"""
format = "rungwise-plan/1"
kind = "sweep"
sensor = "{SWEEPS}/sensors/tern-coolant.toml"
module = "{SWEEPS}/modules/tern-aux-diesel.toml"
tolerance_celsius = 3.0
[[targets]]
from_celsius = 0
to_celsius = 100
step_celsius = 4
direction = "up-then-down"
repeat = 40
[settle]
within_celsius = 1.0
for_s = 0.5
at_most_s = 5.0
"""
    )
    prepared = ready(plan, None, helper.runs)
    total = len(prepared.prepared.resolved.steps)
    assert total >= 2000

    async def body() -> None:
        app = helper.app(clock=VirtualClock())
        async with app.run_test(size=(80, 24)) as pilot:
            engine = begin_run(
                prepared, pace="at once", changed=app.engine_changed, clock=app.clock
            )
            app.record_path = prepared.record
            app.begin(engine)
            app.push_screen(RunScreen(prepared, engine))
            await helper.until(pilot, lambda: app.picture.view.done >= 500, 120)
            gc.collect()
            early = resident_mb()
            await helper.until(pilot, lambda: app.picture.view.done >= 2000, 120)
            gc.collect()
            grown = resident_mb() - early
            await helper.until(pilot, lambda: not app.driving, 60)
            await helper.until(pilot, lambda: app.screen._ended)
            assert app.picture.view.done == total
            assert app.screen._shown.done == total
            assert grown < GROWTH_MB, f"{grown:.1f} MB more"
            assert app.mistakes == []

    helper.run(body())
