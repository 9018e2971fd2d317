"""What an archive answers, against the same worked out record by record, the plain way."""

from __future__ import annotations

import statistics
import sys
import xml.etree.ElementTree as ET
from collections import defaultdict
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("duckdb", reason="the extra [archive] is not installed")

sys.path.insert(0, str(Path(__file__).resolve().parent))

from many_records import COLD, SWEEPS, write_records

from controller.archive.gather import gather
from controller.archive.judging import Change, Judged, judge_again
from controller.archive.pictures import MOST_LINES, picture
from controller.archive.questions import QUESTIONS, answer, answer_sql
from controller.cli.main import main
from controller.errors import InputError
from controller.measurement.budget import step_budgets
from controller.measurement.model import DecisionRule
from controller.planning.files import load_plan
from controller.planning.model import StepKind
from controller.records.compare import verdict_of
from controller.records.decode import plan_of, results_of
from controller.records.inputs import inputs_of
from controller.records.reader import Record, load_record
from controller.run.judging import judge_reported
from controller.sensors.curve import Curve
from controller.sensors.files import load_sensor

COUNT = 22
SENSORS = SWEEPS / "sensors"


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> list[Record]:
    folder = tmp_path_factory.mktemp("records")
    paths = write_records(folder, COUNT - 4) + sorted((SWEEPS / "recorded").glob("*.jsonl"))
    return [load_record(path) for path in paths]


@pytest.fixture(scope="module")
def archive(records: list[Record], tmp_path_factory: pytest.TempPathFactory) -> Path:
    archive = tmp_path_factory.mktemp("archive") / "a"
    assert gather(archive, [record.path for record in records]).added == COUNT
    return archive


def _bench(record: Record) -> str:
    return str(record.opening["bench"]["name"])


def _begun(record: Record) -> datetime:
    return datetime.fromisoformat(record.opening["utc"])


def test_failures_by_bench_and_week(archive: Path, records: list[Record]) -> None:
    counted: dict[tuple[str, Any], list[str]] = defaultdict(list)
    for record in records:
        day = _begun(record).date()
        assert record.closing is not None
        week = day - timedelta(days=day.weekday())
        counted[_bench(record), week].append(record.closing["verdict"])
    wanted = tuple(
        (
            bench,
            week,
            len(verdicts),
            verdicts.count("fail"),
            verdicts.count("undecided"),
            round(100 * verdicts.count("fail") / len(verdicts), 2),
        )
        for (bench, week), verdicts in sorted(counted.items())
    )
    assert answer(archive, "failures", {}).rows == wanted
    assert len(wanted) > 5


@pytest.mark.parametrize("above", [90.0, 40.0])
def test_modules_that_read_cold(archive: Path, records: list[Record], above: float) -> None:
    errors: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for record in records:
        module = inputs_of(record).module
        assert module is not None
        for one in results_of(record):
            expected = one.step.expected_celsius
            if expected is None or one.error_celsius is None or one.step.kind.value == "short":
                continue
            if expected > above:
                assert one.step.tolerance_celsius is not None
                errors[module.name].append((one.error_celsius, one.step.tolerance_celsius))
    means = {name: statistics.fmean(e for e, _ in both) for name, both in errors.items()}
    rows = answer(archive, "cold", {"above": above}).rows
    assert [row[0] for row in rows] == sorted((n for n in means if means[n] < 0), key=means.get)  # type: ignore[arg-type]
    for module, _, steps, mean, coldest, percent in rows:
        both = errors[module]
        assert steps == len(both)
        assert mean == pytest.approx(means[module], abs=6e-4)
        assert coldest == pytest.approx(min(e for e, _ in both), abs=6e-4)
        assert percent == pytest.approx(100 * statistics.fmean(e < -t for e, t in both), abs=6e-3)
    assert COLD in [row[0] for row in rows]


def test_wear_adds_up(archive: Path, records: list[Record]) -> None:
    moved = 0
    for record in records:
        paths = [line.get("path") or [] for line in record.lines if line["type"] == "set"]
        moved += sum(map(len, paths)) + len(plan_of(record).closing_path)
    rows = answer(archive, "wear", {}).rows
    assert sum(row[3] for row in rows) == moved
    assert rows[-1][4] == sum(row[3] for row in rows if row[0] == rows[-1][0])


def test_the_steps_of_a_run(archive: Path, records: list[Record]) -> None:
    run_id = answer_sql(archive, "SELECT run_id FROM runs ORDER BY started_utc LIMIT 1").rows[0][0]
    rows = answer(archive, "run", {"run": run_id[:10]}).rows
    assert [row[6] for row in rows] == [one.reported_celsius for one in results_of(records[0])]
    with pytest.raises(InputError, match="needs --run"):
        answer(archive, "run", {})


def test_drift_of_a_ladder(archive: Path) -> None:
    """Parts per million by hand: 1000.1 and 2000.4 ohm where 1000 and 2000 were expected."""
    assert answer(archive, "drift", {}).rows == ()
    sql = QUESTIONS["drift"].sql.replace(
        "FROM measured",
        "FROM (SELECT 'L' AS ladder, TIMESTAMP '2026-03-04' AS started_utc, 'r' AS run_id,"
        " unnest([1000.1, 2000.4]) AS ohms, unnest([1000.0, 2000.0]) AS expected_ohms)",
    )
    ((ladder, month, runs, states, median, largest),) = answer_sql(archive, sql).rows
    assert (ladder, str(month), runs, states) == ("L", "2026-03-01", 1, 2)
    assert (median, largest) == (pytest.approx(150.0), pytest.approx(200.0))


@pytest.mark.parametrize(
    "sql",
    [
        "COPY runs TO '{archive}/x.csv'",
        "CREATE TABLE x AS SELECT 1",
        "SELECT 1; SELECT 2",
        "SET memory_limit = '1GB'",
        "ATTACH '{archive}/x.db'",
        "SELECT * FROM read_text('/etc/hostname')",
        "SELECT * FROM glob('/etc/*')",
        "SELECT * FROM read_csv('{archive}/../outside.csv')",
        "PRAGMA version",
        "INSTALL httpfs",
        "nonsense",
        "",
        "SELECT nowhere FROM runs",
    ],
)
def test_sql_reads_the_archive_and_does_nothing_else(archive: Path, sql: str) -> None:
    (archive.parent / "outside.csv").write_text("a\n1\n")
    before = sorted(archive.rglob("*"))
    with pytest.raises(InputError):
        answer_sql(archive, sql.format(archive=archive))
    assert sorted(archive.rglob("*")) == before


def test_a_damaged_archive_is_one_error(archive: Path, tmp_path: Path) -> None:
    import shutil

    copy = tmp_path / "copy"
    shutil.copytree(archive, copy)
    for path in copy.rglob("steps.parquet"):
        path.write_bytes(path.read_bytes()[:200])
    with pytest.raises(InputError):
        answer(copy, "cold", {"above": 90.0})
    with pytest.raises(InputError):
        judge_again(copy, Change(rule=DecisionRule.SIMPLE))


@pytest.mark.parametrize("name", [name for name, one in QUESTIONS.items() if one.drawn])
def test_pictures_hold_every_point(archive: Path, name: str) -> None:
    found = answer(archive, name, {})
    if not found.rows:
        with pytest.raises(InputError, match="nothing to draw"):
            picture(found, QUESTIONS[name], "x")
        return
    hostile = "</title><script>alert(1)</script>"
    drawn = picture(found, QUESTIONS[name], hostile)
    tree = ET.fromstring(drawn)
    circles = list(tree.iter("{http://www.w3.org/2000/svg}circle"))
    names = QUESTIONS[name].drawn[2]  # type: ignore[index]
    lines = [
        tuple(value for column, value in zip(found.columns, row, strict=True) if column in names)
        for row in found.rows
    ]
    shown = list(dict.fromkeys(lines))[:MOST_LINES]
    assert len(circles) == sum(line in shown for line in lines)
    for polyline in tree.iter("{http://www.w3.org/2000/svg}polyline"):
        across = [float(point.split(",")[0]) for point in polyline.attrib["points"].split()]
        assert across == sorted(across), "a line goes on in time, never back"
    assert "<script" not in drawn


# Judged again


def _by_chart(record: Record, curve: Curve) -> dict[int, tuple[float, float]]:
    """Return what each step would be by another chart, its budget made anew: degC and U."""
    inputs = inputs_of(record)
    ends = sorted(float(curve.ohms(end)) for end in (curve.lowest_celsius, curve.highest_celsius))
    steps = {
        one.index: (one.state, float(curve.celsius(one.achieved_ohms)))
        for one in plan_of(record).steps
        if one.kind is StepKind.TEMPERATURE and ends[0] <= one.achieved_ohms <= ends[1]
    }
    budgets = step_budgets(
        inputs.bench.ladder,
        list(steps.values()),
        curve,
        settle=inputs.plan.settle,
        module=inputs.module,
        surroundings=inputs.bench.surroundings,
    )
    return {
        index: (celsius, budget.expanded_celsius)
        for (index, (_, celsius)), budget in zip(steps.items(), budgets, strict=True)
    }


def _plainly(records: list[Record], change: Change) -> dict[str, tuple[str, str]]:
    """Judge record by record with the project's own classes; return the run verdicts that turn."""
    turned = {}
    for record in records:
        plan, results = plan_of(record), results_of(record)
        by_chart = {} if change.sensor is None else _by_chart(record, change.sensor.curve)
        again = []
        for one in results:
            step = one.step
            if change.sensor is not None and step.kind is StepKind.TEMPERATURE:
                celsius, expanded = by_chart.get(step.index, (None, step.uncertainty_celsius))
                step = replace(step, expected_celsius=celsius, uncertainty_celsius=expanded)
            if change.tolerance_at is not None and step.expected_celsius is not None:
                step = replace(step, tolerance_celsius=change.tolerance_at(step.expected_celsius))
            rule = change.rule or plan.decision_rule
            error, verdict, _ = judge_reported(
                step, rule, one.reported_celsius, settled=one.settled
            )
            again.append(replace(one, step=step, error_celsius=error, verdict=verdict))
        before, after = verdict_of(plan, results), verdict_of(plan, again)
        if before is not after:
            turned[record.opening["utc"], _bench(record), plan.kind] = (before.value, after.value)
    return turned  # type: ignore[return-value]


def _turned(judged: Judged, archive: Path) -> dict[Any, tuple[str, str]]:
    kinds = dict(answer_sql(archive, "SELECT run_id, kind FROM runs").rows)
    return {
        (one.started_utc.replace("Z", ".000Z"), one.bench, kinds[one.run_id]): (
            one.before,
            one.after,
        )
        for one in judged.turned
    }


def _wide(celsius: float) -> float:
    return 4.0 if celsius < 60 else 2.2


CHANGES: dict[str, Callable[[], Change]] = {
    "nothing": lambda: Change(),
    "a rule": lambda: Change(rule=DecisionRule.SIMPLE),
    "another rule": lambda: Change(rule=DecisionRule.GUARDED_95),
    "a narrow tolerance": lambda: Change(tolerance_at=lambda _: 1.0),
    "a wide tolerance": lambda: Change(tolerance_at=lambda _: 30.0),
    "bands": lambda: Change(tolerance_at=_wide, rule=DecisionRule.GUARDED),
    "a chart": lambda: Change(sensor=load_sensor(SENSORS / "tern-sea-water.toml")),
    "the manual's chart": lambda: Change(sensor=load_sensor(SENSORS / "tern-coolant-chart.toml")),
    "chart, bands and rule": lambda: Change(
        sensor=load_sensor(SENSORS / "tern-sea-water.toml"),
        tolerance_at=lambda _: 25.0,
        rule=DecisionRule.SIMPLE,
    ),
}


@pytest.mark.parametrize("name", CHANGES)
def test_it_turns_what_turns_record_by_record(
    name: str, archive: Path, records: list[Record]
) -> None:
    change = CHANGES[name]()
    judged = judge_again(archive, change)
    assert judged.runs == COUNT
    assert judged.left_out == 0
    assert judged.steps == sum(len(record.steps) for record in records)
    wanted = _plainly(records, change)
    assert _turned(judged, archive) == wanted
    assert bool(wanted) is (name not in ("nothing", "another rule"))


def test_the_uncertainty_of_another_chart_is_that_of_its_own_budget(
    archive: Path, records: list[Record]
) -> None:
    """Each step's U by the other chart: from the archive's parts, and from a budget made anew."""
    from controller.archive import judging
    from controller.archive.store import connected

    sensor = load_sensor(SENSORS / "tern-sea-water.toml")
    record = records[0]
    inputs = inputs_of(record)
    with connected(archive, threads=1) as con:
        con.execute(
            "CREATE TEMP TABLE chosen AS SELECT run_key FROM runs ORDER BY started_utc LIMIT 1"
        )
        judging._expected(con, sensor)
        rows = con.execute(
            f"SELECT s.state, n.expected, {judging._BY_CHART['uncertainty']} FROM steps s"
            " JOIN chosen USING (run_key) JOIN expected n ON n.ohms = s.achieved_ohms"
            " ORDER BY s.step"
        ).fetchall()
    budgets = step_budgets(
        inputs.bench.ladder,
        [(int(state, 16), celsius) for state, celsius, _ in rows],
        sensor.curve,
        settle=inputs.plan.settle,
        module=inputs.module,
        surroundings=inputs.bench.surroundings,
    )
    assert len(rows) > 40
    assert [row[2] for row in rows] == pytest.approx([one.expanded_celsius for one in budgets])


def test_words_for_everybody(
    archive: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    here = ["--archive", str(archive)]
    assert main(["archive", "judge", *here, "--tolerance", "1"]) == 0
    said = capsys.readouterr().out
    assert "runs (" in said
    assert "would turn." in said
    plan = load_plan(SWEEPS / "coolant-sweep.toml")
    assert main(["archive", "judge", *here, "--plan", str(plan.path), "--json"]) == 0
    assert '"runs": 21' in capsys.readouterr().out
    for words, told in (
        (["judge"], "nothing is given to judge by instead"),
        (["judge", "--tolerance", "-1"], "above zero"),
        (["judge", "--rule", "simple", "--only-bench", "none such"], "no run of bench"),
        (["judge", "--rule", "simple", "--of-sensor", "x"], "is only for use with --sensor"),
        (["ask", "--sql", "SELECT 1", "--svg", "x.svg"], "only the named questions"),
        (["ask", "run"], "needs --run"),
    ):
        assert main(["archive", *words, *here]) == 2
        assert told in capsys.readouterr().err
    target = tmp_path / "f.svg"
    assert main(["archive", "ask", "failures", *here, "--svg", str(target)]) == 0
    assert target.read_text().startswith("<svg")
    assert (
        main(["archive", "add", str(tmp_path / "no.jsonl"), "--archive", str(tmp_path / "n")]) == 2
    )
    assert "no such file" in capsys.readouterr().err
    assert main(["archive", "ask", "wear", "--archive", str(tmp_path)]) == 2
    assert "this is no archive" in capsys.readouterr().err


def test_an_empty_archive_answers_with_empty_tables(tmp_path: Path) -> None:
    gather(tmp_path / "a", [])
    for name in QUESTIONS:
        assert answer(tmp_path / "a", name, {"above": 90.0, "run": "0"}).rows == ()
    assert judge_again(tmp_path / "a", Change(rule=DecisionRule.SIMPLE)).runs == 0
