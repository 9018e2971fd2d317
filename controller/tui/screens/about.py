"""What is said of a marked plan, bench or record before anything is done with it.

Knows: plan files, bench files, the two ends of records.
Must not know: Textual's widgets, engines.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import RungwiseError
from controller.tui.parts import Part, Tone
from controller.tui.remembered import Remembered
from controller.tui.scale import Scale
from controller.tui.screens.base import refusal
from controller.tui.sentences import sentence_on
from controller.tui.text import one_line
from controller.tui.workshop import Found, RecordSummary, summary_of

if TYPE_CHECKING:
    from controller.planning.plan import Plan, Target

__all__ = ["about_plan", "about_record", "bench_words", "record_line", "record_lines"]

_VERDICTS = {
    "pass": ("✓ pass", Tone.GOOD),
    "fail": ("✗ FAIL", Tone.BAD),
    "undecided": ("? undec.", Tone.DOUBT),
    "fault": ("✗ FAULT", Tone.BAD),
}


def about_plan(
    plan: Found,
    bench: Path | None,
    kept: Remembered,
    *,
    scale: Scale = Scale.CELSIUS,
    details: bool = False,
) -> tuple[Part, ...]:
    """Return what a plan and the marked bench say of themselves, or what is wrong with them.

    What would be driven comes first: in a small window it is all that there is room for.
    """
    from controller.planning.files import load_plan

    try:
        read = load_plan(plan.path)
    except RungwiseError as error:
        return refusal(error, scale)
    return (
        Part(one_line(read.name), Tone.STRONG),
        *bench_words(bench or read.bench_path, kept, scale),
        *_plan_parts(read, scale, details=details),
        Part(one_line(str(plan.path)), Tone.FAINT),
    )


def _plan_parts(plan: Plan, scale: Scale, *, details: bool) -> Iterable[Part]:
    targets = plan.targets
    shown = ", ".join(_target(target, scale) for target in targets[:8])
    bands = ", ".join(
        f"± {scale.step(band.tolerance_celsius):g}" for band in dict.fromkeys(plan.tolerance)
    )
    rule = f", decision rule {plan.decision_rule.value}" if details else ""
    if plan.search is not None:
        ends = (plan.search.from_celsius, plan.search.to_celsius)
        low, high = (f"{scale.of(celsius):g} {scale.unit}" for celsius in ends)
        watched = plan.search.watch.value
        yield Part(f"{plan.kind.value}: where the {watched} changes, {low} to {high}")
    else:
        more = ", …" if targets[8:] else ""
        yield Part(f"{plan.kind.value}, {len(targets)} steps: {shown}{more}")
    yield Part(f"sensor: {one_line(plan.sensor.name)}")
    yield Part(f"module: {one_line(plan.module.name) if plan.module else 'the one of the bench'}")
    if plan.search is None:
        yield Part(f"limit {bands} {scale.unit}{rule}")


def _target(target: Target, scale: Scale) -> str:
    if target.celsius is None:
        return target.kind.value
    return f"{scale.of(target.celsius):g} {scale.unit}"


def bench_words(path: Path | None, kept: Remembered, scale: Scale) -> Iterable[Part]:
    """Say what a bench drives and where its readings come from."""
    from controller.bench.files import load_bench

    if path is None:
        yield Part("nothing real moves: link simulated, readings simulated", Tone.GOOD)
        return
    try:
        bench = load_bench(path)
    except RungwiseError as error:
        yield from refusal(error, scale)
        return
    picked = kept.port(path)
    where = f" {one_line(picked or bench.url or '')}" if bench.drives_hardware else ""
    where += " (picked here)" if picked and bench.drives_hardware else ""
    real = "REAL RELAYS" if bench.drives_hardware else "nothing real moves"
    yield Part(
        f"{real}: link {bench.link.value}{where}, readings {bench.readback.value};"
        f" bench {one_line(bench.name)}",
        Tone.DOUBT if bench.drives_hardware else Tone.GOOD,
    )


def record_line(record: Found, summary: RecordSummary | None, *, this_year: str) -> Part:
    """Return a record's line in the list: verdict, when, plan, bench."""
    if summary is None or not summary.day:
        return Part(record.name, Tone.FAINT)
    word, tone = _VERDICTS.get(summary.verdict, ("- cut off", Tone.FAINT))
    day = summary.day[5:] if summary.day[:4] == this_year else summary.day
    return Part(f"{word:8} {day} {summary.time} {summary.plan}, {summary.bench}", tone)


def record_lines(records: Sequence[Found]) -> list[Part]:
    """Return the lines of records in a list, read from their two ends."""
    summaries = [summary_of(one.path) for one in records]
    year = max((one.day[:4] for one in summaries), default="")
    return [
        record_line(one, summary, this_year=year)
        for one, summary in zip(records, summaries, strict=True)
    ]


def about_record(
    record: Found, summary: RecordSummary | None, scale: Scale = Scale.CELSIUS
) -> tuple[Part, ...]:
    """Return what a record says of itself."""
    if summary is None:
        return (Part(record.name, Tone.STRONG),)
    word, tone = _VERDICTS.get(summary.verdict, ("- never closed: the run was cut off", Tone.DOUBT))
    return (
        Part(record.name, Tone.STRONG),
        Part(f"{word}  {sentence_on(summary.sentence, scale)}", tone),
        Part(f"plan: {summary.plan}"),
        Part(f"bench: {summary.bench}"),
        Part(f"begun {summary.day} {summary.time} UTC"),
        Part(one_line(str(record.path)), Tone.FAINT),
    )
