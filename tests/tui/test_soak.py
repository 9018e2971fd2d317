"""Two thousand steps on the screen in virtual time: memory stays flat, the screen stays current."""

from __future__ import annotations

import gc
from pathlib import Path

import pytest

from controller.clock import VirtualClock
from controller.tui.preparing import begin_run, ready
from controller.tui.screens.run import RunScreen

SWEEPS = Path(__file__).resolve().parents[2] / "sweeps"
GROWTH_MB = {5: 6.0, 20: 12.0}
"""By hundreds of steps; the results of 1,500 alone take about two."""


def resident_mb() -> float:
    with Path("/proc/self/statm").open() as file:
        return int(file.read().split()[1]) * 4096 / 1e6


@pytest.mark.parametrize(
    "hundreds",
    [pytest.param(5, marks=pytest.mark.soak), pytest.param(20, marks=pytest.mark.night)],
)
def test_a_long_run_takes_no_more_room_as_it_goes_on(  # type: ignore[no-untyped-def]
    helper, tmp_path: Path, hundreds: int
) -> None:
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
repeat = {2 * hundreds}
[settle]
within_celsius = 1.0
for_s = 0.5
at_most_s = 5.0
"""
    )
    prepared = ready(plan, None, helper.runs)
    total = len(prepared.prepared.resolved.steps)
    assert total >= 100 * hundreds

    async def body() -> None:
        app = helper.app(clock=VirtualClock())
        async with app.run_test(size=(80, 24)) as pilot:
            engine = begin_run(
                prepared, pace="at once", changed=app.engine_changed, clock=app.clock
            )
            app.record_path = prepared.record
            app.begin(engine)
            app.push_screen(RunScreen(prepared, engine))
            await helper.until(pilot, lambda: app.picture.view.done >= 25 * hundreds, 120)
            gc.collect()
            early = resident_mb()
            await helper.until(pilot, lambda: app.picture.view.done >= 100 * hundreds, 240)
            gc.collect()
            grown = resident_mb() - early
            await helper.until(pilot, lambda: not app.driving, 60)
            await helper.until(pilot, lambda: app.screen._ended)
            assert app.picture.view.done == total
            assert app.screen._shown.done == total
            assert grown < GROWTH_MB[hundreds], f"{grown:.1f} MB more"
            assert app.mistakes == []

    helper.run(body())
