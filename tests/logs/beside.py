"""A sweep whose readings come later, with a tool beside it that reads the simulated module.

`python tests/logs/beside.py` makes the demonstration's log anew.
"""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace
from pathlib import Path

from controller.bench.model import ReadbackKind
from controller.bench.wiring import open_bench
from controller.clock import VirtualClock
from controller.readback.base import Prompt, Reading
from controller.run.later import LaterRun
from controller.session.prepared import prepare

SWEEPS = Path(__file__).resolve().parents[2] / "sweeps"
DEMO = SWEEPS / "logs" / "tern-corroded.csv"


def log_beside(
    plan: Path, bench: Path | None = None, *, every_s: float = 1.0, before_s: float = 20.0
) -> str:
    """Return the CSV that a tool writes whose clock shows the seconds since it was switched on."""
    prepared = prepare(plan, bench, later=True)
    clock = VirtualClock()
    read_by_tool = replace(prepared.bench, readback=ReadbackKind.SIMULATED)
    lines = ["time_s,coolant_celsius"]
    due_s = 0.0
    with closing(open_bench(read_by_tool, clock)) as opened:
        opened.readback.ask(Prompt(token=1, step_index=0, text=""))
        job = LaterRun(prepared.resolved, opened, clock)
        lines += [f"{at:.1f},-40" for at in range(round(before_s))]
        while not job.finished:
            job.step()
            while clock.now_s() >= due_s:
                reading = opened.readback.poll()
                if isinstance(reading, Reading):
                    lines.append(f"{clock.now_s() + before_s:.1f},{reading.celsius:g}")
                due_s += every_s
        lines += [f"{clock.now_s() + before_s + at:.1f},-40" for at in range(1, 10)]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    DEMO.parent.mkdir(exist_ok=True)
    text = log_beside(SWEEPS / "coolant-sweep.toml", SWEEPS / "benches/simulated-corroded.toml")
    DEMO.write_text(text, encoding="utf-8")
