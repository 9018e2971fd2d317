"""Faults as edits of a source: small, named, each with the check that ought to find it.

A file of faults is made of blocks like this one; `full only` stands where a host at a port has no
means to see the fault, because that takes a record of latches, a fault or a preset counter. One
block may hold several edits, and a line of the source goes behind a sign and one space.

    fault: holds of half the length
    found by: path-seen-from-the-host
    full only
    in device.py
    - memory.due_at_ms = (at_ms + hold_ms)
    + memory.due_at_ms = (at_ms + hold_ms // 2)
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, kw_only=True)
class Edit:
    """Text that stands exactly once in a file, and what takes its place."""

    file: str
    right: str
    wrong: str


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One fault."""

    name: str
    found_by: str
    edits: tuple[Edit, ...]
    full_only: bool = False

    def apply(self, file: str, source: str) -> str:
        """Return the source of a file with the fault in it."""
        for edit in self.edits:
            if edit.file != file:
                continue
            if source.count(edit.right) != 1:
                times = source.count(edit.right)
                raise ValueError(f"{self.name}: {edit.right!r} stands {times} times in {file}")
            source = source.replace(edit.right, edit.wrong)
        return source


def read_faults(path: Path) -> list[Fault]:
    """Return the faults of a file; raises ValueError where it is not one."""
    faults = []
    for block in path.read_text("utf-8").split("\nfault: ")[1:]:
        name, found_by, *rest = [
            line for line in block.splitlines() if not line.startswith("# ---")
        ]
        if not found_by.startswith("found by: "):
            raise ValueError(f"{path.name}: {name}: who finds it?")
        full_only = rest[0] == "full only"
        faults.append(
            Fault(
                name=name,
                found_by=found_by.removeprefix("found by: "),
                edits=tuple(_edits(rest[full_only:])),
                full_only=full_only,
            )
        )
    return faults


def _edits(lines: list[str]) -> list[Edit]:
    edits = []
    for file, *body in _hunks(lines):
        right, wrong = (
            "\n".join(line[2:] for line in body if line.startswith(sign)) for sign in ("-", "+")
        )
        edits.append(Edit(file=file.removeprefix("in "), right=right, wrong=wrong))
    return edits


def _hunks(lines: list[str]) -> list[list[str]]:
    hunks: list[list[str]] = []
    for line in lines:
        if line.startswith("in "):
            hunks.append([line])
        elif line:
            hunks[-1].append(line)
    return hunks
