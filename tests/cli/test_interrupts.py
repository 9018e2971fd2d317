"""Runs that are cut short from outside: signals, a lost terminal, a lost device."""

from __future__ import annotations

import json
import os
import pty
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from controller.cli.signals import STOPPING
from controller.clock import RealClock
from controller.links.pty_device import PtyDevice
from controller.links.simulated import SimulatedDevice
from controller.records.reader import Record, load_record
from tests.quick_module import write_quick_module

pytestmark = pytest.mark.pty

PATIENCE_S = 120.0
PROGRAM = [sys.executable, "-m", "controller.cli"]


@pytest.fixture(autouse=True)
def signals_at_their_defaults() -> Iterator[None]:
    """Let the programs started here hear every signal, though `nohup` or `&` started the tests.

    An ignored signal stays ignored in a child; one that has a handler falls back to its default.
    """
    ignored = [n for n in STOPPING if signal.getsignal(n) is signal.SIG_IGN]
    for number in ignored:
        signal.signal(number, lambda *_: None)
    yield
    for number in ignored:
        signal.signal(number, signal.SIG_IGN)


def _until(condition: Callable[[], bool]) -> None:
    """Wait for a fact that stays true; fail only when it never comes."""
    end_s = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < end_s, "it never came"
        time.sleep(0.02)


class Terminal:
    """The program on a pseudo-terminal of its own."""

    def __init__(self, words: list[str], folder: Path) -> None:
        self._master, slave = pty.openpty()
        self.process = subprocess.Popen(
            [*PROGRAM, *words],
            cwd=folder,
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
        )
        os.close(slave)
        self._said = b""

    def type(self, text: str) -> None:
        os.write(self._master, text.encode())

    def wait_for(self, text: str, *, times: int = 1) -> None:
        """Read until the program has written a text that many times."""
        end_s = time.monotonic() + PATIENCE_S
        while self._said.count(text.encode()) < times:
            ready, _, _ = select.select([self._master], [], [], end_s - time.monotonic())
            assert ready, f"{text!r} never came: {self._said!r}"
            self._said += os.read(self._master, 4096)

    def text(self) -> str:
        """Return everything the program writes until it ends."""
        said = self._said
        while True:
            try:
                part = os.read(self._master, 4096)
            except OSError:  # the other side is closed
                break
            if not part:
                break
            said += part
        self.process.wait(PATIENCE_S)
        return said.decode()

    def hang_up(self) -> None:
        """Take the terminal away."""
        os.close(self._master)
        self._master = os.open(os.devnull, os.O_RDWR)

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self._master)


BENCH = """\
format = "rungwise-bench/1"
name = "Harbour workshop"
ladder = "{sweeps}/ladders/bench-16.toml"
[link]
{link}
[readback]
kind = "simulated"
[simulation]
module = "module.toml"
reading_interval_s = 0.1
"""


@pytest.fixture
def plan(tmp_path: Path, sweeps: Path) -> Path:
    """A sweep that is long enough to be cut short, and short where it is waited for."""
    write_quick_module(tmp_path / "module.toml")
    bench = tmp_path / "simulated.toml"
    bench.write_text(BENCH.format(sweeps=sweeps, link='kind = "simulated"'), encoding="utf-8")
    path = tmp_path / "plan.toml"
    path.write_text(
        f"""\
format = "rungwise-plan/1"
kind = "sweep"
sensor = "{sweeps}/sensors/tern-coolant.toml"
module = "module.toml"
bench = "simulated.toml"
tolerance_celsius = 3
[settle]
within_celsius = 0.5
for_s = 0.2
at_most_s = 30
[[targets]]
from_celsius = -30
to_celsius = 120
step_celsius = 5
""",
        encoding="utf-8",
    )
    return path


def _lines(path: Path, kind: str) -> int:
    if not path.exists():
        return 0
    return sum(
        json.loads(raw)["type"] == kind
        for raw in path.read_bytes().splitlines(keepends=True)
        if raw.endswith(b"\n")
    )


def _assert_stopped_well(record: Record) -> None:
    assert record.torn_bytes == 0
    assert record.closing is not None
    assert record.closing["ended"] == "stopped"
    assert record.closing["relays"] == "the ladder is parked"
    assert record.closing["verdict"] == "undecided"
    parked = [line for line in record.lines if line["type"] == "set"][-1]
    assert parked["parked"] is True


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_in_mid_sweep_parks_and_leaves_a_good_record(
    tmp_path: Path, plan: Path, number: signal.Signals
) -> None:
    path = tmp_path / "r.jsonl"
    words = ["sweep", str(plan), "--pace", "real", "--record", str(path)]
    with closing(Terminal(words, tmp_path)) as terminal:
        _until(lambda: _lines(path, "reading") >= 1)
        terminal.process.send_signal(number)
        said = terminal.text()
        assert terminal.process.returncode == 130
    assert "Traceback" not in said
    assert "step 1 of 31" in said
    assert "Stopped with" in said
    assert "the ladder is parked" in said
    _assert_stopped_well(load_record(path))


def test_a_lost_terminal_parks_and_leaves_a_good_record(tmp_path: Path, plan: Path) -> None:
    path = tmp_path / "r.jsonl"
    words = ["sweep", str(plan), "--pace", "real", "--record", str(path)]
    with closing(Terminal(words, tmp_path)) as terminal:
        _until(lambda: _lines(path, "reading") >= 1)
        terminal.hang_up()
        terminal.process.send_signal(signal.SIGHUP)
        assert terminal.process.wait(PATIENCE_S) == 130
    _assert_stopped_well(load_record(path))


def test_a_run_started_with_nohup_outlives_its_terminal(tmp_path: Path, plan: Path) -> None:
    path = tmp_path / "r.jsonl"
    words = ["sweep", str(plan), "--pace", "real", "--record", str(path)]
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)  # as nohup does
    try:
        terminal = Terminal(words, tmp_path)
    finally:
        signal.signal(signal.SIGHUP, before)
    with closing(terminal):
        _until(lambda: _lines(path, "reading") >= 1)
        terminal.process.send_signal(signal.SIGHUP)
        seen = _lines(path, "reading")
        _until(lambda: _lines(path, "reading") > seen)
        terminal.process.send_signal(signal.SIGTERM)
        terminal.text()
        assert terminal.process.returncode == 130
    _assert_stopped_well(load_record(path))


def test_set_holds_until_it_is_interrupted(tmp_path: Path, sweeps: Path) -> None:
    bench = sweeps / "benches" / "simulated-pty.toml"
    path = tmp_path / "r.jsonl"
    words = ["set", "2.5k", "--bench", str(bench), "--record", str(path)]
    with closing(Terminal(words, tmp_path)) as terminal:
        _until(lambda: _lines(path, "set") >= 1)
        assert terminal.process.poll() is None
        terminal.process.send_signal(signal.SIGINT)
        said = terminal.text()
        assert terminal.process.returncode == 130
    assert "The ladder is parked." in said
    record = load_record(path)
    assert record.closing is not None
    assert record.closing["ended"] == "stopped"


def test_an_operator_answers_on_a_terminal(tmp_path: Path, sweeps: Path) -> None:
    # Common practice, no source: an open circuit reads -40 degC, a dead short 130 degC on the
    # module at hand; 40 degC is 104 degF.
    bench = sweeps / "benches" / "typed.toml"
    path = tmp_path / "r.jsonl"
    words = ["check", str(sweeps / "coolant-check.toml"), "--bench", str(bench)]
    with closing(Terminal([*words, "--record", str(path)], tmp_path)) as terminal:
        terminal.wait_for("Step 1 of 3")
        terminal.type("-40\n")
        terminal.wait_for("Step 2 of 3")
        terminal.type("mild\n")
        terminal.wait_for("is not a temperature")
        terminal.type("redo\n")
        terminal.wait_for("Step 2 of 3", times=2)
        terminal.type("104F\n")
        terminal.wait_for("Step 3 of 3")
        terminal.type("130\n")
        said = terminal.text()
        assert terminal.process.returncode == 0
    assert "PASS" in said
    record = load_record(path)
    assert [step["reported_celsius"] for step in record.steps] == [-40, pytest.approx(40), 130]
    assert [step["attempt"] for step in record.steps] == [1, 2, 1]


@contextmanager
def _served() -> Iterator[PtyDevice]:
    device = SimulatedDevice(relay_count=18, park_state=0, clock=RealClock())
    with PtyDevice(device) as served:
        yield served


def _bench(folder: Path, sweeps: Path, port: str) -> Path:
    path = folder / "bench.toml"
    link = f'kind = "serial"\nurl = "{port}"'
    path.write_text(BENCH.format(sweeps=sweeps, link=link), encoding="utf-8")
    return path


def test_a_device_that_goes_away_is_a_fault_with_a_true_statement(
    tmp_path: Path, plan: Path, sweeps: Path
) -> None:
    path = tmp_path / "r.jsonl"
    with _served() as served:
        words = ["sweep", str(plan), "--bench", str(_bench(tmp_path, sweeps, served.path))]
        process = subprocess.Popen(
            [*PROGRAM, *words, "--record", str(path), "--yes", "--json"],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        _until(lambda: _lines(path, "reading") >= 1)
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 3
    assert "Traceback" not in err
    assert "Cooling fans" in err
    document = json.loads(out)
    assert document["ended"] == "fault"
    assert document["relays"] == "the relay state is unknown"
    record = load_record(path)
    assert record.closing is not None
    assert any(line["type"] == "fault" for line in record.lines)


def test_the_cautions_are_confirmed_by_typing_yes(tmp_path: Path, plan: Path, sweeps: Path) -> None:
    with _served() as served:
        bench = str(_bench(tmp_path, sweeps, served.path))
        for answer, expected in (("no\n", 2), ("yes\n", 130)):
            path = tmp_path / f"{expected}.jsonl"
            words = ["sweep", str(plan), "--bench", bench, "--record", str(path)]
            with closing(Terminal(words, tmp_path)) as terminal:
                terminal.type(answer)
                if expected == 130:
                    _until(lambda path=path: _lines(path, "set") >= 1)
                    terminal.process.send_signal(signal.SIGINT)
                said = terminal.text()
                assert terminal.process.returncode == expected
            assert "hands, hair, sleeves" in " ".join(said.split())
            assert path.exists() == (expected == 130)


def test_links_finds_who_answers(tmp_path: Path) -> None:
    with _served() as served:
        ended = subprocess.run(
            [*PROGRAM, "links", served.path, "--json"], capture_output=True, text=True, timeout=60
        )
        assert ended.returncode == 0
        (link,) = json.loads(ended.stdout)["links"]
        assert link["identity"]["relay_count"] == 18
        assert link["identity"]["name"] == "simulated ladder"


def test_without_a_verb_and_without_a_terminal_there_is_help() -> None:
    ended = subprocess.run(
        PROGRAM, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60
    )
    assert ended.returncode == 0
    assert "usage: rungwise" in ended.stdout


def test_no_colour_is_honoured_on_a_terminal(
    tmp_path: Path, sweeps: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = ["check", str(sweeps / "coolant-check.toml")]
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    with closing(Terminal(words, tmp_path)) as terminal:
        assert "\x1b[32;1mPASS\x1b[0m: " in terminal.text()
    monkeypatch.setenv("NO_COLOR", "1")
    with closing(Terminal(words, tmp_path)) as terminal:
        said = terminal.text()
        assert "\nPASS: " in said
        assert "\x1b[3" not in said
