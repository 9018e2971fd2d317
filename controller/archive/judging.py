"""Everything judged again: another tolerance, another rule, another chart, over all runs at once.

Knows: the archive's tables, tolerance bands, curves, the guard bands of the decision rules.
Must not know: how runs were made, how answers are shown.

The rule is that of `run.judging` and `measurement.verdict`, written once more as SQL because it has
to be done for millions of steps; tests hold the two against each other. With another chart a step's
achieved ohms stand for another temperature, and the ladder's part of the uncertainty, kept in ohm,
becomes degC by the slope of the new chart (JCGM 100:2008, 5.1.3), which brings a part of its own.
A step that did not pass because the inputs disagree still does not, whatever else counts.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from controller.archive.store import connected, require_archive
from controller.errors import InputError
from controller.measurement.model import DecisionRule
from controller.measurement.verdict import guard_band_share
from controller.run.model import Reason
from controller.sensors.curve import Sensor

if TYPE_CHECKING:
    import duckdb

__all__ = ["Change", "Judged", "Turned", "judge_again"]


@dataclass(frozen=True, kw_only=True)
class Change:
    """What counts instead of what the runs were judged by; None: that stays.

    `tolerance_at` gives the tolerance at an expected temperature, both in degC. Only runs whose
    columns have the values of `only` are judged.
    """

    tolerance_at: Callable[[float], float] | None = None
    rule: DecisionRule | None = None
    sensor: Sensor | None = None
    only: tuple[tuple[str, str], ...] = ()


class Turned(NamedTuple):
    """A run whose verdict turns; `steps` counts those of its steps that do. There may be many."""

    run_id: str
    started_utc: str
    bench: str | None
    module: str | None
    plan: str | None
    before: str
    after: str
    steps: int


@dataclass(frozen=True, kw_only=True)
class Judged:
    """What came of judging again; `left_out` runs had a chart that could not be read again."""

    runs: int
    steps: int
    left_out: int
    turned: tuple[Turned, ...]


def judge_again(archive: Path, change: Change, *, threads: int | None = None) -> Judged:
    """Judge every run anew; nothing in the archive changes. Raises InputError."""
    require_archive(archive)
    with connected(archive, threads=threads) as con:
        _shares(con, change.rule)
        chosen = " AND ".join(["planned > 0", *(f"{column} = ?" for column, _ in change.only)])
        con.execute(
            "CREATE TEMP TABLE chosen AS SELECT run_key, share, planned, verdict"  # noqa: S608
            f" FROM runs JOIN shares USING (rule) WHERE {chosen}",
            [value for _, value in change.only],
        )
        _expected(con, change.sensor)
        _tolerances(con, change.tolerance_at)
        con.execute(
            _judged(chart=change.sensor is not None, band=change.tolerance_at is not None),
            {"apart": Reason.DISAGREE.value},
        )
        return _outcome(con)


def _judged(*, chart: bool, band: bool) -> str:
    """Return the statement that judges every step and sums up each run."""
    sql = _JUDGED
    for name, (without, with_it, wanted) in {
        "EXPECTED": ("s.expected_celsius", _BY_CHART["expected"], chart),
        "UNCERTAINTY": ("s.uncertainty_celsius", _BY_CHART["uncertainty"], chart),
        "CHARTS": ("", "LEFT JOIN expected n ON n.ohms = s.achieved_ohms", chart),
        "TOLERANCE": ("tolerance", "coalesce(t.new_tolerance, tolerance)", band),
        "BANDS": ("", "LEFT JOIN tolerances t ON t.celsius = stated.expected", band),
    }.items():
        sql = sql.replace(f"<{name}>", with_it if wanted else without)
    return sql


_BY_CHART = {
    "expected": "CASE WHEN s.kind = 'temperature' THEN n.expected ELSE s.expected_celsius END",
    "uncertainty": """CASE WHEN s.kind = 'temperature' THEN s.coverage_factor * sqrt(
        (s.ladder_ohms / n.slope) * (s.ladder_ohms / n.slope) + n.chart * n.chart
        + s.other_celsius * s.other_celsius) ELSE s.uncertainty_celsius END""",
}

_JUDGED = """
    CREATE TEMP TABLE judged AS
    WITH stated AS (
        SELECT s.run_key, s.verdict AS before, s.settled, s.reason, share,
            s.reported_celsius AS reported, s.tolerance_celsius AS tolerance,
            <EXPECTED> AS expected, <UNCERTAINTY> AS uncertainty
        FROM steps s JOIN chosen USING (run_key) <CHARTS>
    ), bounded AS (
        SELECT run_key, before, settled, coalesce(reason = $apart, false) AS apart,
            abs(reported - expected) AS size, <TOLERANCE> AS allowed, share * uncertainty AS guard,
            expected IS NOT NULL AND uncertainty IS NULL AS unknown
        FROM stated <BANDS>
    ), again AS (
        -- What has no reading, or is not expected to have one, has no size.
        -- What two inputs disagree about stands: the other one's reading is in another run.
        SELECT run_key, before, unknown,
            coalesce(size > allowed + guard, false) OR (apart AND before = 'fail') AS failed,
            coalesce(settled AND size <= allowed - guard, false) AND NOT apart AS passed
        FROM bounded
    )
    SELECT run_key, count(*) AS steps, count(*) FILTER (failed) AS failed,
        count(*) FILTER (passed AND NOT failed) AS passed,
        count(*) FILTER (before <> CASE WHEN failed THEN 'fail' WHEN passed THEN 'pass'
            ELSE 'undecided' END) AS turned,
        bool_or(unknown) AS unknown
    FROM again GROUP BY run_key
"""


def _shares(con: duckdb.DuckDBPyConnection, rule: DecisionRule | None) -> None:
    shares = {one.value: guard_band_share(rule or one) for one in DecisionRule}
    con.execute("CREATE TEMP TABLE shares (rule VARCHAR, share DOUBLE)")
    con.executemany("INSERT INTO shares VALUES (?, ?)", [list(one) for one in shares.items()])


def _expected(con: duckdb.DuckDBPyConnection, sensor: Sensor | None) -> None:
    """Make a table of what the achieved ohms stand for by a chart, as far as it reaches."""
    con.execute(
        "CREATE TEMP TABLE expected (ohms DOUBLE, expected DOUBLE, slope DOUBLE, chart DOUBLE)"
    )
    if sensor is None:
        return
    found = con.execute(
        "SELECT DISTINCT achieved_ohms FROM steps s JOIN chosen USING (run_key)"
        " WHERE s.kind = 'temperature' AND achieved_ohms IS NOT NULL"
    ).fetchnumpy()["achieved_ohms"]
    ohms = np.asarray(found, dtype=np.float64)
    curve = sensor.curve
    ends = np.sort(curve.ohms(np.array([curve.lowest_celsius, curve.highest_celsius])))
    inside = ohms[(ohms >= ends[0]) & (ohms <= ends[1])]
    celsius = curve.celsius(inside)
    columns = {
        "ohms": inside,
        "celsius": celsius,
        "slope": np.abs(curve.slope_ohms_per_kelvin(celsius)),
        "chart": curve.uncertainty_celsius(celsius),
    }
    con.register("by_chart", columns)
    con.execute("INSERT INTO expected SELECT ohms, celsius, slope, chart FROM by_chart")


def _tolerances(
    con: duckdb.DuckDBPyConnection, tolerance_at: Callable[[float], float] | None
) -> None:
    con.execute("CREATE TEMP TABLE tolerances (celsius DOUBLE, new_tolerance DOUBLE)")
    if tolerance_at is None:
        return
    known = con.execute(
        "SELECT DISTINCT expected_celsius FROM steps JOIN chosen USING (run_key)"
        " WHERE expected_celsius IS NOT NULL UNION SELECT expected FROM expected"
        " WHERE expected IS NOT NULL"
    ).fetchall()
    celsius = np.array([one for (one,) in known], dtype=np.float64)
    tolerance = np.array([tolerance_at(float(one)) for one in celsius], dtype=np.float64)
    con.register("new_tolerances", {"celsius": celsius, "tolerance": tolerance})
    con.execute("INSERT INTO tolerances SELECT celsius, tolerance FROM new_tolerances")


def _outcome(con: duckdb.DuckDBPyConnection) -> Judged:
    con.execute("""
        CREATE TEMP TABLE outcome AS
        SELECT run_key, verdict, coalesce(j.unknown, false) AS unknown,
            coalesce(j.steps, 0) AS steps, coalesce(j.turned, 0) AS turned,
            CASE WHEN j.failed > 0 THEN 'fail'
                WHEN j.passed = j.steps AND j.steps >= planned THEN 'pass'
                ELSE 'undecided' END AS after
        FROM chosen c LEFT JOIN judged j USING (run_key)
    """)
    runs, steps, left_out = _row(
        con,
        "SELECT count(*) FILTER (NOT unknown),"
        " coalesce(sum(steps) FILTER (NOT unknown), 0)::BIGINT,"
        " count(*) FILTER (unknown) FROM outcome",
    )
    turned = con.execute("""
        SELECT run_id, strftime(started_utc, '%Y-%m-%dT%H:%M:%SZ'), bench, module, plan,
            o.verdict, after, turned
        FROM outcome o JOIN runs USING (run_key)
        WHERE NOT unknown AND o.verdict <> after ORDER BY started_utc, run_id
    """).fetchall()
    return Judged(
        runs=runs,
        steps=steps,
        left_out=left_out,
        turned=tuple(map(Turned._make, turned)),
    )


def _row(con: duckdb.DuckDBPyConnection, sql: str) -> Sequence[int]:
    row = con.execute(sql).fetchone()
    if row is None:
        raise InputError.single("the archive could not answer")
    return row
