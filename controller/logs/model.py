"""What a log holds, and what it is laid against: plain values, no files, no run."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["LogRow", "ReadingsLog", "Stand"]


@dataclass(frozen=True, kw_only=True)
class LogRow:
    """One value of a log. `at_s` is on the log's own clock, whose origin means nothing."""

    at_s: float
    celsius: float


@dataclass(frozen=True, kw_only=True)
class ReadingsLog:
    """The rows of a log in the order of time. `empty` counts the rows that hold no value.

    `time_column` and `value_column` are the headings they were taken from, or the columns'
    numbers where the file has no headings. `starts_at` is the first time as the file writes it.
    """

    rows: tuple[LogRow, ...]
    empty: int
    time_column: str
    value_column: str
    unit: str
    starts_at: str


@dataclass(frozen=True, kw_only=True)
class Stand:
    """A step that stood from one time to another on the run's clock, nothing moving.

    `expected_celsius` is what a healthy module shows at a temperature; None for any other step,
    an open or a short circuit, whose place no curve gives.
    """

    step_index: int
    from_s: float
    to_s: float
    expected_celsius: float | None
