"""`sensor check`, `compare`, `plan --budget`, `curve --tolerance`, candidate folders."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.sensors.files import load_sensor

Run = Callable[..., Any]
Write = Callable[[str, str], Path]

PLATINUM = """\
format = "rungwise-sensor/1"
name = "Pt1000"
kind = "platinum"
reference_ohms = 1000
lowest_celsius = -50
highest_celsius = 150
tolerance_celsius = 0.8
"""
BATH = """\
format = "rungwise-bath/1"
[[point]]
kind = "ice"
ohms = 1000.4
uncertainty_ohms = 0.2
[[point]]
kind = "boiling"
air_pressure_hpa = 1013.25
ohms = {boiling}
uncertainty_ohms = 0.2
"""


@pytest.fixture
def platinum(write: Write) -> Path:
    return write("pt.toml", PLATINUM)


# IEC 60751:2022, table 1: a Pt100 has 138.51 ohm at 100 degC and changes by 0.379 ohm a degree
# there; water boils at 99.97 degC under 1013.25 hPa (IAPWS-IF97, region 4).
@pytest.mark.parametrize(
    ("boiling", "status", "verdict"),
    [(1385.0, 0, "pass"), (1388.6, 4, "undecided"), (1391, 1, "fail")],
)
def test_a_sensor_is_judged_by_its_baths(
    rungwise: Run, platinum: Path, write: Write, boiling: float, status: int, verdict: str
) -> None:
    bath = write("bath.toml", BATH.format(boiling=boiling))
    ended = rungwise("sensor", "check", platinum, bath, "--json")
    assert ended.status == status
    ice, hot = ended.document["points"]
    assert ended.document["verdict"] == hot["verdict"] == verdict
    assert ice["error_celsius"] == pytest.approx(0.4 / 3.9083, abs=0.001)
    assert hot["error_celsius"] == pytest.approx((boiling - 1385.0) / 3.79, abs=0.02)
    # Root sum of squares of bath, meter (0.2 ohm over 3.908 ohm a degree), k = 2.
    assert ice["uncertainty_celsius"] == pytest.approx(2 * math.hypot(0.05, 0.2 / 3.9083), rel=0.01)


def test_a_resistance_beyond_the_span_never_passes(
    rungwise: Run, platinum: Path, write: Write
) -> None:
    edge = """
format = "rungwise-bath/1"
[[point]]
kind = "bath"
celsius = 150
uncertainty_celsius = 0.01
ohms = 1573.4
uncertainty_ohms = 0.01
"""
    ended = rungwise("sensor", "check", platinum, write("bath.toml", edge), "--json")
    [point] = ended.document["points"]
    assert abs(point["error_celsius"]) < 0.1
    assert point["beyond_span"] is True
    assert ended.status == 4


def test_the_demonstrations_sensor_passes_in_words(rungwise: Run, sweeps: Path) -> None:
    sensor = sweeps / "sensors" / "tern-coolant.toml"
    ended = rungwise("sensor", "check", sensor, sweeps / "sensors" / "baths" / "tern-coolant.toml")
    assert ended.status == 0
    assert "PASS: The sensor follows the curve of Tern coolant sensor at 3 points" in ended.out
    assert "2.28 %" in ended.out  # ILAC-G8:09/2019, table 1: w = U has a risk below 2.5 %


def test_a_sensor_without_a_tolerance_needs_one(
    rungwise: Run, write: Write, platinum: Path
) -> None:
    loose = write("loose.toml", PLATINUM.replace("tolerance_celsius = 0.8\n", ""))
    bath = write("bath.toml", BATH.format(boiling=1385))
    assert rungwise("sensor", "check", loose, bath).status == 2
    assert rungwise("sensor", "check", loose, bath, "--tolerance", "0.8").status == 0
    poor = rungwise("sensor", "check", platinum, bath, "--tolerance", "0.3")
    assert "less than 4 to 1" in poor.err
    for wrong in ("0", "-1", "much", "nan", "inf"):
        assert rungwise("sensor", "check", loose, bath, "--tolerance", wrong).status == 2


def test_a_class_of_tolerance_has_another_limit_at_every_point(rungwise: Run, write: Write) -> None:
    """IEC 60751, class B: 0.3 degC at 0 degC and 0.8 at 100; class AA ends at 250 degC."""
    classed = write("b.toml", PLATINUM.replace("tolerance_celsius = 0.8\n", 'tolerance = "B"\n'))
    bath = write("bath.toml", BATH.format(boiling=1385))
    ended = rungwise("sensor", "check", classed, bath, "--json")
    limits = [point["tolerance_celsius"] for point in ended.document["points"]]
    celsius = [point["bath_celsius"] for point in ended.document["points"]]
    assert limits == pytest.approx([0.3 + 0.005 * abs(t) for t in celsius])
    assert ended.document["tolerance_celsius"] is None
    hot = """
format = "rungwise-bath/1"
[[point]]
kind = "bath"
celsius = 300
uncertainty_celsius = 0.1
ohms = 2120
uncertainty_ohms = 0.1
"""
    fine = write(
        "aa.toml",
        'format = "rungwise-sensor/1"\nkind = "platinum"\nreference_ohms = 1000\n'
        'tolerance = "AA"\n',
    )
    ended = rungwise("sensor", "check", fine, write("hot.toml", hot))
    assert ended.status == 2
    assert "class AA of IEC 60751 has no tolerance at 300 degC" in ended.err


@pytest.mark.parametrize(("plan", "stem"), [("air-random", "tern-air")])
def test_what_a_formula_may_be_off_reaches_the_verdict(
    rungwise: Run, sweeps: Path, plan: str, stem: str
) -> None:
    """JCGM 100:2008, 5.1.2: no combined uncertainty is less than one of its parts."""
    ended = rungwise("plan", sweeps / f"{plan}.toml", "--json")
    curve = load_sensor(sweeps / "sensors" / f"{stem}.toml").curve
    steps = ended.document["steps"]
    own = [2 * float(curve.uncertainty_celsius(step["achieved_celsius"])) for step in steps]
    assert max(own) > 1.5
    for step, least in zip(steps, own, strict=True):
        assert step["uncertainty_celsius"] >= least


def test_salt_water_is_cautioned_where_a_fixed_point_is_judged(
    rungwise: Run, platinum: Path, write: Write
) -> None:
    bath = write("bath.toml", BATH.format(boiling=1385))
    ended = rungwise("sensor", "check", platinum, bath)
    assert "Sea water freezes at -1.9 degC" in ended.err


def test_bad_bath_files_are_refused(rungwise: Run, platinum: Path, write: Write) -> None:
    for text in ("", 'format = "rungwise-bath/1"\n', BATH.format(boiling=-5), PLATINUM):
        ended = rungwise("sensor", "check", platinum, write("bath.toml", text), "--json")
        assert ended.status == 2
        assert ended.document["error"]["problems"]


@pytest.fixture
def recorded(sweeps: Path) -> Path:
    return sweeps / "recorded"


def test_a_corroded_run_differs_from_a_healthy_one_by_what_ohms_law_says(
    rungwise: Run, recorded: Path, sweeps: Path
) -> None:
    from controller.sensors.files import load_sensor

    healthy, corroded = recorded / "coolant-healthy.jsonl", recorded / "coolant-corroded.jsonl"
    ended = rungwise("compare", healthy, corroded, "--json")
    assert ended.status == 1
    [one] = ended.document["comparisons"]
    assert one["alike"] is False
    assert one["unmatched"] == 0
    curve = load_sensor(sweeps / "sensors" / "tern-coolant.toml").curve
    for step in one["steps"]:
        # The connector adds 150 ohm; each run rounds to whole degrees.
        at = step["achieved_celsius"]
        low = float(curve.celsius(float(curve.ohms(at)) + 150.0)) - at
        assert step["difference_celsius"] == pytest.approx(low, abs=1.0)


def test_one_record_is_compared_up_against_down(rungwise: Run, recorded: Path) -> None:
    ended = rungwise("compare", recorded / "coolant-healthy.jsonl", "--json")
    assert ended.status == 0
    found = ended.document["hysteresis"]
    assert found["present"] is False
    assert len(found["points"]) == 30
    check = rungwise("compare", recorded / "coolant-check.jsonl", "--json")
    assert check.status == 4
    assert check.document["hysteresis"] is None


def test_three_records_have_a_trend(rungwise: Run, recorded: Path, tmp_path: Path) -> None:
    healthy = recorded / "coolant-healthy.jsonl"
    names = []
    for index in range(3):
        path = tmp_path / f"{index}.jsonl"
        path.write_bytes(healthy.read_bytes())
        names.append(path)
    ended = rungwise("compare", *names, "--json")
    assert ended.status == 0
    assert len(ended.document["comparisons"]) == 2
    trend = ended.document["trend"]
    assert trend["per"] == "run"  # virtual time: all begin at the same moment
    assert trend["slope_celsius"] == pytest.approx(0, abs=1e-12)
    assert trend["significant"] is False
    mixed = rungwise("compare", *names[:2], recorded / "coolant-check.jsonl")
    assert "No trend is given" in mixed.out
    assert "different plans" in mixed.err


def test_what_cannot_be_compared_is_refused(rungwise: Run, recorded: Path, write: Write) -> None:
    healthy = recorded / "coolant-healthy.jsonl"
    for words in (
        ["nowhere.jsonl"],
        [healthy, "nowhere.jsonl", "neither.jsonl"],
        [healthy, healthy],
        [write("empty.jsonl", ""), healthy],
        [healthy, "--within", "0"],
    ):
        ended = rungwise("compare", *words, "--json")
        assert ended.status == 2
        assert ended.document["error"]["problems"]


def test_the_budget_adds_up_to_what_the_plan_states(rungwise: Run, sweeps: Path) -> None:
    plan = sweeps / "coolant-sweep.toml"
    bench = sweeps / "benches" / "calibrated.toml"
    ended = rungwise("plan", plan, "--bench", bench, "--budget", "--json")
    assert ended.status == 0
    for step in ended.document["steps"]:
        parts = {one["name"]: one["celsius"] for one in step["budget"]}
        assert {"calibration", "contacts", "ambient", "self-heating", "curve", "report"} <= set(
            parts
        )
        # JCGM 100:2008, 5.1.2 and 6.2.1: root sum of squares, times k = 2.
        assert step["uncertainty_celsius"] == pytest.approx(2 * math.hypot(*parts.values()))
    # ILAC-G8:09/2019: w = U leaves 1 - Phi(2).
    assert ended.document["false_accept_risk_at_limit"] == pytest.approx(0.02275, abs=1e-5)
    shown = rungwise("plan", plan, "--bench", bench, "--budget")
    assert "What the uncertainty is made of" in shown.out
    assert "calibration" in shown.out
    assert "What the uncertainty is made of" not in rungwise("plan", plan).out


def test_a_record_keeps_the_budget(rungwise: Run, sweeps: Path, tmp_path: Path) -> None:
    from controller.records.decode import plan_of, results_of
    from controller.records.reader import load_record

    path = tmp_path / "r.jsonl"
    bench = sweeps / "benches" / "calibrated.toml"
    ended = rungwise("sweep", sweeps / "coolant-sweep.toml", "--bench", bench, "--record", path)
    assert ended.status == 0
    record = load_record(path)
    plan, results = plan_of(record), results_of(record)
    for step in (*plan.steps, *(one.step for one in results)):
        assert {part.name for part in step.budget} >= {"calibration", "contacts"}
        total = 2 * math.hypot(*(part.celsius for part in step.budget))
        assert step.uncertainty_celsius == pytest.approx(total)
        assert step.filtered_excursion_celsius is not None
    report = rungwise("report", path)
    assert "2.28 %" in report.out


def test_a_tolerance_too_small_for_the_rest_is_said_before_and_with_a_run(
    rungwise: Run, sweeps: Path, write: Write
) -> None:
    plan = (sweeps / "coolant-check.toml").read_text(encoding="utf-8")
    for folder in ("sensors", "modules", "benches"):
        plan = plan.replace(f'"{folder}/', f'"{sweeps}/{folder}/')
    tight = write("tight.toml", plan.replace("tolerance_celsius = 3", "tolerance_celsius = 1"))
    for verb in ("plan", "check"):
        ended = rungwise(verb, tight)
        assert "less than 4 to 1" in ended.err


def test_a_chart_says_where_it_cannot_support_a_tolerance(rungwise: Run, sweeps: Path) -> None:
    chart = sweeps / "sensors" / "tern-coolant-chart.toml"
    quiet = rungwise("curve", chart, "--tolerance", "2")
    assert "cannot support" not in quiet.err
    ended = rungwise("curve", chart, "--tolerance", "1", "--json")
    assert "cannot support a tolerance of 1 degC" in ended.err
    assert any("cannot support" in text for text in ended.document["warnings"])
    table = rungwise("curve", chart, "--json").document["points"]
    beyond = [one["celsius"] for one in table if one["uncertainty_celsius"] > 1]
    assert beyond
    spans = [
        tuple(float(x) for x in part.split(" to "))
        for part in ended.document["warnings"][-1].split(" at ")[1].split(" degC")[0].split(", ")
    ]
    for celsius in beyond:
        assert any(low <= celsius <= high for low, high in spans)
    for wrong in ("0", "-2", "two"):
        assert rungwise("curve", chart, "--tolerance", wrong).status == 2


def test_a_wrong_sensor_is_named_out_of_a_folder(
    rungwise: Run, recorded: Path, sweeps: Path, tmp_path: Path
) -> None:
    record = recorded / "coolant-wrong-sensor.jsonl"
    ended = rungwise("diagnose", record, "--candidate", sweeps / "sensors", "--json")
    assert ended.status == 1
    document = ended.document
    assert document["distinguishable"] is True
    assert document["best"]["kind"] == "wrong-curve"
    assert document["best"]["sensor"] == "Tern sea-water sensor"
    assert document["sentence"].startswith("The curve of another sensor (Tern sea-water sensor)")
    empty = tmp_path / "none"
    empty.mkdir()
    assert rungwise("diagnose", record, "--candidate", empty).status == 2


def test_a_wrong_sensor_whose_table_ends_early_is_named(
    rungwise: Run, sweeps: Path, tmp_path: Path, write: Write
) -> None:
    """The air sensor's table ends at -20 and 100 degC; the sweep goes from -30 to 120."""
    bench = (sweeps / "benches" / "module-for-sea-water.toml").read_text(encoding="utf-8")
    bench = bench.replace("tern-sea-water", "tern-air").replace('"../', f'"{sweeps}/')
    path = tmp_path / "r.jsonl"
    plan = sweeps / "coolant-sweep.toml"
    swept = rungwise("sweep", plan, "--bench", write("air.toml", bench), "--record", path)
    assert swept.status == 1, swept.err
    ended = rungwise("diagnose", path, "--candidate", sweeps / "sensors", "--json")
    assert ended.status == 1, ended.err
    assert ended.document["best"]["sensor"] == "Tern intake air sensor"
    assert ended.document["distinguishable"] is True


def test_a_corroded_connector_keeps_its_name_whatever_the_candidates(
    rungwise: Run, recorded: Path, sweeps: Path
) -> None:
    ended = rungwise(
        "diagnose", recorded / "coolant-corroded.jsonl", "--candidate", sweeps / "sensors"
    )
    assert ended.status == 1
    first, *rest = ended.out.splitlines()
    assert first.startswith("Extra resistance in series: 150 ohm")
    assert any("connector pins at the sensor" in line for line in rest)


def test_a_healthy_module_stays_healthy_whatever_the_candidates(
    rungwise: Run, recorded: Path, sweeps: Path
) -> None:
    ended = rungwise(
        *("diagnose", recorded / "coolant-healthy.jsonl", "--candidate", sweeps / "sensors"),
        "--json",
    )
    assert ended.status == 0
    assert ended.document["best"]["kind"] == "healthy"


def test_up_and_down_differ_where_a_slow_module_is_not_waited_for(
    rungwise: Run, sweeps: Path, tmp_path: Path, write: Write
) -> None:
    module = (sweeps / "modules" / "tern-aux-diesel.toml").read_text(encoding="utf-8")
    module = module.replace("filter_time_constant_s = 0.15", "filter_time_constant_s = 2.0")
    write("module.toml", module.replace("../", f"{sweeps}/"))
    plan = (sweeps / "coolant-sweep.toml").read_text(encoding="utf-8")
    # The plan knows a quick module; the one at the bench is slow.
    plan = plan.replace("for_s = 3", "for_s = 0.5").replace("at_most_s = 30", "at_most_s = 1.5")
    plan = plan.replace('"modules/', f'"{sweeps}/modules/')
    plan = plan.replace('"sensors/', f'"{sweeps}/sensors/').replace(
        '"benches/', f'"{sweeps}/benches/'
    )
    bench = (sweeps / "benches" / "simulated.toml").read_text(encoding="utf-8")
    bench = bench.replace("../modules/tern-aux-diesel.toml", "module.toml")
    path = tmp_path / "r.jsonl"
    swept = rungwise(
        *("sweep", write("plan.toml", plan), "--record", path),
        *("--bench", write("bench.toml", bench.replace("../", f"{sweeps}/"))),
    )
    assert swept.status in (1, 4)
    ended = rungwise("compare", path, "--json")
    assert ended.status == 1
    found = ended.document["hysteresis"]
    assert found["present"] is True
    # Still on its way: too cold while warming, too hot while cooling.
    assert found["mean_celsius"] < -found["mean_uncertainty_celsius"]
