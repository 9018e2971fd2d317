"""Profiles and searches from the command line: run, recorded, replayed, refused."""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.bench.wiring import open_bench
from controller.cautions import CAUTIONS, SEARCH_CAUTION
from controller.clock import VirtualClock
from controller.module.model import FanOutput
from controller.planning.search import Way
from controller.records.lines import FIRST_PREVIOUS, digest, encode_line
from controller.records.reader import load_record
from controller.records.replay import replay
from controller.run.events import RelaysSet
from controller.run.job import run_events
from controller.run.seek import SeekRun
from controller.session.prepared import Prepared, prepare

Run = Callable[..., Any]
Write = Callable[[str, str], Path]
SWEEPS = Path(__file__).resolve().parents[2] / "sweeps"
ON_AT, OFF_BELOW = 94.2, 88.7  # of sweeps/modules/tern-fan.toml


_TOO_FINE = "88\nstep_celsius = 4\nwithin_celsius = 0.02"


def code_width(prepared: Prepared, celsius: float) -> float:
    """Return how many degC one count of the module's converter is: V = Vref R/(R + Rp)."""
    module, curve = prepared.bench.module, prepared.sensor.curve
    assert module is not None
    ohms = float(curve.ohms(celsius))
    count = module.reference_volts / 2**module.adc_bits
    volts = module.reference_volts * ohms / (ohms + module.pullup_ohms) + count
    more = module.pullup_ohms * volts / (module.reference_volts - volts)
    return abs(float(curve.celsius(more)) - celsius)


def search_text(
    *, limits: str = "", head: str = "", search: str = "", bench: str = "simulated-fan"
) -> str:
    return f"""
format = "rungwise-plan/1"
kind = "threshold"
sensor = "{SWEEPS}/sensors/tern-coolant.toml"
module = "{SWEEPS}/modules/tern-fan.toml"
bench = "{SWEEPS}/benches/{bench}.toml"
{head}
[search]
from_celsius = 85
to_celsius = 105
step_celsius = 4
within_celsius = 1
{search or 'watch = "fan"'}
{limits}
"""


def profile_text(points: str, *, head: str = "", more: str = "") -> str:
    return f"""
format = "rungwise-plan/1"
kind = "profile"
sensor = "{SWEEPS}/sensors/tern-coolant.toml"
module = "{SWEEPS}/modules/tern-aux-diesel.toml"
bench = "{SWEEPS}/benches/simulated.toml"
tolerance_celsius = 3
{head}
[settle]
within_celsius = 0.5
for_s = 1
at_most_s = 10
[profile]
{points}
{more}
"""


def forged(source: Path, target: Path, change: Callable[[dict[str, Any]], None]) -> Path:
    """Write a record with other numbers and a sound chain."""
    previous, data = FIRST_PREVIOUS, b""
    kept = ("seq", "utc", "elapsed_s", "type", "previous", "check")
    for seq, line in enumerate(load_record(source).lines):
        change(line)
        content = {key: value for key, value in line.items() if key not in kept}
        raw = encode_line(
            line["type"],
            content,
            seq=seq,
            utc=datetime.fromisoformat(line["utc"]),
            elapsed_s=line["elapsed_s"],
            previous=previous,
        )
        previous = digest(raw)
        data += raw
    target.write_bytes(data)
    return target


# Searches


def test_the_demo_finds_both_points_of_the_fan(rungwise: Run, tmp_path: Path) -> None:
    record = tmp_path / "fan.jsonl"
    ended = rungwise("seek", SWEEPS / "fan-seek.toml", "--record", record, "--json")
    assert ended.status == 0
    document = ended.document
    there, back, hysteresis = document["points"]
    width = code_width(prepare(SWEEPS / "fan-seek.toml"), ON_AT)
    assert there["low_celsius"] - width <= ON_AT <= there["high_celsius"] + width
    assert back["low_celsius"] - width <= OFF_BELOW <= back["high_celsius"] + width
    assert (
        hysteresis["low_celsius"] - width
        <= ON_AT - OFF_BELOW
        <= (hysteresis["high_celsius"] + width)
    )
    assert there["high_celsius"] - there["low_celsius"] < 0.8
    assert [point["verdict"] for point in document["points"]] == ["pass"] * 3
    assert document["verdict"] == "pass"
    again = rungwise("replay", record, "--json")
    assert again.status == 0
    assert again.document["differences"] == []
    assert f"{len(document['looks'])} looks" in again.document["sentence"]


def test_the_caution_stands_first(rungwise: Run, tmp_path: Path) -> None:
    ended = rungwise("seek", SWEEPS / "fan-seek.toml", "--record", tmp_path / "a.jsonl")
    assert SEARCH_CAUTION in ended.err
    assert ended.err.index(SEARCH_CAUTION) < ended.err.index("Driving")


def test_real_equipment_is_not_driven_before_the_cautions_are_confirmed(
    rungwise: Run, write: Write
) -> None:
    bench = write(
        "bench.toml",
        f"""
format = "rungwise-bench/1"
ladder = "{SWEEPS}/ladders/bench-16.toml"
[link]
kind = "serial"
url = "/dev/null-there-is-none"
[readback]
kind = "typed"
""",
    )
    ended = rungwise("seek", write("seek.toml", search_text()), "--bench", bench)
    assert ended.status == 2
    words = " ".join(ended.err.replace("\n- ", " ").split())
    assert words.index(SEARCH_CAUTION) < words.index(CAUTIONS[0])
    assert "add --yes" in words


@pytest.mark.parametrize(
    ("limits", "status", "verdict"),
    [
        ("[search.there]\nhighest_celsius = 90", 1, "fail"),
        ("[search.there]\nlowest_celsius = 94.2", 4, "undecided"),  # inside the interval
        ("[search.back]\nlowest_celsius = 80\nhighest_celsius = 90", 0, "pass"),
        ("[search.hysteresis]\nmost_kelvin = 2", 1, "fail"),
        ("", 0, "undecided"),  # nothing to hold it to: found, and that is all
    ],
)
def test_limits_make_the_verdict(
    rungwise: Run, write: Write, limits: str, status: int, verdict: str
) -> None:
    ended = rungwise("seek", write("seek.toml", search_text(limits=limits)), "--json")
    assert (ended.status, ended.document["verdict"]) == (status, verdict)


def test_what_is_not_found_is_undecided_or_too_high(rungwise: Run, write: Write) -> None:
    short = search_text().replace("to_celsius = 105", "to_celsius = 92")
    ended = rungwise("seek", write("seek.toml", short), "--json")
    assert (ended.status, ended.document["verdict"]) == (4, "undecided")
    [point] = ended.document["points"]
    assert (point["found"], point["high_celsius"]) == (False, None)
    assert 91 < point["low_celsius"] < 93
    limited = short + "[search.there]\nhighest_celsius = 91\n"
    assert rungwise("seek", write("limited.toml", limited), "--json").status == 1


def test_what_is_there_from_the_beginning_is_said(rungwise: Run, write: Write) -> None:
    early = search_text(search='watch = "reading"\nreaches_celsius = 60')
    ended = rungwise("seek", write("seek.toml", early))
    assert ended.status == 4
    assert "already there at the start" in ended.out


def test_a_reading_that_reaches_a_value(rungwise: Run, write: Write) -> None:
    text = search_text(search='watch = "reading"\nreaches_celsius = 97')
    ended = rungwise("seek", write("seek.toml", text), "--json")
    there = ended.document["points"][0]
    # Rounded to the nearest degree, 97 is reported from 96.5 on, less a count of the converter.
    width = code_width(prepare(SWEEPS / "fan-seek.toml"), 96.5)
    assert there["low_celsius"] - width <= 96.5 <= there["high_celsius"] + width


def test_a_reading_that_saturates(rungwise: Run, write: Write) -> None:
    text = search_text(search='watch = "saturation"').replace(
        "to_celsius = 105", "to_celsius = 134"
    )
    ended = rungwise("seek", write("seek.toml", text), "--json")
    there = ended.document["points"][0]
    width = code_width(prepare(SWEEPS / "fan-seek.toml"), 129.5)
    assert there["low_celsius"] - width <= 129.5 <= there["high_celsius"] + width


def test_codes_that_are_cleared_are_found_both_ways(rungwise: Run, tmp_path: Path) -> None:
    record = tmp_path / "code.jsonl"
    ended = rungwise("seek", SWEEPS / "code-seek.toml", "--record", record, "--json")
    assert ended.status == 0
    there, back, _ = ended.document["points"]
    prepared = prepare(SWEEPS / "code-seek.toml")
    # The module's limit of 4.8 V: R = Rp V/(Vref - V) = 59.76 kohm.
    limit = float(prepared.sensor.curve.celsius(2490.0 * 4.8 / 0.2))
    width = code_width(prepared, limit)
    for point in (there, back):
        assert point["low_celsius"] - width <= limit <= point["high_celsius"] + width
    assert rungwise("replay", record).status == 0


def test_codes_that_stay_are_searched_one_way(rungwise: Run, write: Write) -> None:
    text = (SWEEPS / "code-seek.toml").read_text(encoding="utf-8")
    for key in ("sensors", "modules", "benches"):
        text = text.replace(f'"{key}/', f'"{SWEEPS}/{key}/')
    kept = text.replace("clear_codes = true", "clear_codes = false")
    ended = rungwise("seek", write("kept.toml", kept), "--json")
    assert ended.status == 0
    [point] = ended.document["points"]
    assert point["way"] == "there"
    assert point["high_celsius"] - point["low_celsius"] < 3.5  # a step of the search, no bisection
    limited = kept + "[search.back]\nlowest_celsius = -30\n"
    refused = rungwise("seek", write("limited.toml", limited))
    assert refused.status == 2
    assert "clear_codes" in refused.err


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("step_celsius = 4", "step_celsius = 0.5"), "must not be more than step_celsius"),
        (("to_celsius = 105", "to_celsius = 85"), "must differ"),
        (("to_celsius = 105", "to_celsius = 900"), "outside the span"),
        (('watch = "fan"', 'watch = "reading"'), "reaches_celsius"),
        (('watch = "fan"', 'watch = "fan"\nreaches_celsius = 3'), "belongs to"),
        (('watch = "fan"', 'watch = "fun"'), "did you mean fan"),
        (('watch = "fan"', 'watch = "fan"\nwait = 3'), "wait_s"),
        (("105\nstep_celsius = 4\nwithin_celsius = 1", _TOO_FINE), "cannot tell"),
        (("benches/simulated-fan", "benches/simulated"), "whether a fan runs"),
        (("[search]", "max_excursion_celsius = 0.01\n[search]"), "strays"),
        (("[search]", "ramp_limit_celsius_per_s = 1\n[search]"), "no use"),
    ],
)
def test_a_search_that_cannot_be_is_refused(
    rungwise: Run, write: Write, change: tuple[str, str], said: str
) -> None:
    ended = rungwise("seek", write("seek.toml", search_text().replace(*change)))
    assert ended.status == 2
    assert said in ended.err
    assert "Driving" not in ended.err


def test_each_kind_of_plan_has_its_verb(rungwise: Run) -> None:
    for verb, plan, right in (
        ("sweep", "fan-seek.toml", "rungwise seek"),
        ("seek", "warm-up.toml", "rungwise sweep"),
        ("check", "warm-up.toml", "rungwise sweep"),
    ):
        ended = rungwise(verb, SWEEPS / plan)
        assert ended.status == 2
        assert right in ended.err


def test_a_profile_is_not_gone_on_with(rungwise: Run, tmp_path: Path) -> None:
    record = tmp_path / "warm-up.jsonl"
    ended = rungwise("sweep", SWEEPS / "warm-up.toml", "--record", record, "--resume")
    assert ended.status == 2
    assert "--resume: a profile cannot be gone on with" in ended.err


def test_a_search_that_was_not_begun_is_not_gone_on_with(rungwise: Run, tmp_path: Path) -> None:
    record = tmp_path / "fan-seek.jsonl"
    ended = rungwise("seek", SWEEPS / "fan-seek.toml", "--record", record, "--resume")
    assert ended.status == 2
    assert "there is no such file" in ended.err
    assert not record.exists()


def test_a_forged_look_is_found_out(rungwise: Run, tmp_path: Path, write: Write) -> None:
    record = tmp_path / "fan.jsonl"
    rungwise("seek", write("seek.toml", search_text()), "--record", record)
    looks = [line["seq"] for line in load_record(record).lines if line["type"] == "look"]

    def other_answer(line: dict[str, Any]) -> None:
        if line["seq"] == looks[-1]:
            line["seen"] = not line["seen"]

    def other_point(line: dict[str, Any]) -> None:
        if line["type"] == "point":
            line["high_celsius"] += 0.5

    for number, change in enumerate((other_answer, other_point)):
        outcome = replay(load_record(forged(record, tmp_path / f"{number}.jsonl", change)))
        assert outcome.differences


def test_what_people_saw_of_a_module_without_a_fan_is_judged_again(
    rungwise: Run, tmp_path: Path, write: Write
) -> None:
    """At real equipment somebody saw the fan; the module file need not say that there is one."""
    record = tmp_path / "fan.jsonl"
    limits = "[search.there]\nlowest_celsius = 92\nhighest_celsius = 97"
    rungwise("seek", write("seek.toml", search_text(limits=limits)), "--record", record)
    answered = [line["seq"] for line in load_record(record).lines if line["type"] == "look"]

    def at_the_vehicle(line: dict[str, Any]) -> None:
        if line["type"] == "opening":
            line["simulated"] = False
            for file in line["files"]:
                if file["path"].endswith("tern-fan.toml"):
                    file["text"] = file["text"].partition("[fan]")[0]
                    file["sha256"] = digest(file["text"].encode())

    def misheard(line: dict[str, Any]) -> None:
        at_the_vehicle(line)
        if line["seq"] == answered[2]:
            line["seen"] = not line["seen"]

    for name, change, status in (("seen", at_the_vehicle, 0), ("misheard", misheard, 1)):
        ended = rungwise("replay", forged(record, tmp_path / f"{name}.jsonl", change), "--json")
        assert ended.status == status, ended.err
        assert ended.document["run_again"] is False
        assert "has no [fan]" in ended.document["sentence"]
        assert f"{len(answered)} looks of a search checked, " in ended.document["sentence"]


_PREPARED: list[Prepared] = []


def _prepared() -> Prepared:
    if not _PREPARED:
        _PREPARED.append(prepare(SWEEPS / "fan-seek.toml"))
    return _PREPARED[0]


@settings(max_examples=12, deadline=None)
@given(on_at=st.floats(82.0, 107.0), hysteresis=st.floats(0.0, 20.0))
def test_the_interval_contains_the_true_point_of_a_simulated_module(
    on_at: float, hysteresis: float
) -> None:
    prepared = _prepared()
    module, search = prepared.bench.module, prepared.inputs.plan.search
    assert module is not None
    assert search is not None
    off_below = on_at - hysteresis
    fan = FanOutput(on_at_celsius=on_at, off_below_celsius=off_below)
    bench_file = replace(prepared.bench, module=replace(module, fan=fan))
    clock = VirtualClock()
    with closing(open_bench(bench_file, clock)) as bench:
        run = SeekRun(prepared.resolved, search, bench, clock, module=bench_file.module)
        events = list(run_events(run))
    points = {point.way: point for point in run.points}
    width = code_width(prepared, on_at)
    there = points[Way.THERE]
    assert there.found
    assert there.low_celsius - width <= on_at <= there.high_celsius + width
    if off_below > prepared.resolved.steps[0].achieved_celsius + width:  # type: ignore[operator]
        back = points[Way.BACK]
        width = code_width(prepared, off_below)
        assert back.found
        assert back.low_celsius - width <= off_below <= back.high_celsius + width
    curve = prepared.sensor.curve
    hottest = max(
        float(curve.celsius(event.achieved_ohms))
        for event in events
        if isinstance(event, RelaysSet)
    )
    # A level is made to within half of what two levels are apart.
    assert hottest <= on_at + search.step_celsius + search.within_celsius / 2 + width


# Profiles


def test_the_demo_warm_up_is_followed_in_time(rungwise: Run, tmp_path: Path) -> None:
    record = tmp_path / "warm-up.jsonl"
    ended = rungwise("sweep", SWEEPS / "warm-up.toml", "--record", record, "--json")
    assert ended.status == 0
    document = ended.document
    assert document["timing"]
    assert not any(one["late"] for one in document["timing"])
    assert all(abs(one["set_s"] - one["planned_s"]) < 0.05 for one in document["timing"])
    assert len(document["steps"]) == len(document["timing"])
    again = rungwise("replay", record, "--json")
    assert again.status == 0
    assert again.document["differences"] == []


def test_a_step_set_at_another_time_is_found_out(rungwise: Run, tmp_path: Path) -> None:
    record = tmp_path / "warm-up.jsonl"
    rungwise("sweep", SWEEPS / "warm-up.toml", "--record", record)

    def other_time(line: dict[str, Any]) -> None:
        if line["type"] == "timed" and line["step"] == 5:
            line["set_s"] += 0.5

    outcome = replay(load_record(forged(record, tmp_path / "forged.jsonl", other_time)))
    assert [(one.step, one.field) for one in outcome.differences] == [(5, "set_s")]


def test_steps_that_are_too_brief_are_set_but_not_judged(rungwise: Run, write: Write) -> None:
    points = "points = [[0, 20], [20, 20], [25, 60], [45, 60]]\nstep_celsius = 4"
    ended = rungwise("sweep", write("steep.toml", profile_text(points)), "--json")
    document = ended.document
    assert ended.status == 0
    assert len(document["timing"]) > len(document["steps"]) > 0
    assert "too short" in document["sentence"]
    assert "too short" in ended.err


def test_a_ladder_that_cannot_follow_is_late_and_says_so(rungwise: Run, write: Write) -> None:
    slow = (SWEEPS / "ladders" / "bench-16.toml").read_text(encoding="utf-8")
    ladder = write("slow.toml", slow.replace("operate_ms = 4.0", "operate_ms = 200.0"))
    bench = write(
        "bench.toml",
        (SWEEPS / "benches" / "simulated.toml")
        .read_text(encoding="utf-8")
        .replace("../ladders/bench-16.toml", str(ladder))
        .replace("../modules", f"{SWEEPS}/modules"),
    )
    points = "points = [[0, 20], [20, 20], [25, 60], [45, 60]]\nstep_celsius = 4"
    ended = rungwise("sweep", write("p.toml", profile_text(points)), "--bench", bench, "--json")
    late = [one for one in ended.document["timing"] if one["late"]]
    assert late
    assert all(one["set_s"] - one["planned_s"] > 0.1 for one in late)
    assert "late, most at step" in ended.document["sentence"]
    assert "will be late" in ended.err


def test_a_course_from_a_file_is_the_same_as_its_points(rungwise: Run, write: Write) -> None:
    write("course.csv", "time_s;fahrenheit\n0;68\n40;104,0\n60;104\n")
    ours = write("file.toml", profile_text('file = "course.csv"'))
    same = write("points.toml", profile_text("points = [[0, 20], [40, 40], [60, 40]]"))
    planned = [rungwise("plan", plan, "--json").document["steps"] for plan in (ours, same)]
    assert [(s["planned_s"], s["state"]) for s in planned[0]] == pytest.approx(
        [(s["planned_s"], s["state"]) for s in planned[1]]
    )
    record = load_record_of(rungwise, ours)
    assert any(entry["path"].endswith("course.csv") for entry in record.opening["files"])


def load_record_of(rungwise: Run, plan: Path) -> Any:
    ended = rungwise("sweep", plan, "--json")
    return load_record(Path(json.loads(ended.out)["record"]))


@pytest.mark.parametrize(
    ("points", "said"),
    [
        ("points = [[0, 20], [10, 30], [5, 40]]", "time runs backwards"),
        ("points = [[0, 20], [0, 30]]", "takes 0 s"),
        ("points = [[0, 20], [10, 900]]", "outside the span"),
        ('file = "none.csv"', "no such file"),
        ('file = "none.csv"\npoints = [[0, 1], [2, 3]]', "given twice"),
        ("points = [[0, 20], [10, 30]]\nrepat = 2", "repeat"),
        ("", "points"),
        ("points = [[0, 20], [10, 30]]\n[[targets]]\ncelsius = [3]", "targets"),
    ],
)
def test_a_profile_that_cannot_be_is_refused(
    rungwise: Run, write: Write, points: str, said: str
) -> None:
    ended = rungwise("sweep", write("profile.toml", profile_text(points)))
    assert ended.status == 2
    assert said in ended.err


@pytest.mark.parametrize("kind", ["profile", "threshold"])
def test_what_is_offered_against_a_large_excursion_can_be_done(
    rungwise: Run, write: Write, kind: str
) -> None:
    """A course has its own order, and levels of a search follow one another: none is shuffled."""
    verb, text = (
        "seek",
        search_text(head="max_excursion_celsius = 16").replace(
            "from_celsius = 85\nto_celsius = 105", "from_celsius = 100\nto_celsius = 134"
        ),
    )
    if kind == "profile":
        head = "max_excursion_celsius = 1"
        verb, text = "sweep", profile_text("points = [[0, 20], [60, 90]]", head=head)
    ended = rungwise(verb, write("p.toml", text))
    assert ended.status == 2
    assert "more than max_excursion_celsius" in ended.err
    assert "a redundant rung of" in ended.err
    assert "order (" not in ended.err
    assert "in rising order" not in ended.err
    assert "intermediate" not in ended.err


def test_a_cycle_is_repeated(rungwise: Run, write: Write) -> None:
    points = "points = [[0, 84], [60, 88], [120, 84]]\nrepeat = 3\nstep_celsius = 2"
    steps = rungwise("plan", write("cycle.toml", profile_text(points)), "--json").document["steps"]
    first = [s["target_celsius"] for s in steps if s["planned_s"] < 120]
    third = [s["target_celsius"] for s in steps if 240 <= s["planned_s"] < 360]
    assert set(first) == set(third)
    assert steps[-1]["planned_s"] > 300
