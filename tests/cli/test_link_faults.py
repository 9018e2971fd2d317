"""What goes wrong between program and ladder, in virtual time: retries, and the end of a run."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from controller.links.simulated import (
    Direction,
    Fault,
    FaultHook,
    FaultKind,
    SimulatedChannel,
    SimulatedDevice,
    scripted_faults,
    seeded_faults,
)
from controller.records import writer
from controller.records.reader import Record, load_record
from controller.run import summary
from controller.session import session
from controller.tui.workshop import summary_of
from rungwise import result_of as rungwise_result

Run = Callable[..., Any]
SWEEPS = Path(__file__).resolve().parents[2] / "sweeps"
PARKED = "the ladder is parked"
UNKNOWN = "the relay state is unknown"


@pytest.fixture
def with_faults(monkeypatch: pytest.MonkeyPatch) -> Callable[..., list[SimulatedDevice]]:
    """Let the line of the simulated bench go wrong; returns the devices as they are made."""
    open_bench = session.open_bench
    devices: list[SimulatedDevice] = []

    def install(
        hook: FaultHook | None = None, *, muted: bool = False, unplugged: bool = False
    ) -> list[SimulatedDevice]:
        def on_channel(channel: SimulatedChannel, device: SimulatedDevice) -> None:
            channel.muted, channel.unplugged = muted, unplugged
            devices.append(device)

        faulty = partial(open_bench, line_faults=hook, on_channel=on_channel)
        monkeypatch.setattr(session, "open_bench", faulty)
        return devices

    return install


def _closed(path: str) -> Record:
    record = load_record(Path(path))
    assert record.torn_bytes == 0
    assert record.closing is not None
    return record


def test_a_bad_line_costs_retries_and_changes_nothing(
    rungwise: Run, sweeps: Path, with_faults: Callable[..., Any]
) -> None:
    clean = rungwise("sweep", sweeps / "coolant-sweep.toml", "--record", "clean.jsonl", "--json")
    with_faults(seeded_faults(5, 0.05))
    bad = rungwise("sweep", sweeps / "coolant-sweep.toml", "--record", "bad.jsonl", "--json")
    assert bad.status == clean.status == 0
    for field in ("state", "reported_celsius", "verdict"):
        assert [s[field] for s in bad.document["steps"]] == [
            s[field] for s in clean.document["steps"]
        ]
    link = _closed("bad.jsonl").lines[-1]["link"]
    assert link["retries"] > 0


def _from(index: int, kind: FaultKind) -> FaultHook:
    """Return a hook that strikes at every request from one on."""

    def strike(direction: Direction, number: int, _data: bytes) -> Fault | None:
        return Fault(kind=kind) if direction is Direction.TO_DEVICE and number >= index else None

    return strike


def test_a_device_that_falls_silent_in_mid_sweep(
    rungwise: Run, sweeps: Path, with_faults: Callable[..., Any]
) -> None:
    devices = with_faults(_from(60, FaultKind.DROP))
    ended = rungwise("sweep", sweeps / "coolant-sweep.toml", "--record", "r.jsonl", "--json")
    assert ended.status == 3
    assert ended.document["ended"] == "fault"
    assert ended.document["relays"] == UNKNOWN
    assert 0 < len(ended.document["steps"]) < 61
    record = _closed("r.jsonl")
    assert any(line["type"] == "fault" for line in record.lines)
    devices[-1].clock.sleep_s(10)
    assert devices[-1].state == 0  # its own hold-off has parked it
    assert UNKNOWN in record.lines[-1]["sentence"]


def test_a_device_that_never_answers(
    rungwise: Run, sweeps: Path, with_faults: Callable[..., Any]
) -> None:
    with_faults(muted=True)
    ended = rungwise("check", sweeps / "coolant-check.toml", "--record", "r.jsonl", "--json")
    assert ended.status == 3
    assert ended.document["steps"] == []
    assert ended.document["relays"] != PARKED
    assert ended.document["record"] is None
    assert not Path("r.jsonl").exists()


def test_a_cable_that_is_not_plugged_in(
    rungwise: Run, sweeps: Path, with_faults: Callable[..., Any]
) -> None:
    with_faults(unplugged=True)
    ended = rungwise("check", sweeps / "coolant-check.toml", "--record", "r.jsonl")
    assert ended.status == 3
    assert "unplugged" in ended.err
    assert "No record is left" in ended.out
    assert not Path("r.jsonl").exists()


def test_a_device_that_restarts_in_mid_sweep_is_parked_and_said_to_be(
    rungwise: Run, sweeps: Path, with_faults: Callable[..., Any]
) -> None:
    devices = with_faults(scripted_faults({(Direction.TO_DEVICE, 50): Fault(kind=FaultKind.RESET)}))
    ended = rungwise("sweep", sweeps / "coolant-sweep.toml", "--record", "r.jsonl", "--json")
    assert ended.status == 3
    assert ended.document["ended"] == "fault"
    assert ended.document["relays"] == PARKED
    assert devices[-1].state == 0
    fault = next(line for line in _closed("r.jsonl").lines if line["type"] == "fault")
    assert "restart" in fault["message"]


def test_set_says_what_it_knows_after_a_fault(
    rungwise: Run, with_faults: Callable[..., Any]
) -> None:
    with_faults(_from(8, FaultKind.DROP))
    ended = rungwise("set", "2.5k", "--hold", "30", "--record", "r.jsonl", "--json")
    assert ended.status == 3
    assert ended.document["relays"] == UNKNOWN
    record = _closed("r.jsonl")
    assert record.lines[-1]["ended"] == "fault"


def test_a_run_that_ended_by_a_fault_is_resumed(
    rungwise: Run, sweeps: Path, with_faults: Callable[..., Any]
) -> None:
    with_faults(_from(60, FaultKind.DROP))
    plan = sweeps / "coolant-sweep.toml"
    assert rungwise("sweep", plan, "--record", "r.jsonl").status == 3
    with_faults(None)
    ended = rungwise("sweep", plan, "--record", "r.jsonl", "--resume", "--json")
    assert ended.status == 0
    assert [step["index"] for step in ended.document["steps"]] == list(range(61))
    assert rungwise("replay", "r.jsonl").status == 0


def test_a_medium_that_is_full_in_mid_sweep_parks_the_ladder(
    rungwise: Run,
    sweeps: Path,
    monkeypatch: pytest.MonkeyPatch,
    with_faults: Callable[..., Any],
) -> None:
    devices = with_faults(None)
    write, written = os.write, 0

    def fill_up(descriptor: int, data: bytes) -> int:
        nonlocal written
        written += 1
        if written > 30:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return write(descriptor, data)

    with monkeypatch.context() as patched:
        patched.setattr(writer.os, "write", fill_up)
        ended = rungwise("sweep", sweeps / "coolant-sweep.toml", "--record", "r.jsonl", "--json")
    assert ended.status == 3
    assert PARKED in ended.document["error"]["message"]
    assert devices[-1].state == 0
    record = load_record(Path("r.jsonl"))
    assert record.line_count == 30
    assert record.closing is None


@pytest.mark.parametrize("verb", ["sweep", "set"])
def test_a_port_that_never_opened_leaves_no_record(tmp_path: Path, verb: str) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(
        'format = "rungwise-bench/1"\n'
        f'ladder = "{SWEEPS}/ladders/bench-16.toml"\n'
        '[link]\nkind = "serial"\nurl = "/dev/rungwise-is-not-there"\n'
        '[readback]\nkind = "typed"\n'
    )
    record = tmp_path / "run.jsonl"
    what = [str(SWEEPS / "coolant-sweep.toml")] if verb == "sweep" else ["1k"]
    done = subprocess.run(
        [
            *(sys.executable, "-m", "rungwise", verb, *what, "--json", "--yes"),
            *("--bench", str(bench), "--record", str(record)),
        ],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        stdin=subprocess.DEVNULL,
    )
    assert done.returncode == 3, done.stderr
    document = json.loads(done.stdout)
    assert document["record"] is None
    assert document["faults"]
    assert list(tmp_path.iterdir()) == [bench]


@pytest.fixture
def parking_fails(rungwise: Run, sweeps: Path, with_faults: Callable[..., Any]) -> FaultHook:
    """A line that goes dead when nothing is left of a check but to park."""
    asked = 0

    def count(direction: Direction, number: int, _data: bytes) -> None:
        nonlocal asked
        asked = max(asked, number if direction is Direction.TO_DEVICE else 0)

    with_faults(count)
    assert rungwise("check", sweeps / "coolant-check.toml", "--record", "clean.jsonl").status == 0
    for index in range(asked, 0, -1):  # the last requests of all come after the run has ended
        with_faults(_from(index, FaultKind.DROP))
        ended = rungwise("check", sweeps / "coolant-check.toml", "--record", f"{index}.jsonl")
        if ended.status != 0:
            break
    assert ended.status == 3
    return _from(index, FaultKind.DROP)


def test_a_link_that_dies_while_parking_after_the_last_step_is_no_pass(
    rungwise: Run, sweeps: Path, parking_fails: FaultHook, with_faults: Callable[..., Any]
) -> None:
    """Every step passed, and nobody knows where the relays are: that comes first, everywhere."""
    plan = sweeps / "coolant-check.toml"
    with_faults(parking_fails)
    ended = rungwise("check", plan, "--record", "r.jsonl", "--junit", "r.xml")
    assert ended.status == 3
    record = _closed("r.jsonl")
    assert [step["verdict"] for step in record.steps] == ["pass"] * 3
    closing = record.lines[-1]
    assert (closing["ended"], closing["relays"]) == ("fault", UNKNOWN)
    assert closing["verdict"] == "undecided"
    first = f"Ended by a fault after the last step; {UNKNOWN}. Up to there: all 3 steps passed"
    assert closing["sentence"].startswith(first)
    assert f"FAULT: {first}" in ended.out
    assert "PASS" not in ended.out

    suite = ET.parse("r.xml").getroot()
    assert (suite.get("tests"), suite.get("errors"), suite.get("failures")) == ("4", "1", "0")
    error = suite.findall("testcase")[0].find("error")
    assert error is not None
    assert UNKNOWN in str(error.get("message"))
    assert "no answer" in str(error.get("message"))

    text = rungwise("report", "r.jsonl").out
    assert "Verdict: PASS" not in text
    assert text.index("FAULT\n") < text.index("Ended by a fault") < text.index("Verdict: UNDEC")
    rungwise("report", "r.jsonl", "--output", "page.html")
    page = Path("page.html").read_text(encoding="utf-8")
    assert "<strong>FAULT</strong>" in page
    assert "<strong>PASS</strong>" not in page

    again = rungwise("replay", "r.jsonl")
    assert again.status == 0
    assert UNKNOWN in again.err

    of_screen = summary_of(Path("r.jsonl"))
    assert of_screen.verdict == "fault"

    with_faults(parking_fails)
    document = rungwise("check", plan, "--record", "j.jsonl", "--json").document
    assert (document["verdict"], document["relays"]) == ("undecided", UNKNOWN)
    assert list(document).index("relays") < list(document).index("verdict")


def test_a_record_that_let_such_a_run_pass_still_replays(
    rungwise: Run,
    sweeps: Path,
    parking_fails: FaultHook,
    with_faults: Callable[..., Any],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Earlier versions did: what they recorded stays what it was."""
    with monkeypatch.context() as earlier:
        earlier.setattr(summary, "run_verdict", lambda verdict, _ended: verdict)
        with_faults(parking_fails)
        assert rungwise("check", sweeps / "coolant-check.toml", "--record", "old.jsonl").status == 3
    assert _closed("old.jsonl").lines[-1]["verdict"] == "pass"
    again = rungwise("replay", "old.jsonl")
    assert again.status == 0
    assert "verdict is undecided" in again.out
    assert rungwise_result(Path("old.jsonl")).verdict == "undecided"


def test_a_junit_file_that_cannot_be_written_takes_no_verdict_away(
    rungwise: Run, sweeps: Path
) -> None:
    # Writing to /dev/full fails with "no space left": full(4) of the Linux manual pages.
    words = ("check", sweeps / "coolant-check.toml", "--record", "r.jsonl")
    ended = rungwise(*words, "--junit", "/dev/full")
    assert ended.status == 3
    assert "PASS: All 3 steps passed" in ended.out
    assert f"/dev/full: cannot be written: {os.strerror(errno.ENOSPC)}" in ended.err


def test_a_result_that_nobody_can_have_read_is_no_success(sweeps: Path) -> None:
    with Path("/dev/full").open("w") as full:
        ended = subprocess.run(
            [sys.executable, "-m", "controller.cli", "curve", sweeps / "sensors/tern-coolant.toml"],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=60,
        )
    assert ended.returncode == 3
    said = f"rungwise: standard output cannot be written: {os.strerror(errno.ENOSPC)}\n"
    assert ended.stderr == said
