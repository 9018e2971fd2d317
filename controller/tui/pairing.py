"""Two runs beside each other in words and columns.

Knows: pairs of results, and how what differs between them is said.
Must not know: Textual, files, how a run is replayed or steps are paired.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from controller.records.compare import Difference
from controller.run.model import StepResult
from controller.session.two_runs import Heading, Pair, TwoRuns
from controller.text import number, ohms
from controller.tui.parts import Cells, Column, Part, Tone
from controller.tui.scale import Scale
from controller.tui.text import one_line
from controller.tui.wording import difference, step_name, temperature, verdict_words

__all__ = [
    "COLUMNS",
    "difference_words",
    "pair_columns",
    "pair_rows",
    "pair_words",
    "summary_words",
]

COLUMNS = (
    Column("", 1, right=False, key="mark"),
    Column("target", 8, key="target"),
    Column("way", 4, right=False, key="way"),
    Column("step A", 6, key="step A"),
    Column("step B", 6, key="step B"),
    Column("rep. A", 8, key="reported A"),
    Column("rep. B", 8, key="reported B"),
    Column("B - A", 7, key="moved"),
    Column("may", 5, key="allowed"),
    Column("res. A", 7, right=False, key="result A"),
    Column("res. B", 7, right=False, key="result B"),
)
_LEFT_OUT = ("step A", "step B", "allowed", "way")
"""Columns that go first where there is no room for all."""

_WAYS = {Heading.WARMING: "up", Heading.COOLING: "down", Heading.NEITHER: ""}

_FIELDS = {
    "kind": "what is at the input",
    "state": "the relays",
    "path": "the way of the relays",
    "target_ohms": "the wanted resistance",
    "achieved_ohms": "the resistance",
    "target_celsius": "the wanted temperature",
    "achieved_celsius": "the temperature made",
    "expected_celsius": "the expected reading",
    "tolerance_celsius": "the limit",
    "uncertainty_celsius": "the uncertainty",
    "excursion_celsius": "the excursion",
    "planned_s": "the planned time",
    "reported_celsius": "the reading",
    "error_celsius": "the error",
    "verdict": "the result",
    "settled": "settled",
    "codes": "fault codes",
    "settle_s": "the time to settle",
    "error_celsius (judged again)": "the error, judged again",
    "verdict (judged again)": "the result, judged again",
    "reason (judged again)": "the reason, judged again",
}
_SPANS = ("error", "tolerance", "uncertainty", "excursion")


def pair_columns(room: int) -> tuple[Column, ...]:
    """Return the columns that fit so many cells; both results are always among them."""
    columns = list(COLUMNS)
    for key in _LEFT_OUT:
        if sum(column.width + 1 for column in columns) - 1 > room:
            columns = [column for column in columns if column.key != key]
    return tuple(columns)


def pair_rows(
    found: Sequence[Pair], scale: Scale = Scale.CELSIUS, columns: Sequence[Column] = COLUMNS
) -> tuple[Cells, ...]:
    """Return the rows of the table; one that differs says so with a sign and a tone."""
    return tuple(_row(pair, scale, columns) for pair in found)


def _row(pair: Pair, scale: Scale, columns: Sequence[Column]) -> Cells:
    cells = {
        "mark": "*" if pair.differs else "",
        "target": step_name(pair.step, scale),
        "way": _WAYS[pair.heading],
        "moved": difference(pair.moved_celsius, scale, sign=True),
        "allowed": difference(pair.allowed_celsius or None, scale),
    }
    for name, step, result in (
        ("A", pair.first_step, pair.first),
        ("B", pair.second_step, pair.second),
    ):
        cells[f"step {name}"] = "-" if step is None else str(step.index + 1)
        cells[f"reported {name}"] = temperature(
            None if result is None else result.reported_celsius, scale
        )
        cells[f"result {name}"] = "-" if result is None else verdict_words(result.verdict).text[:7]
    return Cells(
        tuple(cells[column.key] for column in columns),
        Tone.DOUBT if pair.differs else Tone.PLAIN,
    )


def summary_words(runs: TwoRuns) -> Part:
    """Say in a few words whether two runs differ."""
    if not runs.shared:
        return Part("? no step in common", Tone.DOUBT)
    count = len({d.step for d in runs.differences}) if runs.differences else runs.differing
    if not count:
        return Part("✓ no difference", Tone.GOOD)
    return Part(f"✗ {count} of {runs.shared} steps differ", Tone.DOUBT)


def pair_words(runs: TwoRuns, scale: Scale = Scale.CELSIUS) -> list[str]:
    """Say of each step that differs in what, and what only one run has."""
    told = [_step_words(pair, scale) for pair in runs.pairs if pair.differs]
    for which, missing in (
        ("A", [p for p in runs.pairs if p.second is None and p.first is not None]),
        ("B", [p for p in runs.pairs if p.first is None and p.second is not None]),
    ):
        if missing:
            names = ", ".join(_name(pair, scale) for pair in missing[:6])
            more = f" and {len(missing) - 6} more" if missing[6:] else ""
            told.append(f"Only in {which}: {names}{more}.")
    return told


def _step_words(pair: Pair, scale: Scale) -> str:
    assert pair.first is not None  # noqa: S101 - only what both have can differ
    assert pair.second is not None  # noqa: S101
    parts = list(_changes(pair, pair.first, pair.second, scale))
    return f"{_name(pair, scale)}: {'; '.join(parts)}."


def _changes(pair: Pair, one: StepResult, other: StepResult, scale: Scale) -> Iterable[str]:
    moved = pair.moved_celsius
    shown = [temperature(result.reported_celsius, scale) for result in (one, other)]
    if moved is None:
        shown = [s if s != "-" else "no reading" for s in shown]
        yield f"A {shown[0]}, B {shown[1]}"
    else:
        way = "higher" if moved > 0 else "lower"
        far = "reading" in pair.differs
        yield (
            f"A reported {shown[0]}, B {shown[1]}, {difference(abs(moved), scale)} {scale.unit}"
            f" {way}{' than A' if far else ', no more than may be'}"
        )
    if one.verdict is not other.verdict:
        yield f"result {one.verdict.value} in A, {other.verdict.value} in B"
    if one.codes != other.codes:
        yield f"fault codes {_codes(one.codes)} in A, {_codes(other.codes)} in B"


def difference_words(one: Difference, scale: Scale = Scale.CELSIUS) -> str:
    """Say what came out differently when a record was run again."""
    place = "the run" if one.step is None else f"step {one.step + 1}"
    name = _FIELDS.get(one.field, one.field.replace("_", " "))
    if one.field == "path":
        return f"{place}: {name} is another one"
    if one.field == "step":
        return f"{place}: judged in the record, not run again"
    was, now = (_value(one.field, value, scale) for value in (one.recorded, one.replayed))
    told = f"{place}: {name} was {was}, is {now}"
    if one.tolerance is not None and one.tolerance > 1e-3:
        told += f" (may differ by {_value(_as_span(one.field), one.tolerance, scale)})"
    return told


def _as_span(field: str) -> str:
    return "error_celsius" if "celsius" in field else field


def _value(field: str, value: object, scale: Scale) -> str:
    """Write a value as a person would, with its unit."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return _codes([str(one) for one in value])
    if not isinstance(value, int | float):
        return one_line(str(value))
    if "celsius" in field:
        on = scale.step if field.startswith(_SPANS) else scale.of
        return f"{number(on(float(value)), 2)} {scale.unit}"
    if "ohms" in field:
        return "open" if math.isinf(value) else f"{ohms(float(value))} ohm"
    return f"{value:.3g} s" if field.endswith("_s") else f"{value:g}"


def _codes(codes: Sequence[str]) -> str:
    return ", ".join(one_line(code) for code in codes) or "none"


def _name(pair: Pair, scale: Scale) -> str:
    name = step_name(pair.step, scale)
    if pair.step.target_celsius is None:
        return name
    return f"{name} {scale.unit}" + (f" {pair.heading.value}" if pair.heading.value else "")
