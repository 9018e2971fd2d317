"""One or several records as a page to hand over: one file, no script, nothing fetched."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from controller.cautions import CAUTIONS_TITLE, cautions_with
from controller.diagnosis import Words
from controller.errors import InputError
from controller.planning.model import ResolvedPlan
from controller.planning.plan import PlanKind, ToleranceBand
from controller.records.course_lines import course_of
from controller.records.courses import recorded_verdict
from controller.records.decode import ending_of, plan_of, results_of
from controller.records.inputs import Inputs, inputs_of
from controller.records.reader import Record
from controller.reports.course import course_sections, verdict_words
from controller.reports.html_compare import side_by_side
from controller.reports.markup import bullets, facts, heading, paragraph, table
from controller.reports.pictures import errors, excursions, expected_against_reported
from controller.reports.scale import Scale
from controller.reports.style import CONTENT_POLICY, STYLE
from controller.reports.svg import content, element
from controller.reports.text import (
    cleared_words,
    record_cautions,
    run_facts,
    run_sentence,
    short_sentences,
    steps_without_result,
)
from controller.reports.told import Attached, Told
from controller.run.model import Ending, StepResult
from controller.run.summary import headline
from controller.text import one_line

__all__ = ["Attached", "Told", "report_html"]


def report_html(
    records: Sequence[Record],
    diagnoses: Sequence[Words | str],
    *,
    of_second: Sequence[Words | str | None] = (),
    told: Told | None = None,
    fahrenheit: bool = False,
) -> str:
    """Return the page: the comparison first when there are several records, then each of them.

    `diagnoses` has one for each record: the words, or a sentence on why there is none; `of_second`
    likewise for the second input of those that have two. Raises InputError when a line cannot be
    read by this version.
    """
    told, scale = told or Told(), Scale(fahrenheit=fahrenheit)
    plans = dict.fromkeys(one_line(plan_of(record).name) for record in records)
    title = f"Run report: {', '.join(plans)}"
    body = [element("h1", content(title)), _told(told)]
    if len(records) > 1:
        body.append(side_by_side(records, scale))
    others = of_second or [None] * len(records)
    for record, words, other in zip(records, diagnoses, others, strict=True):
        name = record.path.name if len(records) > 1 else None
        try:
            body.append(_one(record, words, other, told, scale, name=name))
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise InputError.single(
                f"in one line something is missing or not as this version reads it ({error!r})",
                where=str(record.path),
                hint="the record may come from another version of the program",
            ) from None
    body += [_checks(told.checks), _cautions(records)]
    body.append(_proof(records))
    head = (
        '<meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{CONTENT_POLICY}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        + element("title", content(title))
        + f"<style>{STYLE}</style>"
    )
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head>{head}</head>\n'
        f"<body>\n{chr(10).join(one for one in body if one)}\n</body></html>\n"
    )


def _one(
    record: Record,
    words: Words | str,
    of_second: Words | str | None,
    told: Told,
    scale: Scale,
    *,
    name: str | None,
) -> str:
    plan, results, inputs = plan_of(record), results_of(record), _inputs(record)
    ended, search = ending_of(record), plan.kind == PlanKind.THRESHOLD.value
    verdict = recorded_verdict(record, plan, results)
    word = verdict_words(record, plan, results)
    if ended is not Ending.COMPLETE:
        word = headline(verdict, ended)
    box = element(
        "div",
        element("strong", content(word.upper())),
        paragraph(run_sentence(record)),
        *(paragraph(one) for one in steps_without_result(plan, results)),
        class_=f"verdict {'fail' if ended is Ending.FAULT else verdict.value}",
    )
    return element(
        "section",
        heading(f"Record {name}", 2) if name else "",
        box,
        "" if search else _diagnosis(words),
        heading("What was tested, and with what"),
        facts([*run_facts(record, plan), *_equipment(record.opening, inputs)]),
        *_course(record, scale),
        "" if search else _pictures(results, inputs, scale, name=plan.input),
        _second(record, plan, results, inputs, of_second, scale),
        _codes(record, results, told),
        _happenings(record),
    )


def _pictures(
    results: Sequence[StepResult], inputs: Inputs | None, scale: Scale, *, name: str
) -> str:
    """Draw one input's results; `name` is empty where there is one input only."""
    return "".join(
        [
            heading(f"Input {one_line(name)}") if name else "",
            expected_against_reported(results, scale),
            errors(results, inputs.plan.tolerance if inputs else (), scale),
            excursions(results, scale),
        ]
    )


def _second(
    record: Record,
    plan: ResolvedPlan,
    results: Sequence[StepResult],
    inputs: Inputs | None,
    words: Words | str | None,
    scale: Scale,
) -> str:
    """Draw the second input's results and say what it was; empty where there is none."""
    if plan.second is None:
        return ""
    of_second = [one.second for one in results if one.second is not None]
    own = None if inputs is None else inputs.second
    bench = _mapping(_mapping(record.opening.get("bench")).get("second"))
    rows = _equipment({**record.opening, "bench": bench, "files": []}, own)
    seen = [[str(one.step.index + 1), ", ".join(one.codes)] for one in of_second if one.codes]
    return "".join(
        [
            _pictures(of_second, own, scale, name=plan.second.input),
            _diagnosis(words) if words is not None else "",
            facts(rows),
            table(["step", "codes"], seen, words=(1,)) if seen else "",
        ]
    )


def _course(record: Record, scale: Scale) -> list[str]:
    parts = []
    for one in course_sections(course_of(record.lines), scale):
        parts += [heading(one.title), table(one.heads, one.rows, words=one.words)]
    return parts


def _told(told: Told) -> str:
    rows = [("Operator", told.operator or "not stated"), ("Machine", told.machine or "not stated")]
    rows += [("Note", note) for note in told.notes]
    return facts(rows) + paragraph(
        "Stated when this report was made; the record does not prove it.", class_="faint"
    )


def _inputs(record: Record) -> Inputs | None:
    """Return plan and bench as the record keeps them; None when they cannot be read again."""
    try:
        return inputs_of(record)
    except InputError:
        return None


def _equipment(opening: Mapping[str, Any], inputs: Inputs | None) -> list[tuple[str, str]]:
    """Return module, chart, ladder, calibration and tolerance, from the texts the record keeps."""
    chart, tolerance = "the record's files cannot be read again", "as in the table of errors"
    if inputs is not None:
        chart = f"{inputs.plan.sensor.name} ({inputs.plan.sensor.kind})"
        tolerance = "; ".join(map(_band, inputs.plan.tolerance))
    bench = _mapping(opening.get("bench"))
    ladder, calibration = _mapping(bench.get("ladder")), _mapping(bench.get("calibration"))
    module = _mapping(bench.get("module"))
    sensor = _mapping(module.get("sensor"))
    rows = [
        ("Chart of the plan", chart),
        ("Module", str(module.get("name", "not named"))),
        ("Module's sensor chart", f"{sensor.get('name', 'not named')} ({sensor.get('kind', '-')})"),
        ("Ladder file", str(ladder.get("name", "not named"))),
    ]
    if calibration:
        when, readings = calibration.get("utc", "no date"), calibration.get("measurements", "-")
        by = calibration.get("instrument") or "not named"
        rows.append(("Calibration", f"of {when}, {readings} measurements, instrument: {by}"))
    else:
        rows.append(("Calibration", "none: values and tolerances as the ladder file states them"))
    rows.append(("Tolerance, degC", tolerance))
    files = opening["files"]
    return rows + [("File", f"{one['path']}, SHA-256 {one['sha256']}") for one in files]


def _band(band: ToleranceBand) -> str:
    if math.isinf(band.from_celsius) and math.isinf(band.to_celsius):
        return f"{band.tolerance_celsius:g} everywhere"
    return f"{band.tolerance_celsius:g} from {band.from_celsius:g} to {band.to_celsius:g}"


def _mapping(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def _diagnosis(words: Words | str) -> str:
    parts = [heading("Diagnosis")]
    if isinstance(words, str):
        return "".join([*parts, paragraph(words)])
    parts += [element("p", element("strong", content(words.headline))), paragraph(words.meaning)]
    if words.where_to_look:
        parts += [paragraph(words.heading), bullets(words.where_to_look, ordered=True)]
    rest = [*words.not_ruled_out, words.next_step, *words.remarks, words.tried]
    return "".join([*parts, *(paragraph(one) for one in rest if one)])


def _codes(record: Record, results: Sequence[StepResult], told: Told) -> str:
    readings = [line for line in record.lines if line["type"] == "reading" and "input" not in line]
    rows = [
        ("Before the run", told.codes_before or _read(record, "before")),
        ("In the first reading", _listed(readings[0]["codes"]) if readings else "no reading"),
        ("In the last reading", _listed(readings[-1]["codes"]) if readings else "no reading"),
        ("After the run", told.codes_after or _read(record, "after")),
        *(
            (f"Cleared at {line['utc']}", cleared_words(line))
            for line in record.lines
            if line["type"] == "cleared"
        ),
    ]
    seen = [[str(one.step.index + 1), ", ".join(one.codes)] for one in results if one.codes]
    return "".join(
        [
            heading("Fault codes"),
            facts(rows),
            table(["step", "codes"], seen, words=(1,))
            if seen
            else paragraph("No step ended with a code."),
        ]
    )


def _read(record: Record, moment: str) -> str:
    """Return the codes that were read before or after the run."""
    for line in record.lines:
        if line["type"] == "codes" and line["moment"] == moment:
            return _listed(line["codes"])
    return "not stated"


def _listed(codes: Sequence[object]) -> str:
    return ", ".join(str(code) for code in codes) or "none"


def _happenings(record: Record) -> str:
    rows = [
        [f"{line['elapsed_s']:.1f}", line["type"], str(line.get("message") or line.get("text"))]
        for line in record.lines
        if line["type"] in ("fault", "note")
    ]
    if not rows:
        return ""
    return heading("Faults and remarks") + table(["at, s", "kind", "what"], rows, words=(1, 2))


def _checks(checks: Sequence[Attached]) -> str:
    parts = [heading("Checks of sensor and ladder")]
    if not checks:
        parts.append(paragraph("None is attached."))
    for one in checks:
        parts += [
            heading(one.name, 3),
            paragraph(f"SHA-256 {one.sha256}", class_="faint"),
            element("pre", content(one.text)),
        ]
    return "".join(parts)


def _cautions(records: Sequence[Record]) -> str:
    plans = [plan_of(record) for record in records]
    shorts = dict.fromkeys(said for one in plans for said in short_sentences(one))
    of_benches = dict.fromkeys(line for one in records for line in record_cautions(one.opening))
    return element(
        "section",
        heading(CAUTIONS_TITLE),
        bullets([*cautions_with(tuple(of_benches)), *shorts]),
        class_="caution",
    )


def _proof(records: Sequence[Record]) -> str:
    parts = [heading("Proof of the record" if len(records) == 1 else "Proof of the records")]
    for one in records:
        state = "closing" if one.closing is not None else "last (the record was never closed)"
        parts.append(
            facts(
                [
                    ("Record", one.path.name),
                    ("Lines", str(one.line_count)),
                    ("Hash", f"{one.tail_hash} (SHA-256 of the {state} line)"),
                    ("Verify", "rungwise replay RECORD proves every line and judges it anew"),
                ]
            )
        )
    return "".join(
        [
            *parts,
            paragraph(
                "Each line names the SHA-256 of the one before. The last line's bytes, its line"
                " end included, must have the hash above: tail -n 1 RECORD | sha256sum."
            ),
            paragraph(
                "The chain shows damage and accident. Whoever can write the file can compute it"
                " anew: against that, keep this hash elsewhere, or sign or time-stamp the file."
            ),
        ]
    )
