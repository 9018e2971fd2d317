"""Starting out: init, new files, validate, and the program's answers to slips of the keyboard."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.cli.starter import STARTER_FILES
from controller.cli.verbs import EXAMPLES, VERBS
from controller.sensors.files import load_sensor

Run = Callable[..., Any]
Write = Callable[[str, str], Path]
ROOT = Path(__file__).resolve().parents[2]
POINTS = {-20: 15400, 0: 5900, 20: 2500, 40: 1180, 60: 595, 80: 320, 100: 184, 120: 111}


def _points(points: dict[int, float]) -> list[object]:
    return [word for t, ohms in points.items() for word in ("--point", t, ohms)]


def test_init_writes_files_that_are_all_valid(rungwise: Run, tmp_path: Path) -> None:
    document = rungwise("init", "tern", "--json").document
    assert sorted(document["files"]) == sorted(str(Path("tern") / name) for name in STARTER_FILES)
    ended = rungwise("validate", *document["files"], "--json")
    assert ended.status == 0
    assert {one["kind"] for one in ended.document["files"]} == {
        *("plan", "bench", "ladder", "module", "record", "sensor")
    }
    assert rungwise(*document["next"].split()[1:]).status == 0


def test_init_overwrites_nothing(rungwise: Run, write: Write) -> None:
    mine = write("coolant-check.toml", "mine")
    ended = rungwise("init")
    assert ended.status == 2
    assert mine.read_text("utf-8") == "mine"
    assert not Path("benches").exists()


def test_the_wheel_takes_what_init_writes() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    taken = settings["tool"]["hatch"]["build"]["targets"]["wheel"]["force-include"]
    assert taken == {
        f"sweeps/{name}": f"controller/cli/starter_files/{name}" for name in STARTER_FILES
    }


def test_a_new_sensor_is_fitted_and_drawn(rungwise: Run) -> None:
    ended = rungwise("new", "sensor", "mine.toml", *_points(POINTS))
    assert ended.status == 0
    assert ended.out.count("o") >= len(POINTS)
    curve = load_sensor(Path("mine.toml")).curve
    for celsius, ohms in POINTS.items():
        assert float(curve.ohms(celsius)) == pytest.approx(ohms, rel=0.04)


def test_a_new_sensor_names_the_point_that_does_not_belong(rungwise: Run) -> None:
    ended = rungwise("new", "sensor", "mine.toml", *_points({**POINTS, 80: 230}))
    assert ended.status == 0
    assert "80 degC" in ended.err
    assert "does not belong" in ended.err
    assert "X" in ended.out


def test_a_new_file_that_would_not_be_valid_is_not_left_behind(rungwise: Run) -> None:
    ended = rungwise("new", "sensor", "mine.toml", "--point", "20", "2k5", "--point", "80", "320")
    assert ended.status == 2
    assert not Path("mine.toml").exists()


def test_without_a_terminal_nothing_is_asked(rungwise: Run) -> None:
    ended = rungwise("new", "ladder", "box.toml")
    assert ended.status == 2
    assert "--help" in ended.err


def test_answers_on_a_terminal_do_as_well_as_flags(
    rungwise: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Keyboard:
        lines = iter(["10R\n", "22\n", "4k7\n", "\n"])

        def isatty(self) -> bool:
            return True

        def readline(self) -> str:
            return next(self.lines)

    monkeypatch.setattr("sys.stdin", Keyboard())
    assert rungwise("new", "ladder", "box.toml").status == 0
    made = tomllib.loads(Path("box.toml").read_text("utf-8"))
    assert [rung["ohms"] for rung in made["group"][0]["rungs"]] == [10, 22, 4700]


def test_validate_says_what_is_wrong_with_which_file(
    rungwise: Run, write: Write, sweeps: Path
) -> None:
    bad = write("bad.toml", 'format = "rungwise-plan/1"\nkind = "swep"\n')
    newer = write("newer.toml", 'format = "rungwise-plan/2"\n')
    none = write("none.toml", "x = 1\n")
    broken = write("broken.jsonl", '{"format":"rungwise-record/1"}\n')
    good = sweeps / "coolant-check.toml"
    ended = rungwise("validate", bad, newer, none, broken, good, "--json")
    assert ended.status == 2
    assert [one["valid"] for one in ended.document["files"]] == [False] * 4 + [True]
    assert "did you mean sweep?" in ended.err
    assert "newer version" in ended.err
    assert "no format line" in ended.err


def test_resistances_may_be_text_with_a_unit(rungwise: Run, write: Write, sweeps: Path) -> None:
    text = (sweeps / "ladders" / "bench-16.toml").read_text("utf-8")
    changed = text.replace("ohms = 1690.0", 'ohms = "1k69"').replace("ohms = 15.0", 'ohms = "15R"')
    assert changed != text
    ladder = write("box.toml", changed)
    same = [rungwise("nearest", one, "2k5", "--json").document["results"] for one in (
        ladder, sweeps / "ladders" / "bench-16.toml"
    )]  # fmt: skip
    assert same[0] == same[1]
    comma = rungwise("nearest", write("comma.toml", text.replace("15.0", '"15,0"')), "2k5")
    assert comma.status == 2
    assert "comma" in comma.err


def test_a_value_the_ladder_cannot_make_is_refused(rungwise: Run) -> None:
    for value in ("2.5M", "2.5m"):
        ended = rungwise("set", value)
        assert ended.status == 2, value
        assert "the nearest is" in ended.err
        anyway = rungwise("set", value, "--nearest-anyway", "--json")
        assert anyway.status == 0
        assert anyway.document["target_ohms"] == pytest.approx(
            2.5e6 if value.endswith("M") else 2.5e-3
        )
    assert rungwise("set", "2.5k").status == 0
    assert rungwise("set", "relay", "3").status == 0


def test_nearest_says_what_is_far_off(rungwise: Run, sweeps: Path) -> None:
    ladder = sweeps / "ladders" / "bench-16.toml"
    ended = rungwise("nearest", ladder, "2.5M", "2.5k", "--json")
    assert [one["near_enough"] for one in ended.document["results"]] == [False, True]
    assert [one["reached"] for one in ended.document["results"]] == [False, True]
    assert "2.500 Mohm" in ended.err
    assert rungwise("nearest", ladder, "2.5M", "--within", "1").status == 2
    assert rungwise("nearest", ladder, "2.5k", "--within", "1").status == 0


def test_a_record_goes_into_a_folder_that_is_there(rungwise: Run, sweeps: Path) -> None:
    ended = rungwise("check", sweeps / "coolant-check.toml", "--record", "nowhere/r.jsonl")
    assert ended.status == 2
    assert "there is no folder" in ended.err
    assert not Path("nowhere").exists()


def test_records_of_different_sensors_are_not_compared(rungwise: Run, sweeps: Path) -> None:
    rungwise("init", ".")
    plan = Path("coolant-check.toml")
    assert rungwise("check", plan, "--record", "a.jsonl").status == 0
    other = plan.read_text("utf-8").replace("tern-coolant.toml", "other.toml")
    Path("other-check.toml").write_text(other, "utf-8")
    sensor = Path("sensors/tern-coolant.toml").read_text("utf-8")
    sensor = sensor.replace("reference_ohms = 2800.0", "reference_ohms = 2200.0")
    Path("sensors/other.toml").write_text(sensor, "utf-8")
    rungwise("check", "other-check.toml", "--record", "b.jsonl")
    assert rungwise("check", plan, "--record", "c.jsonl").status == 0
    assert rungwise("compare", "a.jsonl", "c.jsonl").status == 0
    ended = rungwise("compare", "a.jsonl", "b.jsonl")
    assert ended.status == 2
    assert "another sensor" in ended.err


def test_a_record_without_a_module_is_judged_again(
    rungwise: Run, sweeps: Path, write: Write, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A real ladder's record, its readings typed, and no module file anywhere."""
    rungwise("init", ".")
    plan = Path("coolant-check.toml").read_text("utf-8")
    plan = plan.replace('module = "modules/tern-aux-diesel.toml"\n', "")
    plan = plan.replace('["open", 40, "short"]', "[40, 20]")
    write("plain.toml", plan)
    record = _typed_record("plain.toml", [40.0, 27.0])
    ended = rungwise("replay", record, "--json")
    assert ended.status == 1  # the verdict of the run: 7 degC off at 20 degC
    assert ended.document["verdict"] == "fail"
    assert ended.document["run_again"] is False
    assert ended.document["differences"] == []
    assert "names a module" in ended.document["sentence"]
    record = _typed_record("plain.toml", [40.0, 20.0])
    assert rungwise("replay", record).status == 0
    changed = record.read_text("utf-8")
    assert rungwise("replay", record).out.count("Difference") == 0
    assert changed == record.read_text("utf-8")


def _typed_record(plan: str, readings: list[float]) -> Path:
    """Return the record of a plan on a ladder at a port, with readings typed.

    The port is a device in memory in place of a wire; everything else is as on a real bench.
    """
    from dataclasses import replace

    from controller.bench.default import default_bench
    from controller.bench.files import load_bench
    from controller.bench.model import LinkKind
    from controller.bench.wiring import open_bench
    from controller.clock import VirtualClock
    from controller.records.writer import RecordWriter
    from controller.run.job import run_events
    from controller.run.sweep import SweepRun
    from controller.session.prepared import prepare
    from controller.session.recording import opening_of

    answers = iter([f"{celsius}" for celsius in readings])
    prepared = prepare(Path(plan), Path("benches/serial-example.toml"))
    assert prepared.inputs.module is None
    clock = VirtualClock()

    assert load_bench(Path("benches/serial-example.toml")).link is LinkKind.SERIAL
    wired = replace(
        prepared.bench,
        link=LinkKind.SIMULATED,
        module=default_bench(prepared.sensor).module,
    )
    path = Path(f"typed-{readings[-1]:g}.jsonl")
    writer = RecordWriter.create(
        path,
        opening_of(prepared.inputs, prepared.resolved, verb="check", pace="real"),
        clock=clock,
        durable=False,
    )
    bench = open_bench(
        wired, clock, lines=lambda: next(answers), keep_early=True, write=lambda _line: None
    )
    for event in run_events(SweepRun(prepared.resolved, bench, clock)):
        writer.take(event)
    writer.close()
    bench.close()
    return path


def test_json_stands_before_or_after_the_verb(rungwise: Run, sweeps: Path) -> None:
    sensor = sweeps / "sensors" / "tern-coolant.toml"
    before = rungwise("--json", "curve", sensor, "--at", "20").document
    assert before == rungwise("curve", sensor, "--at", "20", "--json").document
    assert before["format"] == "rungwise-curve-output/1"
    refused = rungwise("--json", "curve", "nowhere.toml")
    assert refused.status == 2
    assert refused.document["format"] == "rungwise-curve-output/1"


def test_a_link_fault_is_in_the_document_with_its_cause(rungwise: Run) -> None:
    rungwise("init", ".")
    ended = rungwise(
        *("check", "coolant-check.toml", "--bench", "benches/serial-example.toml"),
        *("--yes", "--json"),
    )
    assert ended.status == 3
    [fault] = ended.document["faults"]
    assert "/dev/ttyUSB0" in fault["message"]
    assert fault["relays"] == "nothing was driven"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nearst"], "did you mean nearest?"),
        (["sweep", "p.toml", "--recrod", "x"], "did you mean --record?"),
        (["-v"], "did you mean --version?"),
        (["curve", "x.toml", "--at", "1e999"], "there is no such file"),
        (["set", "1e999ohm"], "too large"),
        (["set", "2,5k"], "comma"),
    ],
)
def test_slips_are_answered(rungwise: Run, words: list[str], said: str) -> None:
    ended = rungwise(*words)
    assert ended.status == 2
    assert said in ended.err


def test_help_of_a_verb_by_its_name_has_examples(rungwise: Run) -> None:
    for verb in VERBS:
        ended = rungwise("help", *verb.split())
        assert ended.status == 0
        if verb in EXAMPLES:
            assert "examples:" in ended.out
        assert "; else" not in ended.out or verb.startswith("ladder")


def test_a_folder_stands_for_the_screen(rungwise: Run, tmp_path: Path) -> None:
    """Without a terminal the screen refuses, in its own words: the folder was understood."""
    ended = rungwise(tmp_path)
    assert ended.status == 2
    assert "needs a terminal" in ended.err


def test_junit_needs_its_folder_before_anything_is_driven(rungwise: Run, sweeps: Path) -> None:
    ended = rungwise("check", sweeps / "coolant-check.toml", "--junit", "no/where.xml")
    assert ended.status == 2
    assert not Path("runs").exists()


def test_pre_commit_calls_a_verb_that_exists() -> None:
    hooks = (ROOT / ".pre-commit-hooks.yaml").read_text("utf-8")
    assert "entry: rungwise validate" in hooks
    assert "validate" in VERBS


def test_several_files_at_once_each_get_their_answer(rungwise: Run) -> None:
    rungwise("init", ".")
    plans = rungwise("plan", "coolant-check.toml", "coolant-sweep.toml", "--json").document
    assert plans["format"] == "rungwise-plan-output/1"
    assert [len(one["steps"]) for one in plans["files"]] == [3, 61]
    alone = rungwise("plan", "coolant-check.toml", "--json").document
    assert {"format": plans["format"], **plans["files"][0]} == alone
    record = "recorded/coolant-corroded.jsonl"
    ended = rungwise("replay", record, "missing.jsonl", "--json")
    assert ended.status == 2
    good, bad = ended.document["files"]
    assert good["same"] is True
    assert "no such file" in bad["error"]["message"]
    assert rungwise("replay", record, record).status == 0


def test_export_and_report_give_data(rungwise: Run) -> None:
    rungwise("init", ".")
    record = "recorded/coolant-corroded.jsonl"
    swept = rungwise("replay", record, "--json").document["steps"]
    exported = rungwise("export", record, "--json").document
    assert [row["reported_celsius"] for row in exported["rows"]] == [
        step["reported_celsius"] for step in swept
    ]
    assert set(exported["rows"][0]) == set(exported["columns"])
    reported = rungwise("report", record, "--json").document
    assert reported["verdict"] == "fail"
    assert [step["verdict"] for step in reported["steps"]] == [step["verdict"] for step in swept]


def test_the_plan_says_where_the_path_is_the_louder_way_after_the_filter(
    rungwise: Run, sweeps: Path
) -> None:
    ended = rungwise("plan", sweeps / "coolant-sweep.toml", "--json")
    [note] = ended.document["filter_warnings"]
    assert note in ended.err
    told = re.match(r"step (\d+): .* strays (\S+) degC, all relays at once (\S+) degC", note)
    assert told is not None
    assert float(told[2]) > float(told[3]) + 0.05
    # The bound that the plan works out, apart from any simulation, holds.
    step = ended.document["steps"][int(told[1]) - 1]
    assert float(told[2]) <= step["filtered_excursion_celsius"] + 0.05


def test_nothing_is_said_where_a_quick_filter_shows_what_switching_does(
    rungwise: Run, write: Write
) -> None:
    """Without a filter the path is the quieter way, or as quiet."""
    rungwise("init", ".")
    module = Path("modules/tern-aux-diesel.toml")
    text = module.read_text("utf-8")
    quick = text.replace("filter_time_constant_s = 0.15", "filter_time_constant_s = 0.0")
    assert quick != text
    module.write_text(quick, "utf-8")
    document = rungwise("plan", "coolant-sweep.toml", "--json").document
    assert document["filter_warnings"] == []


def test_the_examples_of_new_work_one_after_the_other(rungwise, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for kind in ("sensor", "ladder", "module", "bench", "plan"):
        shown = rungwise("new", kind, "--help").out
        _, _, example = shown.partition("examples:\n  rungwise ")
        done = rungwise(*example.strip().split())
        assert done.status == 0, done.err
    assert rungwise("validate", *sorted(tmp_path.glob("*.toml"))).status == 0


def test_a_byte_order_mark_is_taken_for_what_it_is(rungwise, tmp_path, sweeps):
    """As some editors on Windows write it: before the first letter of the first line."""
    path = tmp_path / "marked.toml"
    path.write_bytes(b"\xef\xbb\xbf" + (sweeps / "sensors/tern-coolant.toml").read_bytes())
    assert path.read_text().startswith("\ufeffformat")
    assert rungwise("validate", path).status == 0
    assert rungwise("curve", path, "--at", "20").status == 0
