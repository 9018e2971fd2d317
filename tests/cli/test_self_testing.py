"""`ladder self-test` from the command line: what it says, what it keeps, what it warns of later."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.bench.files import load_bench
from controller.bench.model import LinkKind
from controller.bench.self_tests import SelfTested, keep_self_test, self_test_warnings
from controller.errors import InputError

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
