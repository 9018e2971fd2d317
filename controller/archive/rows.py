"""The rows that an archive keeps of one record.

Knows: lines of records, what their setting says of steps.
Must not know: DuckDB, folders, questions.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from controller.archive.proof import Proven
from controller.archive.schema import SCHEMA, Rows, run_id_of, run_key_of
from controller.archive.setting import Setting, planned_columns
from controller.measurement.model import Verdict
from controller.measurement.verdict import worst_verdict
from controller.planning.model import ResolvedPlan
from controller.records.codec import was_resumed
from controller.records.values import number_of

__all__ = ["rows_of"]


def rows_of(proven: Proven[Setting]) -> Rows:
    """Return the rows of one record. Raises KeyError, TypeError, ValueError for a made-up one.

    Of a record with two inputs the second one's make a run of its own: each is asked after by its
    own sensor, module and ladder, and the worse verdict stands at neither alone.
    """
    rows = _rows_of(proven, proven.setting, proven.lines, input_number=1)
    if proven.setting.second is None:
        return rows
    lines = [
        {**line, **line["second"]} if line["type"] == "step" else line
        for line in proven.lines
        if line["type"] != "step" or "second" in line
    ]
    for table, more in _rows_of(proven, proven.setting.second, lines, input_number=2).items():
        rows[table] = [*rows[table], *more]
    return rows


def _rows_of(
    proven: Proven[Setting],
    setting: Setting,
    lines: Sequence[Mapping[str, Any]],
    *,
    input_number: int,
) -> Rows:
    plan = setting.plan
    paired = plan.input != ""
    run_id, count = run_id_of(proven.hashes[0], input=input_number), len(proven.hashes)
    started = np.datetime64(proven.utc.rstrip("Z"), "ms")
    results = {int(line["index"]): line for line in lines if line["type"] == "step"}
    ordered = [results[index] for index in sorted(results)]
    closing = lines[-1] if lines and lines[-1]["type"] == "closing" else None
    of_all = (
        run_id,
        run_key_of(run_id),
        count,
        started,
        *(setting.columns[key] for key in _SHARED),
    )
    steps = [(*of_all, *_step(line, setting)) for line in ordered]
    verdicts = [Verdict(line["verdict"]) for line in ordered]
    summary = {
        "run_id": run_id,
        "run_key": run_key_of(run_id),
        "first_hash": proven.hashes[0],
        "tail_hash": proven.hashes[-1],
        "line_count": count,
        "byte_count": len(proven.data),
        "torn_bytes": proven.torn_bytes,
        "started_utc": started,
        "duration_s": proven.last_s,
        **setting.columns,
        "verdict": _verdict(None if paired else closing, verdicts, setting),
        "ended": "cut off" if closing is None else str(closing["ended"]),
        "planned": setting.judged,
        "passed": verdicts.count(Verdict.PASS),
        "failed": verdicts.count(Verdict.FAIL),
        "undecided": verdicts.count(Verdict.UNDECIDED),
        "unsettled": sum(not line["settled"] for line in ordered),
        "resumed": sum(was_resumed(line) for line in lines),
        "relay_operations": _operations(
            [one for one in lines if one.get("input", 1) == input_number],
            plan,
            closed=closing is not None,
        ),
        "sentence": None if closing is None else str(closing["sentence"]),
    }
    return {
        "runs": [tuple(summary[key] for key in SCHEMA["runs"])],
        "steps": steps,
        "measured": [
            (
                run_id,
                count,
                started,
                setting.columns["ladder"],
                str(line["state"]),
                float(line["ohms"]),
                number_of(line["expected_ohms"]),
            )
            for line in lines
            if line["type"] == "measured" and input_number == 1
        ],
        "raw": [(run_id, count, proven.data)],
    }


_SHARED = ("bench", "module", "sensor")


def _step(line: Mapping[str, Any], setting: Setting) -> tuple[Any, ...]:
    planned = planned_columns(line, setting)
    reported, error = line["reported_celsius"], line["error_celsius"]
    return (
        *planned[:6],
        None if reported is None else float(reported),
        None if error is None else float(error),
        *planned[6:],
        bool(line["settled"]),
        float(line["settle_s"]),
        int(line["attempt"]),
        str(line["verdict"]),
        None if line["reason"] is None else str(line["reason"]),
        "; ".join(str(code) for code in line["codes"]),
    )


def _verdict(
    closing: Mapping[str, Any] | None, verdicts: Sequence[Verdict], setting: Setting
) -> str:
    if closing is not None:
        return Verdict(closing["verdict"]).value
    worst = worst_verdict(verdicts)
    cut_short = worst is Verdict.PASS and len(verdicts) < setting.judged
    return (Verdict.UNDECIDED if cut_short else worst).value


def _operations(lines: Iterable[Mapping[str, Any]], plan: ResolvedPlan, *, closed: bool) -> int:
    """Return how often relays moved: one for each state of a path, and the way home."""
    moved = sum(len(line["path"]) for line in lines if line["type"] == "set" and line.get("path"))
    return moved + (len(plan.closing_path) if closed else 0)
