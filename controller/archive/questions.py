"""What an archive is asked: ready questions, and those of one's own.

Knows: the archive's tables, SQL.
Must not know: how answers are shown, where files lie.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.archive.store import connected, engine, require_archive
from controller.errors import InputError

__all__ = ["QUESTIONS", "Answer", "Question", "answer", "answer_sql"]


@dataclass(frozen=True, kw_only=True)
class Question:
    """A ready question. `drawn` names the columns of its picture: along, up, and one line each."""

    summary: str
    sql: str
    drawn: tuple[str, str, str] | None = None
    needs: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Answer:
    """A table: the names of its columns and its rows."""

    columns: tuple[str, ...]
    rows: tuple[tuple[Any, ...], ...]


QUESTIONS: Mapping[str, Question] = {
    "failures": Question(
        summary="failure rate by bench and week",
        sql="""
            SELECT bench, date_trunc('week', started_utc)::DATE AS week, count(*) AS runs,
                count(*) FILTER (verdict = 'fail') AS failed,
                count(*) FILTER (verdict = 'undecided') AS undecided,
                round(100.0 * count(*) FILTER (verdict = 'fail') / count(*), 2) AS failed_percent
            FROM runs WHERE planned > 0
            GROUP BY ALL ORDER BY bench, week
        """,
        drawn=("week", "failed_percent", "bench"),
    ),
    "cold": Question(
        summary="modules that read cold above a temperature (--above, degC)",
        sql="""
            WITH by_run AS (
                SELECT run_key, count(*) AS n, sum(error_celsius) AS total,
                    min(error_celsius) AS coldest,
                    count(*) FILTER (error_celsius < -tolerance_celsius) AS cold
                FROM steps
                WHERE expected_celsius > $above AND kind = 'temperature'
                    AND error_celsius IS NOT NULL
                GROUP BY run_key
            )
            SELECT module, count(*) AS runs, sum(n)::BIGINT AS steps,
                round(sum(total) / sum(n), 3) AS mean_error_celsius,
                round(min(coldest), 3) AS coldest_error_celsius,
                round(100.0 * sum(cold) / sum(n), 2) AS too_cold_percent
            FROM by_run JOIN runs USING (run_key)
            GROUP BY module HAVING sum(total) < 0
            ORDER BY sum(total) / sum(n), module
        """,
        needs=("above",),
    ),
    "drift": Question(
        summary="drift of a ladder: its measured states by month, parts per million of expected",
        sql="""
            SELECT ladder, date_trunc('month', started_utc)::DATE AS month,
                count(DISTINCT run_id) AS runs, count(*) AS states,
                round(1e6 * median(ohms / expected_ohms - 1), 1) AS median_ppm,
                round(1e6 * max(abs(ohms / expected_ohms - 1)), 1) AS largest_ppm
            FROM measured WHERE expected_ohms > 0 AND ohms IS NOT NULL
            GROUP BY ALL ORDER BY ladder, month
        """,
        drawn=("month", "median_ppm", "ladder"),
    ),
    "errors": Question(
        summary="mean error of settled readings by bench, module and month",
        sql="""
            WITH by_run AS (
                SELECT run_key, count(*) AS n, sum(error_celsius) AS total,
                    sum(error_celsius * error_celsius) AS squares
                FROM steps
                WHERE settled AND kind = 'temperature' AND error_celsius IS NOT NULL
                GROUP BY run_key
            )
            SELECT bench, module, date_trunc('month', started_utc)::DATE AS month,
                count(*) AS runs, round(sum(total) / sum(n), 3) AS mean_error_celsius,
                round(sqrt(greatest(sum(squares) / sum(n) - power(sum(total) / sum(n), 2), 0)), 3)
                    AS deviation_celsius
            FROM by_run JOIN runs USING (run_key) GROUP BY ALL ORDER BY bench, module, month
        """,
        drawn=("month", "mean_error_celsius", "module"),
    ),
    "wear": Question(
        summary="relay operations of each ladder by month, and all of them so far",
        sql="""
            WITH monthly AS (
                SELECT ladder, date_trunc('month', started_utc)::DATE AS month, count(*) AS runs,
                    sum(relay_operations)::BIGINT AS operations
                FROM runs GROUP BY ALL
            )
            SELECT *, sum(operations) OVER (PARTITION BY ladder ORDER BY month)::BIGINT AS so_far
            FROM monthly ORDER BY ladder, month
        """,
        drawn=("month", "so_far", "ladder"),
    ),
    "run": Question(
        summary="the steps of one run (--run, the beginning of its run_id)",
        sql="""
            SELECT run_id, step, heading, state, round(achieved_ohms, 3) AS achieved_ohms,
                round(expected_celsius, 3) AS expected_celsius, reported_celsius,
                round(error_celsius, 3) AS error_celsius, tolerance_celsius,
                round(uncertainty_celsius, 3) AS uncertainty_celsius, verdict, codes
            FROM steps WHERE starts_with(run_id, $run) ORDER BY run_id, step
        """,
        needs=("run",),
    ),
}


def answer(archive: Path, name: str, given: Mapping[str, Any]) -> Answer:
    """Answer a ready question. Raises InputError when the archive or a value is not there."""
    question = QUESTIONS[name]
    for key in question.needs:
        if given.get(key) is None:
            raise InputError.single(f"this question needs --{key}", where=name)
    require_archive(archive)
    return _asked(archive, question.sql, {key: given[key] for key in question.needs})


def answer_sql(archive: Path, sql: str) -> Answer:
    """Answer a question in SQL: one statement that only reads. Raises InputError."""
    require_archive(archive)
    duckdb = engine()
    try:
        statements = duckdb.extract_statements(sql)
    except duckdb.Error as error:
        raise InputError.single(str(error).strip().splitlines()[0], where="--sql") from None
    if [one.type for one in statements] != [duckdb.StatementType.SELECT]:
        raise InputError.single(
            "this is not one statement that only reads",
            where="--sql",
            hint="a SELECT from runs, steps, measured, files or raw; DESCRIBE steps lists columns",
        )
    return _asked(archive, sql, {})


def _asked(archive: Path, sql: str, given: Mapping[str, Any]) -> Answer:
    with connected(archive) as con:
        result = con.execute(sql, dict(given) or None)
        names = tuple(str(one[0]) for one in result.description or ())
        return Answer(columns=names, rows=tuple(result.fetchall()))
