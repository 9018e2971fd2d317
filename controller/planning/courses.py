"""The tables [profile] and [search] of plan files."""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path

from controller.csv_table import read_csv_table
from controller.documents import Table
from controller.errors import InputError
from controller.planning.profile import Profile, place_steps, repeated
from controller.planning.ranges import MOST_STEPS, range_values
from controller.planning.search import Limits, Search, Watch
from controller.units import celsius_from_fahrenheit

__all__ = ["read_profile", "read_search"]

_LONGEST_S = 7 * 86400.0


def read_profile(root: Table) -> Profile | None:
    """Read a plan's course and place its steps; None after a problem has been noted."""
    table = root.table("profile")
    if "file" in table and "points" in table:
        table.problem(
            "points",
            "the temperatures over time are given twice",
            hint="leave file or points out",
        )
        table.raw("points")
    if "file" in table:
        points = table.file("file", _course) or []
    else:
        points = [(row[0], row[1]) for row in table.number_rows("points", columns=2, least=2)]
        for index, ((start_s, _), (end_s, _)) in enumerate(pairwise(points), start=1):
            if end_s < start_s:
                table.problem(
                    f"points[{index}]", f"time runs backwards, {start_s:g} to {end_s:g} s"
                )
    step_celsius = table.number("step_celsius", default=1.0, least=0.01, most=100.0)
    repeat = table.integer("repeat", default=1, least=1, most=10_000)
    lead_s = table.number("lead_s", default=10.0, least=0.0, most=3600.0)
    late_after_s = table.number("late_after_s", default=0.1, least=0.0, most=3600.0)
    if not root.document.sound:
        return None
    length_s = (points[-1][0] - points[0][0]) * repeat
    if not 0 < length_s <= _LONGEST_S:
        table.problem("", f"the course takes {length_s:g} s", hint="above zero, seven days at most")
        return None
    whole = repeated(points, repeat)
    steps = []
    for step in place_steps(whole, step_celsius):
        steps.append(step)
        if len(steps) > MOST_STEPS:
            table.problem("step_celsius", f"makes more than {MOST_STEPS} steps")
            return None
    return Profile(
        points=whole,
        steps=tuple(steps),
        step_celsius=step_celsius,
        lead_s=lead_s,
        late_after_s=late_after_s,
    )


def _course(path: Path) -> list[tuple[float, float]]:
    """Read a course from a CSV file. Raises InputError."""
    try:
        columns = read_csv_table(path, {"time_s": _number, "celsius": _number})
        celsius = columns["celsius"]
    except InputError as error:
        if not any("column celsius" in problem.message for problem in error.problems):
            raise
        try:
            columns = read_csv_table(path, {"time_s": _number, "fahrenheit": _number})
        except InputError:
            raise error from None
        celsius = [celsius_from_fahrenheit(value) for value in columns["fahrenheit"]]
    times = columns["time_s"]
    for start_s, end_s in pairwise(times):
        if end_s < start_s:
            raise InputError.single(
                f"time runs backwards, from {start_s:g} to {end_s:g} s", where=str(path)
            )
    if len(times) < 2:
        raise InputError.single("a profile needs at least two points", where=str(path))
    return list(zip(times, celsius, strict=True))


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise InputError.single(f"{text!r} is not a number") from None
    if not math.isfinite(value):
        raise InputError.single(f"{text!r} is not a finite number")
    return value


def read_search(root: Table) -> tuple[Search | None, list[float]]:
    """Read a plan's search and the temperatures of its levels; none after a problem was noted."""
    table = root.table("search")
    watch = Watch(table.choice("watch", [one.value for one in Watch]))
    reaches = table.optional_number("reaches_celsius")
    code = table.optional_text("code")
    clear = table.boolean("clear_codes", default=False)
    if watch is Watch.READING and reaches is None:
        table.problem("reaches_celsius", "is missing", hint="what the reading has to reach")
    if watch is not Watch.READING and reaches is not None:
        table.problem("reaches_celsius", 'belongs to watch = "reading"')
    if watch is not Watch.CODE and (code is not None or clear):
        key = "code" if code is not None else "clear_codes"
        table.problem(key, 'belongs to watch = "code"')
    first, last = table.number("from_celsius"), table.number("to_celsius")
    if first == last:
        table.problem("to_celsius", "must differ from from_celsius")
    step = table.number("step_celsius", above=0.0)
    within = table.number("within_celsius", default=0.5, least=0.01)
    if within > step:
        table.problem("within_celsius", f"must not be more than step_celsius, {step:g}")
    wait_s = table.number("wait_s", default=5.0, least=0.0, most=3600.0)
    there, back = _limits(table, "there"), _limits(table, "back")
    hysteresis = _limits(table, "hysteresis", keys=("least_kelvin", "most_kelvin"))
    if abs(last - first) / within > MOST_STEPS:
        table.problem("within_celsius", f"makes more than {MOST_STEPS} levels")
    if not root.document.sound:
        return None, []
    search = Search(
        watch=watch,
        from_celsius=first,
        to_celsius=last,
        step_celsius=step,
        within_celsius=within,
        wait_s=wait_s,
        reaches_celsius=reaches,
        code=code or "",
        clear_codes=clear,
        there=there,
        back=back,
        hysteresis=hysteresis,
    )
    if search.one_way and (back.stated or hysteresis.stated):
        table.problem(
            "clear_codes", "is needed for limits on the way back: codes stay until cleared"
        )
    return search, range_values(first, last, within)


def _limits(
    table: Table, key: str, *, keys: tuple[str, str] = ("lowest_celsius", "highest_celsius")
) -> Limits:
    limits = table.optional_table(key)
    if limits is None:
        return Limits()
    low, high = (limits.optional_number(name) for name in keys)
    if low is None and high is None:
        limits.problem("", "states no limit", hint=" and ".join(keys))
    if low is not None and high is not None and high < low:
        limits.problem(keys[1], f"must not be below {keys[0]}, {low:g}")
    return Limits(
        lowest=-math.inf if low is None else low, highest=math.inf if high is None else high
    )
