"""`ladder self-test` from the command line: what it says, what it keeps, what it warns of later."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.bench.files import load_bench
from controller.bench.model import LinkKind
from controller.bench.self_tests import (
    SelfTested,
    keep_self_test,
    self_test_file,
    self_test_warnings,
)
from controller.errors import InputError
from controller.records.codec import events_of_line
from controller.records.decode import plan_of
from controller.records.reader import load_record
from controller.run.events import Measured

Run = Callable[..., Any]
Write = Callable[[str, str], Path]


@pytest.fixture
def bench(write: Write, sweeps: Path) -> Callable[[str], Path]:
    """The simulated bench with a meter, and something wrong inside its ladder."""
    text = (sweeps / "benches" / "simulated-metered.toml").read_text(encoding="utf-8")
    text = text.replace('"../', f'"{sweeps}/')
    return lambda more: write("bench.toml", text + more)


def test_a_sound_ladder_passes(rungwise: Run, bench: Callable[[str], Path]) -> None:
    ended = rungwise("ladder", "self-test", "--bench", bench(""), "--record", "s.jsonl")
    assert ended.status == 0, ended.err
    assert "All 21 states measured are within their tolerance" in ended.out
    assert "all 18 relays were commanded and read back" in ended.err
    assert "unplug it from the module" in ended.err
    lines = [json.loads(line) for line in Path("s.jsonl").read_text().splitlines()]
    assert sum(line["type"] == "measured" for line in lines) == 19  # the others are open
    assert rungwise("validate", "s.jsonl").status == 0


@pytest.mark.parametrize(
    ("fault", "kind", "words"),
    [
        ('kind = "stuck-relay"\nrelay = 3\nenergised = true', "stuck-relay", "relay 3 stays ener"),
        ('kind = "stuck-relay"\nrelay = 16', "stuck-relay", "relay 16 stays at rest"),
        ('kind = "swapped-relays"\nrelay = 4\nother_relay = 9', "swapped-relays", "4 and 9 are sw"),
        ('kind = "drifted-rung"\nrelay = 8\npercent = 2', "drifted-rung", "8 is off by +2 %"),
        ('kind = "open-rung"\nrelay = 15', "open-rung", "relay 15 is open"),
        ('kind = "bad-contact"\nrelay = 5\nohms = 0.8', "bad-contact", "relay 5 has 0.8"),
    ],
)
def test_a_fault_in_the_simulated_ladder_is_named(
    rungwise: Run, bench: Callable[[str], Path], fault: str, kind: str, words: str
) -> None:
    ended = rungwise(
        "ladder", "self-test", "--bench", bench(f"[[ladder_fault]]\n{fault}\n"), "--json"
    )
    assert ended.status == 1
    [named] = ended.document["faults_found"]
    assert named["kind"] == kind
    assert words in named["words"]
    assert words in ended.document["sentence"]


def test_by_the_boards_own_input_it_says_what_it_sees_and_times_the_relays(
    rungwise: Run, bench: Callable[[str], Path]
) -> None:
    at = bench("")
    ended = rungwise("ladder", "self-test", "--bench", at, "--by", "sense", "--json")
    assert ended.status == 0, ended.err
    assert "everything from an open to a short circuit" in ended.err
    said = ended.document
    assert "as far as can be seen" in said["sentence"]
    hidden = [one["relay"] for one in said["rungs"] if one["hidden"]]
    assert hidden == [0, 1, 2]
    # The simulated relays take their stated 4 and 2 ms times a factor within a quarter.
    assert {one["relay"] for one in said["times"]} == set(range(5, 18))
    for one in said["times"]:
        assert one["least_ms"] <= 1.25 * one["stated_ms"]
        assert one["most_ms"] >= 0.75 * one["stated_ms"]
        assert not one["slow"]


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ('kind = "stuck-relay"\nrelay = 16', "relay 16 stays at rest"),
        ('kind = "stuck-relay"\nrelay = 16\nenergised = true', "relay 16 stays energised"),
        ('kind = "swapped-relays"\nrelay = 6\nother_relay = 11', "6 and 11 are swapped"),
        ('kind = "drifted-rung"\nrelay = 10\npercent = 12', "10 is off by +1"),
        ('kind = "slow-relay"\nrelay = 9\nfactor = 4', "relay 9 takes"),
    ],
)
def test_a_fault_is_named_by_the_boards_own_input(
    rungwise: Run, bench: Callable[[str], Path], fault: str, words: str
) -> None:
    at = bench(f"[[ladder_fault]]\n{fault}\n")
    ended = rungwise("ladder", "self-test", "--bench", at, "--by", "sense", "--record", "s.jsonl")
    assert ended.status == 1, ended.err
    assert words in ended.out
    assert rungwise("validate", "s.jsonl").status == 0


def test_a_slow_relay_is_timed_with_a_resolution(
    rungwise: Run, bench: Callable[[str], Path]
) -> None:
    at = bench('[[ladder_fault]]\nkind = "slow-relay"\nrelay = 9\nfactor = 5\n')
    ended = rungwise("ladder", "self-test", "--bench", at, "--by", "sense", "--record", "s.jsonl")
    lines = [json.loads(line) for line in Path("s.jsonl").read_text().splitlines()]
    slow = [line for line in lines if line["type"] == "relay-time" and line["slow"]]
    assert {line["relay"] for line in slow} == {9}
    [operate] = [line for line in slow if line["energised"]]
    assert operate["least_ms"] <= 1.25 * 5 * 4
    assert operate["most_ms"] >= 0.75 * 5 * 4
    assert operate["most_ms"] - operate["least_ms"] <= 3 * operate["resolution_ms"]
    assert "SLOW" in ended.out


def test_a_ladder_that_cannot_open_its_output_leaves_a_record_that_all_can_read(
    rungwise: Run, bench: Callable[[str], Path]
) -> None:
    """The meter tells ohms of states that should be open; JSON has no word for what they should."""
    at = bench('[[ladder_fault]]\nkind = "stuck-relay"\nrelay = 16\nenergised = true\n')
    ended = rungwise("ladder", "self-test", "--bench", at, "--by", "meter", "--record", "s.jsonl")
    assert ended.status == 1
    record = load_record(Path("s.jsonl"))
    plan, attempts = plan_of(record), dict[int, int]()
    events = [one for line in record.lines for one in events_of_line(line, plan, attempts)]
    measured = {one.state: one for one in events if isinstance(one, Measured)}
    assert math.isinf(measured[0].expected_ohms)
    assert math.isfinite(measured[0].ohms)
    assert "Verdict: FAIL" in rungwise("report", "s.jsonl").out
    assert "1 runs added" in rungwise("archive", "add", "s.jsonl").out


def test_nothing_is_connected_where_no_supply_is_seen(
    rungwise: Run, bench: Callable[[str], Path]
) -> None:
    at = bench('[[ladder_fault]]\nkind = "stuck-relay"\nrelay = 17\nenergised = true\n')
    ended = rungwise("ladder", "self-test", "--bench", at, "--by", "sense")
    assert ended.status == 4
    assert (
        "Not tested: 0.00 V with the ladder isolated: the ladder's output is shorted" in ended.out
    )
    assert "output is shorted (short relay 17 stuck?), or the input is dead" in ended.out


def test_what_the_boards_own_input_needs_is_asked_for(
    rungwise: Run, sweeps: Path, write: Write
) -> None:
    simple = sweeps / "benches" / "simulated.toml"
    ended = rungwise("ladder", "self-test", "--bench", simple, "--by", "sense")
    assert (ended.status, "[sense]" in ended.err) == (2, True)
    ended = rungwise("ladder", "self-test", "--bench", simple, "--by", "meter")
    assert (ended.status, "[meter]" in ended.err) == (2, True)


class TestBeforeASweep:
    """`sweep --self-test`: the record says what was found, and a bad ladder is not swept."""

    STUCK = '[[ladder_fault]]\nkind = "stuck-relay"\nrelay = 9\n'

    def test_a_sound_ladder_is_swept_and_the_record_says_so(
        self, rungwise: Run, bench: Callable[[str], Path], sweeps: Path
    ) -> None:
        plan = sweeps / "coolant-sweep.toml"
        ended = rungwise("sweep", plan, "--bench", bench(""), "--self-test", "--record", "r.jsonl")
        assert ended.status == 0, ended.err
        assert "Self-test of the ladder, by sense" in ended.err
        [note] = self_test_notes(Path("r.jsonl"))
        assert "self-test before this run, pass: All 21 states" in note
        assert "Its record: r-self-test.jsonl, closing hash" in note
        assert rungwise("validate", "r-self-test.jsonl").status == 0
        assert rungwise("replay", "r.jsonl").status == 0

    def test_a_bad_ladder_refuses_the_run(
        self, rungwise: Run, bench: Callable[[str], Path], sweeps: Path
    ) -> None:
        plan, at = sweeps / "coolant-sweep.toml", bench(self.STUCK)
        ended = rungwise("sweep", plan, "--bench", at, "--self-test", "--record", "r.jsonl")
        assert ended.status == 3
        assert "relay 9 stays at rest" in ended.err
        assert "the run was not begun; the ladder is parked (mend it; --despite-self-t" in ended.err
        assert not Path("r.jsonl").exists()
        assert Path("r-self-test.jsonl").exists()

    def test_a_person_may_go_on_and_the_record_says_so(
        self, rungwise: Run, bench: Callable[[str], Path], sweeps: Path
    ) -> None:
        plan, at = sweeps / "coolant-sweep.toml", bench(self.STUCK)
        words = ("--bench", at, "--self-test", "--despite-self-test", "--record", "r.jsonl")
        assert rungwise("sweep", plan, *words).status == 1
        [note] = self_test_notes(Path("r.jsonl"))
        assert "relay 9 stays at rest" in note
        assert "the run goes on all the same (--despite-self-test)" in note

    def test_a_real_ladder_whose_last_test_failed_is_refused_before_anything_is_driven(
        self, rungwise: Run, sweeps: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setenv("RUNGWISE_DATA", str(tmp_path / "data"))
        at = sweeps / "benches" / "serial-example.toml"
        bad = SelfTested(utc="2026-03-01T10:00:00+00:00", sound=False, sentence="relay 3 stays.")
        path = self_test_file({"RUNGWISE_DATA": str(tmp_path / "data")})
        keep_self_test(path, load_bench(at).ladder.name, bad)
        plan = sweeps / "coolant-sweep.toml"
        ended = rungwise("sweep", plan, "--bench", at, "--yes")
        assert ended.status == 2
        assert "relay 3 stays." in ended.err
        assert "--self-test tests it before the run" in ended.err
        ended = rungwise("sweep", plan, "--bench", at, "--yes", "--despite-self-test")
        assert ended.status == 3, "it goes on as far as the port, which is not there"


def self_test_notes(path: Path) -> list[str]:
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    return [line["text"] for line in lines if line.get("kind") == "self-test"]


def test_without_a_meter_it_says_what_was_not_seen(rungwise: Run, sweeps: Path) -> None:
    ended = rungwise("ladder", "self-test", "--bench", sweeps / "benches" / "simulated.toml")
    assert ended.status == 4
    assert "contacts and rungs were not measured" in ended.out


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ('kind = "stuck-relay"\nrelay = 18', "at most 17"),
        ('kind = "open-rung"\nrelay = 16', "switches no rung"),
        ('kind = "swapped-relays"\nrelay = 3\nother_relay = 3', "must be another relay"),
        ('kind = "stuk-relay"\nrelay = 3', "did you mean stuck-relay?"),
    ],
)
def test_a_fault_that_cannot_be_is_refused(
    rungwise: Run, bench: Callable[[str], Path], fault: str, words: str
) -> None:
    ended = rungwise("validate", bench(f"[[ladder_fault]]\n{fault}\n"))
    assert ended.status == 2
    assert words in ended.err + ended.out


def test_a_real_ladder_that_failed_is_warned_of_until_it_passes(
    sweeps: Path, tmp_path: Path
) -> None:
    bench = load_bench(sweeps / "benches" / "serial-example.toml")
    path = tmp_path / "data" / "self-tests.json"
    assert self_test_warnings(bench, path) == ()
    name = bench.ladder.name
    bad = SelfTested(utc="2026-03-01T10:00:00+00:00", sound=False, sentence="relay 3 stays.")
    keep_self_test(path, name, bad)
    [sentence] = self_test_warnings(bench, path)
    assert "2026-03-01" in sentence
    assert "relay 3 stays." in sentence
    keep_self_test(path, "another", SelfTested(utc="x", sound=True, sentence="s"))
    assert self_test_warnings(bench, path) == (sentence,)
    keep_self_test(path, name, SelfTested(utc="x", sound=True, sentence="s"))
    assert self_test_warnings(bench, path) == ()
    assert load_bench(sweeps / "benches" / "simulated.toml").link is LinkKind.SIMULATED
    path.write_text("{}")
    with pytest.raises(InputError, match="is not a rungwise-self-tests/1 file"):
        self_test_warnings(bench, path)


def test_a_simulated_fault_shows_in_the_module_as_well(
    rungwise: Run, bench: Callable[[str], Path], sweeps: Path
) -> None:
    broken = bench('[[ladder_fault]]\nkind = "stuck-relay"\nrelay = 9\n')
    ended = rungwise("sweep", sweeps / "coolant-sweep.toml", "--bench", broken)
    assert ended.status == 1
