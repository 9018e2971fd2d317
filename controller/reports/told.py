"""What goes onto a report besides its record, in the words of whoever hands it over."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Attached", "Told"]


@dataclass(frozen=True, kw_only=True)
class Attached:
    """The text of a sensor or ladder check that belongs to the report, and its file's SHA-256."""

    name: str
    sha256: str
    text: str


@dataclass(frozen=True, kw_only=True)
class Told:
    """What no record knows and whoever hands the report over says; empty where nothing was said."""

    operator: str = ""
    machine: str = ""
    notes: tuple[str, ...] = ()
    codes_before: str = ""
    codes_after: str = ""
    checks: tuple[Attached, ...] = ()
