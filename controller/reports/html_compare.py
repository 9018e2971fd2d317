"""Several records on one page: each against the first, and what changes from run to run."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from controller.diagnosis.side_by_side import (
    Comparison,
    Run,
    compare,
    mean_error,
    run_of,
    trend_of_runs,
)
from controller.errors import InputError
from controller.records.decode import results_of
from controller.records.reader import Record
from controller.reports.chart import Chart, span_of
from controller.reports.markup import heading, paragraph, table
from controller.reports.pictures import figure
from controller.reports.scale import Scale
from controller.units import COVERAGE_FACTOR

__all__ = ["side_by_side"]


def side_by_side(records: Sequence[Record], scale: Scale) -> str:
    """Return the comparison, or the sentence on why there is none."""
    parts = [heading("Comparison")]
    try:
        runs = [run_of(f"{n}: {one.path.name}", results_of(one)) for n, one in _numbered(records)]
        found = [compare(runs[0], one) for one in runs[1:]]
        begun = [datetime.fromisoformat(str(one.opening["utc"])) for one in records]
        line, per, why_not = trend_of_runs(runs, found, begun)
    except (InputError, ValueError, TypeError) as error:
        return "".join([*parts, paragraph(f"The records cannot be compared: {error}")])
    parts += [_comparison(one, scale) for one in found]
    parts += [heading("From run to run", 3), _means(runs, records, scale)]
    if line is not None:
        begins = "The mean error changes" if line.significant else "No trend can be seen"
        parts.append(
            paragraph(
                f"{begins}: {scale.difference(line.slope, sign=True, digits=4)} {scale.unit} a"
                f" {per} (U {scale.difference(line.uncertainty, digits=4)}, k=2; probability by"
                f" chance {line.probability:.2g})."
            )
        )
    else:
        parts.append(paragraph(why_not or "A trend needs three records or more."))
    return "".join(parts)


def _numbered(records: Sequence[Record]) -> list[tuple[int, Record]]:
    return list(enumerate(records, start=1))


def _comparison(one: Comparison, scale: Scale) -> str:
    said = "agrees with" if one.alike else "differs from"
    beyond = sum(step.significant for step in one.steps)
    chart = Chart(
        title=f"{one.name} less {one.reference}",
        x=span_of([scale.at(step.achieved_celsius) for step in one.steps]),
        y=span_of(
            [
                scale.by(step.difference_celsius + way * step.uncertainty_celsius)
                for step in one.steps
                for way in (-1, 1)
            ]
            + [0.0]
        ),
        x_name=f"temperature put in, {scale.unit}",
        y_name=f"difference, {scale.unit}",
        height=260.0,
    )
    chart.line([(chart.x[0], 0.0), (chart.x[1], 0.0)], "ideal")
    rows = []
    for step in one.steps:
        row = [
            scale.temperature(step.achieved_celsius),
            "up" if step.warming else "down",
            scale.difference(step.difference_celsius, sign=True),
            scale.difference(step.uncertainty_celsius),
            "differs" if step.significant else "",
        ]
        rows.append(row)
        chart.mark(
            scale.at(step.achieved_celsius),
            scale.by(step.difference_celsius),
            kind="undecided" if step.significant else "pass",
            up=step.warming,
            words=f"at {row[0]}: {row[2]}, U {row[3]} {scale.unit}",
            spread=scale.by(step.uncertainty_celsius),
        )
    sentences = [
        (
            f"{one.name} {said} {one.reference}: {beyond} of {len(one.steps)} steps differ by more"
            f" than their uncertainty, {scale.difference(one.mean_celsius, sign=True)} {scale.unit}"
            f" on average (U {scale.difference(one.mean_uncertainty_celsius)}, k=2; probability by"
            f" chance {one.probability:.2g})."
        )
    ]
    if one.unmatched:
        sentences.append(f"{one.unmatched} steps have no partner.")
    return "".join(
        [
            heading(f"{one.name} less {one.reference}", 3),
            paragraph(" ".join(sentences)),
            figure(
                chart.svg(),
                "Triangles point the way the run went. Hollow: differs by more than the"
                " uncertainty of the difference (bars, k = 2).",
            ),
            table([f"at, {scale.unit}", "way", "difference", "U (k=2)", ""], rows, words=(1, 4)),
        ]
    )


def _means(runs: Sequence[Run], records: Sequence[Record], scale: Scale) -> str:
    means = [mean_error(one) for one in runs]
    spreads = [COVERAGE_FACTOR * spread for _, spread in means]
    ends = [
        scale.by(m + way * s) for (m, _), s in zip(means, spreads, strict=True) for way in (-1, 1)
    ]
    chart = Chart(
        title="Mean error by run",
        x=(0.5, len(runs) + 0.5),
        y=span_of([*ends, 0.0]),
        x_name="record",
        y_name=f"mean error, {scale.unit}",
        height=220.0,
    )
    chart.line([(chart.x[0], 0.0), (chart.x[1], 0.0)], "ideal")
    places = [(n, scale.by(mean)) for n, (mean, _) in enumerate(means, start=1)]
    chart.line([(float(n), mean) for n, mean in places], "line")
    rows = []
    for (n, mean), spread, run, record in zip(places, spreads, runs, records, strict=True):
        bar = scale.by(spread)
        chart.line([(n, mean - bar), (n, mean + bar)], "line")
        chart.ring(n, mean)
        shown = scale.difference(means[n - 1][0], sign=True)
        rows.append([run.name, str(record.opening["utc"]), shown, scale.difference(spread)])
    heads = ["record", "begun", f"mean error, {scale.unit}", "U (k=2)"]
    return figure(chart.svg(), "Mean error of each record, upright bars: k = 2.") + table(
        heads, rows, words=(0, 1)
    )
