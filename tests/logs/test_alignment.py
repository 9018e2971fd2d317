"""Where a run lies in a log: how often it is found, refused, or found in the wrong place.

The logs come from `tool`, which knows for every row which step it is of and shares no code with
what finds that out. Wrong means that of a step's last rows, from which it is judged, more than a
few of a hundred are another step's; that must never happen. Method and threshold are measured
ones: common practice, no source.
"""

from __future__ import annotations

import bisect
import random
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import tool

from controller.logs import alignment
from controller.logs.alignment import Misfit, NotAligned, align
from controller.logs.model import LogRow, Stand

ORDERS = ("up", "down", "up-then-down", "random", "marked up", "marked down", "twice", "few")


def temperatures(order: str, chance: random.Random) -> list[float]:
    """Return the temperatures of a run in an order, with a span and a step of its own."""
    step = chance.choice([2.5, 5.0, 5.0, 10.0])
    low, high = (20.0, 100.0) if chance.random() < 0.2 else (-30.0, 120.0)
    up = [low + step * index for index in range(int((high - low) / step) + 1)]
    mixed = up[:]
    chance.shuffle(mixed)
    middle = up[len(up) // 2]
    return {
        "up": up,
        "down": up[::-1],
        "up-then-down": up + up[-2::-1],
        "random": mixed,
        "marked up": [high, low, high, middle, high, *up],
        "marked down": [low, high, low, middle, low, *up[::-1]],
        "twice": (up + up[-2::-1]) * 2,
        "few": mixed[:5],
    }[order]


def stands_of(run: tool.Bench) -> list[Stand]:
    return [
        Stand(step_index=index, from_s=set_s, to_s=left_s, expected_celsius=celsius)
        for index, (celsius, set_s, left_s) in enumerate(
            zip(run.celsius, run.set_s, run.left_s, strict=True)
        )
    ]


def log_rows(rows: list[tool.Row], device: tool.Tool) -> list[LogRow]:
    """Return what an importer makes of the rows."""
    return [
        LogRow(
            at_s=row.log_s,
            celsius=(row.value - 32.0) / 1.8 if device.in_degf else row.value,
        )
        for row in rows
        if row.value is not None
    ]


def outcome(order: str, seed: int) -> str:
    """Return what comes of one log: right, refused or wrong."""
    chance = random.Random(f"{order} {seed}")
    run = tool.bench(
        temperatures(order, chance), stand_s=chance.choice([7.0, 9.0, 9.0, 12.0, 20.0])
    )
    device = tool.any_tool(chance)
    rows = tool.log_of(run, tool.any_module(chance), device, chance.randrange(1 << 30))
    try:
        place = align(log_rows(rows, device), stands_of(run))
    except NotAligned:
        return "refused"
    taken = strange = 0
    for row in rows:
        at_s = place.run_s(row.log_s)
        index = bisect.bisect_right(run.set_s, at_s) - 1
        if row.value is None or not 0 <= index < len(run.celsius):
            continue
        set_s, left_s = run.set_s[index], run.left_s[index]
        if left_s - 0.4 * (left_s - set_s) <= at_s <= left_s - 1.0:
            taken += 1
            strange += row.step != index
    assert taken
    return "wrong" if strange > 0.03 * taken else "right"


def rates(tries: int, orders: tuple[str, ...] = ORDERS) -> dict[str, Counter[str]]:
    return {order: Counter(outcome(order, seed) for seed in range(tries)) for order in orders}


def table_of(found: dict[str, Counter[str]]) -> str:
    lines = [f"{'order':14}{'right':>7}{'refused':>9}{'wrong':>7}"]
    lines += [
        f"{order:14}{one['right']:7}{one['refused']:9}{one['wrong']:7}"
        for order, one in found.items()
    ]
    return "\n".join(lines)


def check(found: dict[str, Counter[str]], tries: int) -> None:
    """No log in the wrong place; most orders that can be found are, most staircases are not."""
    table = table_of(found)
    assert sum(one["wrong"] for one in found.values()) == 0, table
    findable = ("up-then-down", "random", "twice", "marked up", "marked down")
    assert sum(found[order]["right"] for order in findable) >= 0.75 * tries * len(findable), table
    staircases = ("up", "down")
    assert sum(found[order]["refused"] for order in staircases) >= 0.8 * tries * 2, table


def test_a_few_logs_of_every_order() -> None:
    check(rates(2), 2)


@pytest.mark.soak
def test_some_logs_of_every_order() -> None:
    check(rates(6), 6)


@pytest.mark.night
def test_many_logs_of_every_order() -> None:
    found = rates(200)
    print(table_of(found))
    check(found, 200)


def test_without_the_threshold_logs_end_up_in_the_wrong_place(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The planted fault: where any number of places counts as one, staircases go wrong."""
    monkeypatch.setattr(alignment, "_SAME_PLACE", float("inf"))
    found = rates(2, ("up", "down"))
    assert sum(one["wrong"] for one in found.values()) > 0, table_of(found)


SOUND = tool.Module()
QUIET = tool.Tool(jitter_s=0.0, late_s=0.4)
LEVELS = [float(level) for level in range(-30, 125, 5)]
UP_THEN_DOWN = LEVELS + LEVELS[-2::-1]


def laid(
    celsius: list[float], device: tool.Tool = QUIET, module: tool.Module = SOUND
) -> alignment.Alignment:
    run = tool.bench(celsius)
    return align(log_rows(tool.log_of(run, module, device, 1), device), stands_of(run))


@pytest.mark.parametrize("ahead_s", [-86_400.0, 0.0, 55.5, 1e6])
def test_what_the_clock_shows_means_nothing(ahead_s: float) -> None:
    place = laid(UP_THEN_DOWN, replace(QUIET, clock_ahead_s=ahead_s))
    # The shift holds the tool's delay, the module's lag, and up to one row's time.
    assert -0.3 <= place.offset_s - ahead_s - QUIET.late_s <= 1.6


@pytest.mark.parametrize("ppm", [-150.0, 0.0, 150.0])
def test_the_rate_of_a_wrong_clock_is_found_on_a_long_run(ppm: float) -> None:
    device = replace(QUIET, every_s=0.5, clock_ppm=ppm, clock_ahead_s=0.0)
    run = tool.bench(UP_THEN_DOWN, stand_s=40.0)
    place = align(log_rows(tool.log_of(run, tool.Module(), device, 1), device), stands_of(run))
    assert place.rate * 1e6 == pytest.approx(ppm, abs=60.0)


@pytest.mark.parametrize(
    "module",
    [
        tool.Module(series_ohms=150.0),
        tool.Module(leak_ohms=2e4),
        tool.Module(gain=1.2),
        tool.Module(shift_celsius=-7.0),
        tool.Module(most_celsius=115.0),
    ],
    ids=["series", "leak", "gain", "shift", "end"],
)
def test_a_module_at_fault_is_found_as_well(module: tool.Module) -> None:
    place = laid(UP_THEN_DOWN, module=module)
    assert -0.3 <= place.offset_s - QUIET.clock_ahead_s - QUIET.late_s <= 1.6


def refusal(celsius: list[float], rows: list[LogRow]) -> Misfit:
    with pytest.raises(NotAligned) as caught:
        align(rows, stands_of(tool.bench(celsius)))
    return caught.value.misfit


def test_what_is_refused_and_why() -> None:
    rows = log_rows(tool.log_of(tool.bench(UP_THEN_DOWN), tool.Module(), QUIET, 1), QUIET)
    assert refusal([20.0, 40.0, 60.0, 20.0], rows) is Misfit.FEW_LEVELS
    assert refusal(UP_THEN_DOWN, rows[:200]) is Misfit.TOO_SHORT
    stuck = [replace(row, celsius=20.0) for row in rows]
    assert refusal(UP_THEN_DOWN, stuck) is Misfit.NOWHERE
    upside_down = [replace(row, celsius=90.0 - row.celsius) for row in rows]
    assert refusal(UP_THEN_DOWN, upside_down) is Misfit.NOWHERE
    mixed = UP_THEN_DOWN[:]
    random.Random(3).shuffle(mixed)
    assert refusal(mixed, rows) is Misfit.NOWHERE


def test_a_staircase_is_ambiguous_and_a_marker_helps() -> None:
    with pytest.raises(NotAligned) as caught:
        laid(LEVELS)
    assert caught.value.misfit is Misfit.AMBIGUOUS
    assert caught.value.ratio is not None
    assert caught.value.ratio < alignment.LEAST_RATIO
    marked = laid([120.0, -30.0, 120.0, 45.0, 120.0, *LEVELS])
    assert marked.ratio is None or marked.ratio >= alignment.LEAST_RATIO


def test_a_run_that_was_logged_twice_over_has_two_places() -> None:
    run = tool.bench(UP_THEN_DOWN)
    rows = log_rows(tool.log_of(run, tool.Module(), QUIET, 1), QUIET)
    later_s = rows[-1].at_s - rows[0].at_s + 1.0
    again = [replace(row, at_s=row.at_s + later_s) for row in rows]
    assert refusal(UP_THEN_DOWN, rows + again) is Misfit.AMBIGUOUS
