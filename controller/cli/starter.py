"""The files of a first workshop: where they are kept, and how they are written into a folder."""

from __future__ import annotations

from pathlib import Path

from controller.errors import InputError, Problem
from controller.new_file import write_new

__all__ = ["STARTER_FILES", "write_starter"]

STARTER_FILES = (
    "coolant-check.toml",
    "coolant-sweep.toml",
    "benches/serial-example.toml",
    "benches/simulated-corroded.toml",
    "benches/simulated.toml",
    "ladders/bench-16.toml",
    "modules/tern-aux-diesel.toml",
    "recorded/coolant-corroded.jsonl",
    "sensors/tern-coolant-chart.toml",
    "sensors/tern-coolant.toml",
)
"""A part of the demonstration data that stands by itself; the wheel carries it beside this file."""

_IN_WHEEL = Path(__file__).with_name("starter_files")
_IN_SOURCES = Path(__file__).parents[2] / "sweeps"


def write_starter(folder: Path) -> list[Path]:
    """Write the files; return their paths. Raises InputError, with nothing written, if any exists.

    Raises InputError as well when the folder cannot be written to.
    """
    source = _IN_WHEEL if _IN_WHEEL.is_dir() else _IN_SOURCES
    paths = [folder / name for name in STARTER_FILES]
    there = [path for path in paths if path.exists()]
    if there:
        raise InputError(
            Problem(
                message="exists already and is not overwritten",
                where=str(path),
                hint="name an empty folder: rungwise init FOLDER",
            )
            for path in there
        )
    for name, path in zip(STARTER_FILES, paths, strict=True):
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            data = (source / name).read_bytes()
        except OSError as error:
            reason = f"cannot be written: {error.strerror}"
            raise InputError.single(reason, where=str(path)) from None
        write_new(path, data)
    return paths
