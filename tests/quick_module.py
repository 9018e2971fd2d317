"""The demonstration's module with a filter that is soon through, for runs that take real time."""

from __future__ import annotations

from pathlib import Path

__all__ = ["SWEEPS", "write_quick_module"]

SWEEPS = Path(__file__).resolve().parents[1] / "sweeps"


def write_quick_module(path: Path) -> None:
    """Write the module file: the coolant input, but for its filter."""
    text = (SWEEPS / "modules" / "tern-aux-diesel.toml").read_text("utf-8")
    for before, after in (
        ("filter_time_constant_s = 0.15", "filter_time_constant_s = 0.01"),
        ("../sensors", f"{SWEEPS}/sensors"),
    ):
        assert text.count(before) == 1
        text = text.replace(before, after)
    path.write_text(text, "utf-8")
