"""What the screen keeps from one time to the next: last plan and bench, theme, unit, bell, ports.

Knows: one small JSON file in the user's data folder.
Must not know: Textual, what any of it means. Nothing here is worth an error: a file that cannot be
read is as good as none, and one that cannot be written is left.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path
from typing import TypeVar

__all__ = ["LastChoice", "Remembered", "load", "memory_file", "save"]

_Kept = TypeVar("_Kept")

_MOST = 50
"""Folders and ports kept; the oldest are forgotten."""

_MOST_BYTES = 1 << 20


@dataclass(frozen=True, kw_only=True)
class LastChoice:
    """The plan and bench that were prepared last in a folder; None: the bench of the plan."""

    plan: str
    bench: str | None


@dataclass(frozen=True, kw_only=True)
class Remembered:
    """Everything that is kept. `theme` and `unit` are empty until chosen.

    `choices` are by folder; `ports` are by bench file, where another port was picked than it names.
    """

    theme: str = ""
    unit: str = ""
    bell: bool = True
    details: bool = False
    choices: Mapping[str, LastChoice] = field(default_factory=dict)
    ports: Mapping[str, str] = field(default_factory=dict)

    def with_choice(self, folder: Path, plan: Path, bench: Path | None) -> Remembered:
        """Return the same with what was prepared last in a folder."""
        choice = LastChoice(plan=_key(plan), bench=None if bench is None else _key(bench))
        return replace(
            self, choices=_newest({**_without(self.choices, folder), _key(folder): choice})
        )

    def choice(self, folder: Path) -> LastChoice | None:
        """Return what was prepared last in a folder."""
        return self.choices.get(_key(folder))

    def with_port(self, bench: Path, port: str | None) -> Remembered:
        """Return the same with another port for a bench; None: the one that its file names."""
        ports = _without(self.ports, bench)
        if port is not None:
            ports[_key(bench)] = port
        return replace(self, ports=_newest(ports))

    def port(self, bench: Path | None) -> str | None:
        """Return the port picked for a bench; None: the one that its file names."""
        return None if bench is None else self.ports.get(_key(bench))


def memory_file(environ: Mapping[str, str]) -> Path:
    """Return where it is kept: beside the counts of relay operations."""
    from controller.bench.wear import wear_file

    return wear_file(environ).with_name("screen.json")


def load(path: Path | None) -> Remembered:
    """Return what is kept in a file; whatever is wrong in it counts as never said."""
    if path is None:
        return Remembered()
    try:
        with path.open("rb") as file:
            said = file.read(_MOST_BYTES)
        import json

        found = json.loads(said)
    except (OSError, ValueError, RecursionError):
        return Remembered()
    if not isinstance(found, dict):
        return Remembered()
    kinds: dict[str, type] = {"theme": str, "unit": str, "bell": bool, "details": bool}
    plain = {name: found[name] for name, kind in kinds.items() if type(found.get(name)) is kind}
    return Remembered(
        **plain,
        choices=_choices(found.get("choices")),
        ports={key: value for key, value in _items(found.get("ports")) if isinstance(value, str)},
    )


def save(path: Path | None, kept: Remembered) -> None:
    """Write it as a whole; where that cannot be done nothing is kept."""
    if path is None:
        return
    import json

    beside = path.with_name(f".{path.name}.{os.getpid()}")
    with suppress(OSError, ValueError):
        path.parent.mkdir(parents=True, exist_ok=True)
        plain = {one.name: getattr(kept, one.name) for one in fields(kept)}
        plain["choices"] = {key: asdict(value) for key, value in kept.choices.items()}
        plain["ports"] = dict(kept.ports)
        beside.write_text(json.dumps(plain, indent=1), encoding="utf-8")
        beside.replace(path)


def _choices(found: object) -> dict[str, LastChoice]:
    choices = {}
    for folder, said in _items(found):
        plan = said.get("plan") if isinstance(said, dict) else None
        bench = said.get("bench") if isinstance(said, dict) else None
        if isinstance(plan, str) and (bench is None or isinstance(bench, str)):
            choices[folder] = LastChoice(plan=plan, bench=bench)
    return choices


def _items(found: object) -> list[tuple[str, object]]:
    return list(found.items())[-_MOST:] if isinstance(found, dict) else []


def _key(path: Path) -> str:
    return str(path.absolute())


def _without(kept: Mapping[str, _Kept], path: Path) -> dict[str, _Kept]:
    return {key: value for key, value in kept.items() if key != _key(path)}


def _newest(kept: dict[str, _Kept]) -> dict[str, _Kept]:
    return dict(list(kept.items())[-_MOST:])
