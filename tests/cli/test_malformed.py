"""Files that are wrong in every way we know of: all problems at once, exit 2, no traceback."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

Run = Callable[..., Any]

SENSOR = """\
format = "rungwise-sensor/1"
kind = "table"
points = [[0, 9000], [20, 2500], [80, 320]]
lowest_celsius = 0
highest_celsius = 80
"""
LADDER = """\
format = "rungwise-ladder/1"
name = "Two rungs"
relay_count = 2
[[group]]
kind = "series"
rungs = [
  { relay = 0, ohms = 1000 },
  { relay = 1, ohms = 2000 },
]
"""
PLAN = """\
format = "rungwise-plan/1"
kind = "sweep"
sensor = "sensor.toml"
tolerance_celsius = 3
[settle]
within_celsius = 0.5
for_s = 1
at_most_s = 10
[[targets]]
celsius = [20, 40]
"""
MODULE = """\
format = "rungwise-module/1"
"""
BENCH = """\
format = "rungwise-bench/1"
name = "b"
ladder = "ladder.toml"
[link]
kind = "simulated"
[readback]
kind = "simulated"
[simulation]
module = "module.toml"
"""


def _changed(text: str, old: str, new: str) -> str:
    assert old in text
    return text.replace(old, new)


# verb, file, content, the words its message has to hold
MALFORMED: dict[str, tuple[str, str | bytes, tuple[str, ...]]] = {
    "unknown key": (
        "curve",
        _changed(SENSOR, "lowest", "lowst_celsius = 1\nlowest"),
        ("lowst_celsius", "lowest_celsius", ":4"),
    ),
    "wrong type": ("curve", _changed(SENSOR, "= 80", '= "warm"'), ("highest_celsius", "number")),
    "NaN": ("curve", _changed(SENSOR, "= 80", "= nan"), ("highest_celsius", "finite")),
    "infinite": ("curve", _changed(SENSOR, "9000", "inf"), ("points", "finite")),
    "huge integer": ("curve", _changed(SENSOR, "9000", "9" * 400), ("points",)),
    "table not monotone": ("curve", _changed(SENSOR, "2500", "250"), ("points",)),
    "table with one point": (
        "curve",
        _changed(SENSOR, "[[0, 9000], [20, 2500], [80, 320]]", "[[0, 9000]]"),
        ("points",),
    ),
    "span upside down": (
        "curve",
        _changed(_changed(SENSOR, "= 80", "= -5"), "lowest_celsius = 0", "lowest_celsius = 50"),
        ("celsius",),
    ),
    "unknown kind": ("curve", _changed(SENSOR, '"table"', '"tabel"'), ("kind", "table")),
    "wrong format line": ("curve", _changed(SENSOR, "-sensor/1", "-ladder/1"), ("format",)),
    "no format line": ("curve", SENSOR.split("\n", 1)[1], ("format",)),
    "not TOML": ("curve", "format = what\n", ("not valid TOML", ":1")),
    "not UTF-8": ("curve", b'format = "\xff\xfe"\n', ("UTF-8",)),
    "empty file": ("curve", "", ("format",)),
    "zero bytes": ("curve", b"\x00" * 20, ("TOML",)),
    "nested deeply": ("curve", "a = " + "[" * 5000, ("",)),
    "negative ohm": ("nearest", _changed(LADDER, "1000", "-1000"), ("ohms", "rungs[0]")),
    "duplicate relay": ("nearest", _changed(LADDER, "relay = 1", "relay = 0"), ("relay",)),
    "relay beyond the count": ("nearest", _changed(LADDER, "relay = 1", "relay = 7"), ("relay",)),
    "no relays": ("nearest", _changed(LADDER, "relay_count = 2", "relay_count = 0"), ("relay",)),
    "too many relays": (
        "nearest",
        _changed(LADDER, "relay_count = 2", "relay_count = 65"),
        ("relay_count",),
    ),
    "no group": ("nearest", LADDER.split("[[group]]")[0], ("group",)),
    "fractional relay": ("nearest", _changed(LADDER, "relay = 1", "relay = 1.5"), ("whole",)),
    "isolate relay beyond the count": (
        "nearest",
        _changed(LADDER, "[[group]]", "[output]\nisolate_relay = 9\n[[group]]"),
        ("isolate_relay",),
    ),
    "two tolerances": (
        "nearest",
        _changed(LADDER, "ohms = 1000", "ohms = 1000, tolerance_percent = 1, uncertainty_ohms = 1"),
        ("uncertainty_ohms",),
    ),
    "empty plan": ("plan", PLAN.split("[[targets]]")[0], ("targets",)),
    "no targets in a block": ("plan", _changed(PLAN, "[20, 40]", "[]"), ("celsius",)),
    "target outside the span": ("plan", _changed(PLAN, "[20, 40]", "[20, 90]"), ("90",)),
    "target that is no number": ("plan", _changed(PLAN, "[20, 40]", '[20, "hot"]'), ("hot",)),
    "negative tolerance": ("plan", _changed(PLAN, "= 3", "= -3"), ("tolerance_celsius",)),
    "unknown direction": (
        "plan",
        _changed(PLAN, "celsius = [20, 40]", 'celsius = [20, 40]\ndirection = "sideways"'),
        ("direction",),
    ),
    "step of zero": (
        "plan",
        _changed(
            PLAN, "celsius = [20, 40]", "from_celsius = 10\nto_celsius = 20\nstep_celsius = 0"
        ),
        ("step_celsius",),
    ),
    "a million steps": (
        "plan",
        _changed(
            PLAN, "celsius = [20, 40]", "from_celsius = 10\nto_celsius = 20\nstep_celsius = 1e-9"
        ),
        ("",),
    ),
    "missing sensor file": ("plan", _changed(PLAN, "sensor.toml", "none.toml"), ("none.toml",)),
    "a folder for a sensor": ("plan", _changed(PLAN, '"sensor.toml"', '"."'), ("folder",)),
    "empty name of a sensor file": ("plan", _changed(PLAN, '"sensor.toml"', '""'), ("sensor",)),
    "a zero byte in a file name": (
        "plan",
        _changed(PLAN, '"sensor.toml"', '"a\\u0000b"'),
        ("sensor",),
    ),
    "unknown decision rule": (
        "plan",
        _changed(PLAN, "[settle]", 'decision_rule = "lenient"\n[settle]'),
        ("decision_rule",),
    ),
    "a sensor that names itself a plan": ("plan", SENSOR, ("format",)),
}


@pytest.mark.parametrize("name", MALFORMED)
def test_a_malformed_file_is_bad_input(rungwise: Run, tmp_path: Path, name: str) -> None:
    verb, content, words = MALFORMED[name]
    (tmp_path / "sensor.toml").write_text(SENSOR, encoding="utf-8")
    path = tmp_path / "malformed.toml"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    before = sorted(tmp_path.iterdir())
    arguments = [verb, path, *(["100"] if verb == "nearest" else [])]
    ended = rungwise(*arguments)
    assert ended.status == 2, ended.err
    assert ended.out == ""
    for word in words:
        assert word in ended.err
    document = rungwise(*arguments, "--json").document
    assert document["error"]["exit_code"] == 2
    assert document["error"]["problems"]
    assert sorted(tmp_path.iterdir()) == before


@pytest.mark.parametrize(
    ("name", "content"),
    [("sensor.toml", SENSOR), ("ladder.toml", LADDER), ("plan.toml", PLAN)],
)
def test_the_files_that_the_others_are_made_from_are_sound(
    rungwise: Run, tmp_path: Path, name: str, content: str
) -> None:
    (tmp_path / "sensor.toml").write_text(SENSOR, encoding="utf-8")
    (tmp_path / name).write_text(content, encoding="utf-8")
    verb = {"sensor.toml": "curve", "ladder.toml": "nearest", "plan.toml": "plan"}[name]
    ended = rungwise(verb, tmp_path / name, *(["100"] if verb == "nearest" else []))
    assert ended.status == 0, ended.err


@pytest.mark.parametrize(
    "verb", ["curve", "nearest", "plan", "sweep", "check", "replay", "diagnose", "export", "report"]
)
def test_a_missing_file_is_bad_input(rungwise: Run, tmp_path: Path, verb: str) -> None:
    for path in (tmp_path / "none", tmp_path):
        ended = rungwise(verb, path, *(["100"] if verb == "nearest" else []), "--json")
        assert ended.status == 2
        assert str(path) in ended.document["error"]["message"]


def test_all_problems_of_all_files_come_at_once(rungwise: Run, tmp_path: Path) -> None:
    sensor = _changed(SENSOR, "= 80", "= nan").replace("kind", "colour = 1\nkind")
    ladder = _changed(_changed(LADDER, "1000", "-1"), "relay = 1", "relay = 9")
    plan = _changed(_changed(PLAN, "= 3", "= -3"), "[settle]", "sette = 1\n[settle]")
    bench = _changed(BENCH, '"b"', "7")
    for name, text in (
        ("sensor.toml", sensor),
        ("ladder.toml", ladder),
        ("plan.toml", plan),
        ("bench.toml", bench),
    ):
        (tmp_path / name).write_text(text, encoding="utf-8")
    ended = rungwise("sweep", tmp_path / "plan.toml", "--bench", tmp_path / "bench.toml", "--json")
    assert ended.status == 2
    message = ended.document["error"]["message"]
    for word in (
        "colour",
        "highest_celsius",
        "rungs[0].ohms",
        "rungs[1].relay",
        "tolerance_celsius",
        "sette",
        "bench.toml",
        "module.toml",
    ):
        assert word in message
    problems = ended.document["error"]["problems"]
    assert len({str(problem) for problem in problems}) == len(problems)
    assert sum(problem["line"] is not None for problem in problems) >= 6


@settings(
    max_examples=settings().max_examples // 2,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(data=st.data())
def test_no_damaged_record_brings_a_traceback(
    rungwise: Run, sweeps: Path, tmp_path: Path, data: st.DataObject
) -> None:
    good = tmp_path / "good.jsonl"
    if not good.exists():
        assert rungwise("check", sweeps / "coolant-check.toml", "--record", good).status == 0
    content = bytearray(good.read_bytes())
    if data.draw(st.booleans()):
        del content[data.draw(st.integers(0, len(content) - 1)) :]
    else:
        content[data.draw(st.integers(0, len(content) - 2))] ^= 1 << data.draw(st.integers(0, 7))
    path = tmp_path / "damaged.jsonl"
    path.write_bytes(bytes(content))
    whole_lines = content.count(b"\n")
    verb = data.draw(st.sampled_from(["export", "report", "diagnose"]))
    ended = rungwise(verb, path, "--json")
    if len(content) == good.stat().st_size or whole_lines == 0:
        assert ended.status == 2
        assert ended.document["error"]["problems"]
    else:
        assert ended.status in (0, 4)
