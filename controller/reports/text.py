"""A record as a plain text report that can be filed with a work order."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from controller.bench.model import ReadbackKind
from controller.cautions import (
    BUS_CAUTION,
    CAUTIONS_TITLE,
    SEARCH_CAUTION,
    STAYS,
    board_cautions,
    cautions_with,
    short_circuit_sentence,
)
from controller.measurement.verdict import risk_words
from controller.planning.model import ResolvedPlan
from controller.planning.pacing import judged_steps
from controller.planning.plan import PlanKind
from controller.records.course_lines import course_of
from controller.records.decode import ending_of, plan_of, results_of, understood
from controller.records.reader import Record
from controller.reports.course import course_sections, verdict_words
from controller.reports.scale import Scale
from controller.run.model import Ending, StepResult
from controller.text import clean, number, ohms, one_line, table
from controller.units import fahrenheit_from_celsius

__all__ = [
    "cleared_words",
    "record_cautions",
    "report_text",
    "run_facts",
    "run_sentence",
    "steps_without_result",
]

_WIDTH = 96


def report_text(record: Record, *, fahrenheit: bool = False) -> str:
    """Return the report. Raises InputError when a line cannot be read by this version."""
    return understood(record, lambda: _report(record, fahrenheit=fahrenheit))


def _report(record: Record, *, fahrenheit: bool) -> str:
    plan, results = plan_of(record), results_of(record)
    lines = [
        "RUN REPORT",
        "",
        *_facts(record, plan),
        "",
        *_verdict(record, plan, results),
        "",
        *_results(plan, results, fahrenheit=fahrenheit),
        "",
        *_course(record, Scale(fahrenheit=fahrenheit)),
        *_codes(results),
        *_happenings(record),
        f"{CAUTIONS_TITLE}:",
        *(
            line
            for caution in cautions_with(record_cautions(record.opening))
            for line in _wrapped(caution, first="- ")
        ),
        *_wrapped(short_circuit_sentence(plan.short_circuit_amperes, plan.most_watts), first="- "),
        "",
        *_proof(record),
        "",
    ]
    return clean("\n".join(lines))


def _facts(record: Record, plan: ResolvedPlan) -> list[str]:
    rows = run_facts(record, plan)
    width = max(len(name) for name, _ in rows)
    return [f"{name:<{width}}  {one_line(text)}" for name, text in rows]


def run_facts(record: Record, plan: ResolvedPlan) -> list[tuple[str, str]]:
    """Return what was run, on what, when and by which rule: a name and a text each."""
    opening = record.opening
    device = next(
        (
            str(line["device"])
            for line in record.lines
            if line["type"] == "note" and "device" in line
        ),
        "none answered",
    )
    return [
        ("Plan", f"{plan.name} ({plan.kind})"),
        ("Bench", str((opening.get("bench") or {}).get("name", "not named"))),
        ("Ladder", device),
        *_parking(opening),
        ("Readings", _source_of_readings(opening)),
        ("Begun", str(opening["utc"]) + (" (virtual time)" if opening["pace"] == "fast" else "")),
        ("Ended", f"{record.lines[-1]['utc']} ({record.lines[-1]['elapsed_s']:.1f} s of run time)"),
        ("Decision rule", risk_words(plan.decision_rule)),
        (
            "Settled means",
            (
                f"within {plan.settle.within_celsius:g} degC for {plan.settle.for_s:g} s,"
                f" at most {plan.settle.at_most_s:g} s"
            ),
        ),
        *_excursion(plan),
        ("Program", f"rungwise {opening['versions']['rungwise']}"),
        ("Record", record.path.name),
    ]


def _excursion(plan: ResolvedPlan) -> list[tuple[str, str]]:
    """Return how far the value strays while relays switch, and what is proven of it."""
    if plan.worst_excursion_celsius is None:
        return []
    strays = f"{plan.worst_excursion_celsius:.2f} degC while relays switch"
    if plan.lower_bound_celsius is not None:
        strays += f", no order can do better than {plan.lower_bound_celsius:.2f}"
    return [("Worst excursion", strays)]


def _parking(opening: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return whether the ladder parks by itself, where it does not: a name and a text."""
    board = _board_in(opening)
    if board is None:
        return []
    guarded = "a guardian process parks it" if board.get("guardian") else "nothing parks it"
    told = f"{STAYS}; {guarded} when the program dies; {board.get('step_ms')} ms for each change"
    return [("Parking", told)]


def _board_in(opening: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """Return what an opening says of a board that the host timed; None where there was none."""
    board = (opening.get("bench") or {}).get("board")
    return board if isinstance(board, Mapping) else None


def record_cautions(opening: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the cautions of a record's job, and of the bench it was made on."""
    over_can = (opening.get("bench") or {}).get("can") is not None
    board = _board_in(opening)
    of_board = () if board is None else board_cautions(guarded=bool(board.get("guardian")))
    searched = opening.get("verb") == PlanKind.THRESHOLD.value
    first = (*((SEARCH_CAUTION,) if searched else ()), *((BUS_CAUTION,) if over_can else ()))
    return (*first, *of_board)


def _source_of_readings(opening: Mapping[str, Any]) -> str:
    if opening.get("simulated"):
        return "simulated"
    if (opening.get("bench") or {}).get("readback") == ReadbackKind.CALLED.value:
        return "from a function of the program that ran the plan"
    if log := opening.get("log"):
        return f"from a log, {log['value_column']!r} in {Path(log['path']).name}"
    if (opening.get("bench") or {}).get("readback") == ReadbackKind.LATER.value:
        return "none yet; they come from a log"
    return "from real equipment"


def run_sentence(record: Record) -> str:
    """Return the one sentence the run ended with; what failed comes before it."""
    closing = record.closing
    if closing is None:
        return "The record was never closed: the run was cut off."
    faults = [str(line["message"]) for line in record.lines if line["type"] == "fault"]
    if ending_of(record) is Ending.FAULT and faults:
        return f"{faults[-1]}. {closing['sentence']}"
    return str(closing["sentence"])


def _verdict(record: Record, plan: ResolvedPlan, results: Sequence[StepResult]) -> list[str]:
    ended = ending_of(record)
    fault = ["FAULT", *_wrapped(run_sentence(record))] if ended is Ending.FAULT else []
    word = f"Verdict: {verdict_words(record, plan, results).upper()}"
    return [*fault, word] if fault else [word, *_wrapped(run_sentence(record))]


def _results(plan: ResolvedPlan, results: Sequence[StepResult], *, fahrenheit: bool) -> list[str]:
    unit = "degF" if fahrenheit else "degC"
    if plan.kind == PlanKind.THRESHOLD.value:
        return [f"Temperatures in {unit}."]

    def temperature(celsius: float | None) -> str:
        if celsius is not None and fahrenheit:
            celsius = fahrenheit_from_celsius(celsius)
        return number(celsius, 2)

    def difference(kelvin: float | None, *, sign: bool = False) -> str:
        return number(kelvin * 1.8 if kelvin is not None and fahrenheit else kelvin, 2, sign=sign)

    rows = [
        [
            str(result.step.index + 1),
            result.step.kind.value
            if result.step.target_celsius is None
            else temperature(result.step.target_celsius),
            ohms(result.step.achieved_ohms),
            temperature(result.step.expected_celsius),
            temperature(result.reported_celsius),
            difference(result.error_celsius, sign=True),
            difference(result.step.uncertainty_celsius),
            difference(result.step.tolerance_celsius),
            result.verdict.value,
            result.reason.value if result.reason else "",
        ]
        for result in results
    ]
    heads = ["step", "target", "ohm", "expected", "reported", "error", "U (k=2)", "tolerance"]
    lines = [f"Temperatures in {unit}."]
    lines += table([*heads, "verdict", ""], rows)
    return [*lines, *steps_without_result(plan, results)]


def steps_without_result(plan: ResolvedPlan, results: Sequence[StepResult]) -> list[str]:
    """Say how many steps have no result, and how many of them were never to have one."""
    if plan.kind == PlanKind.THRESHOLD.value:
        return []
    judged = len(judged_steps(plan))
    brief, missing = len(plan.steps) - judged, judged - len(results)
    said = []
    if missing > 0:
        said.append(f"{missing} of {len(plan.steps)} steps have no result.")
    if brief:
        said.append(f"{brief} of {len(plan.steps)} steps stand too briefly to be judged.")
    return said


def _course(record: Record, scale: Scale) -> list[str]:
    lines = []
    for section in course_sections(course_of(record.lines), scale):
        lines += [f"{section.title}:", *table(section.heads, section.rows), ""]
    return lines


def _codes(results: Sequence[StepResult]) -> list[str]:
    rows = [[str(r.step.index + 1), ", ".join(r.codes)] for r in results if r.codes]
    return ["Fault codes reported:", *table(["step", "codes"], rows), ""] if rows else []


def _happenings(record: Record) -> list[str]:
    """Return faults and remarks, with the time they came at."""
    rows = [
        [f"{line['elapsed_s']:.1f} s", line["type"], _what_happened(line)]
        for line in record.lines
        if line["type"] in ("fault", "note", "codes", "cleared")
    ]
    return ["Faults and remarks:", *table(["at", "kind", "what"], rows), ""] if rows else []


def _what_happened(line: Mapping[str, Any]) -> str:
    if line["type"] == "codes":
        return f"{line['moment']} the run: {', '.join(line['codes']) or 'none'}"
    if line["type"] == "cleared":
        return cleared_words(line)
    return str(line.get("message") or line.get("text"))


def cleared_words(line: Mapping[str, Any]) -> str:
    """Say whose codes were cleared, by whom, and what the module held before and since."""
    before, after = (", ".join(line[moment]) or "none" for moment in ("before", "after"))
    return f"module {line['module']}, by {line['by']}: before {before}; since {after}"


def _proof(record: Record) -> list[str]:
    """Return the hash that pins the record, and what the chain of hashes is worth."""
    last = "last" if record.closing is None else "closing"
    return [
        "Proof of the record:",
        f"  {record.line_count} lines, each naming the SHA-256 of the one before; {last} hash",
        f"  {record.tail_hash}",
        *(
            f"  {line}"
            for line in _wrapped(
                "The chain shows damage and accident. Whoever can write the file can compute it"
                " anew: against that, keep this hash elsewhere, or sign or time-stamp the file."
            )
        ),
    ]


def _wrapped(text: str, *, first: str = "") -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent=first, subsequent_indent=" " * len(first))
