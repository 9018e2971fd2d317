"""The guardian: it parks when its program is gone, and the board's own log proves it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from controller.clock import RealClock
from controller.errors import LinkError, RelayKnowledge
from controller.links.boards import AsciiBoard, Board, ModbusBoard, board_fields, board_of, coils_of
from controller.links.channel import ChannelError
from controller.links.guarded_coils import GuardedCoils

pytestmark = pytest.mark.pty

ROOT = Path(__file__).resolve().parents[2]
KINDS = ("modbus-rtu", "ascii")
PATIENCE_S = 60.0

DRIVER = """
import json, sys
from controller.bench.default import default_ladder
from controller.clock import RealClock
from controller.ladder.model import PathStep
from controller.links.boards import board_of
from controller.links.guarded_coils import GuardedCoils
from controller.links.host_timed import HostTimedLink

board = board_of(json.loads(sys.argv[1]))
hold_off_ms, seed = int(sys.argv[2]), int(sys.argv[3])
coils = GuardedCoils(board, park_state=0, hold_off_ms=hold_off_ms)
link = HostTimedLink(coils, board, default_ladder(), RealClock())
link.open()
print(coils.pid, flush=True)
state = 1
while True:
    link.apply([PathStep(state=state, hold_ms=1)])
    print(f"{state:#x}", flush=True)
    state = state % 0xFFFFF + 1
"""


def eventually(holds: Callable[[], bool]) -> bool:
    """Wait for a fact that stays true once it is."""
    until_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < until_s:
        if holds():
            return True
        time.sleep(0.02)
    return False


def has_ended(pid: int) -> bool:
    """Return whether a process has ended, also where nobody has asked yet how (proc(5), stat)."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return True
    return state == "Z"


class Practice:
    """A practice board started by its command, with its log."""

    def __init__(self, kind: str, folder: Path, words: dict[str, str], *more: str) -> None:
        self.at, self.log = folder / "board", folder / "board.log"
        self.process = subprocess.Popen(
            [sys.executable, "-m", "controller.practice", kind, "--at", self.at,
             "--outputs", "20", "--log", self.log, *more],
            cwd=ROOT, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert self.process.stdout is not None
        assert str(self.at) in self.process.stdout.readline()
        common = {"url": str(self.at), "baud": 115200, "outputs": 20, "step_ms": 500,
                  "answer_s": 0.2, "wait_out_s": 0.05}  # fmt: skip
        self.board: Board = (
            ModbusBoard(**common) if kind == "modbus-rtu" else AsciiBoard(**common, **words)
        )

    def states(self) -> list[int]:
        return [int(line, 16) for line in self.log.read_text().split()]

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait(10)
        if self.process.stdout is not None:
            self.process.stdout.close()


@pytest.fixture
def practice(tmp_path: Path, rigs) -> Iterator[Callable[..., Practice]]:
    started: list[Practice] = []

    def start(kind: str, *more: str) -> Practice:
        folder = tmp_path / f"board{len(started)}"
        folder.mkdir()
        started.append(Practice(kind, folder, rigs.words, *more))
        return started[-1]

    yield start
    for one in started:
        one.stop()


def driving(board: Board, *, hold_off_ms: int = 60_000) -> subprocess.Popen[str]:
    import json

    return subprocess.Popen(
        [sys.executable, "-c", DRIVER, json.dumps(board_fields(board)), str(hold_off_ms), "1"],
        cwd=ROOT, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip


def kill_in_mid_run(found: Practice, after: int, number: int = signal.SIGKILL) -> None:
    """Drive a board until it has been set so often, end the program with a signal; parked is it?"""
    program = driving(found.board)
    assert program.stdout is not None
    guardian = int(program.stdout.readline())
    for _ in range(after):
        assert program.stdout.readline().startswith("0x")
    assert found.states()[-1] or len(found.states()) > 1
    program.send_signal(number)
    program.wait(10)
    program.stdout.close()
    assert eventually(lambda: has_ended(guardian)), "the guardian stays"
    states = found.states()
    assert len([state for state in states if state]) >= after, "it was driven"
    assert states[-1] == 0, "the board was left as it was"


@pytest.mark.parametrize("kind", KINDS)
def test_a_killed_program_leaves_a_parked_ladder(practice, kind: str) -> None:
    kill_in_mid_run(practice(kind), after=3)


@pytest.mark.soak
@pytest.mark.parametrize("after", [1, 2, 5])
def test_killed_at_other_moments(practice, after: int) -> None:
    kill_in_mid_run(practice("modbus-rtu"), after)


@pytest.mark.soak
def test_killed_while_the_board_answers_badly(practice) -> None:
    more = [word for kind in ("late", "lost", "unheard", "garbage") for word in ("--fault", kind)]
    kill_in_mid_run(practice("ascii", *more, "--every", "30", "--late-s", "0.2"), after=2)


@pytest.mark.night
@pytest.mark.parametrize("kind", KINDS)
def test_killed_a_hundred_times(practice, kind: str) -> None:
    found = practice(kind)
    for turn in range(50):
        kill_in_mid_run(found, after=1 + turn % 7)


def test_the_ladder_of_a_program_that_hangs_is_parked_too(practice) -> None:
    found = practice("ascii")
    program = driving(found.board, hold_off_ms=300)
    assert program.stdout is not None
    program.stdout.readline()
    assert program.stdout.readline().startswith("0x")
    program.send_signal(signal.SIGSTOP)
    assert eventually(lambda: found.states()[-1] == 0), "the hold-off has run out"
    program.kill()
    program.wait(10)
    program.stdout.close()


def test_after_a_silence_the_link_says_that_the_guardian_has_parked(practice) -> None:
    from controller.bench.default import default_ladder
    from controller.ladder.model import PathStep
    from controller.links.host_timed import HostTimedLink

    found = practice("ascii")
    coils = GuardedCoils(found.board, park_state=0, hold_off_ms=200)
    link = HostTimedLink(coils, found.board, default_ladder(), RealClock())
    link.open()
    link.apply([PathStep(state=7, hold_ms=1)])
    assert eventually(lambda: found.states()[-1] == 0)
    assert eventually(lambda: _parked_is_said(link))
    link.close()


def test_whoever_is_interrupted_is_not_given_an_old_answer(practice, monkeypatch) -> None:
    """Ctrl-C may come while an answer is waited for; that answer is for nobody then."""
    found = practice("ascii")
    coils = GuardedCoils(found.board, park_state=0, hold_off_ms=60_000)
    coils.open()
    coils.write(5)
    assert coils._guardian is not None
    answers = coils._guardian.stdout
    assert answers is not None

    class Interrupted:
        def readline(self) -> str:
            raise KeyboardInterrupt

    monkeypatch.setattr(coils._guardian, "stdout", Interrupted())
    with pytest.raises(KeyboardInterrupt):
        coils.read()
    monkeypatch.setattr(coils._guardian, "stdout", answers)
    coils.write(0)
    assert coils.read() == 0
    coils.close()


def _parked_is_said(link) -> bool:
    with pytest.raises(LinkError, match="its guardian parked it") as caught:
        link.feed()
    assert caught.value.relays is RelayKnowledge.PARKED
    return True


def test_what_interrupts_a_program_does_not_reach_its_guardian(practice) -> None:
    found = practice("ascii")
    program = driving(found.board)
    assert program.stdout is not None
    guardian = int(program.stdout.readline())
    program.stdout.readline()
    assert os.getsid(guardian) == guardian, "a session of its own"
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        os.kill(guardian, number)
    for _ in range(3):
        assert program.stdout.readline().startswith("0x"), "it goes on"
    program.kill()
    program.wait(10)
    program.stdout.close()
    assert eventually(lambda: has_ended(guardian))
    assert found.states()[-1] == 0


def test_a_guardian_that_is_killed_is_said_and_leaves_the_relays_unknown(practice) -> None:
    from controller.bench.default import default_ladder
    from controller.ladder.model import PathStep
    from controller.links.host_timed import HostTimedLink

    found = practice("ascii")
    coils = GuardedCoils(found.board, park_state=0, hold_off_ms=60_000)
    link = HostTimedLink(coils, found.board, default_ladder(), RealClock())
    link.open()
    link.apply([PathStep(state=7, hold_ms=1)])
    assert coils.pid is not None
    os.kill(coils.pid, signal.SIGKILL)
    with pytest.raises(LinkError, match="guardian process that holds the port has ended") as caught:
        link.feed()
    assert caught.value.relays is RelayKnowledge.UNKNOWN
    link.close()
    assert found.states()[-1] == 7, "this is what a guardian cannot cover"


def test_without_a_guardian_a_killed_program_leaves_the_ladder_as_it_was(
    practice, monkeypatch
) -> None:
    """What the other tests are worth: they see the difference."""
    found = practice("ascii")
    monkeypatch.setitem(globals(), "DRIVER", DRIVER.replace(
        "coils = GuardedCoils(board, park_state=0, hold_off_ms=hold_off_ms)",
        "from controller.links.boards import coils_of; coils = coils_of(board, RealClock());"
        " coils.pid = 0",
    ))  # fmt: skip
    program = driving(found.board)
    assert program.stdout is not None
    program.stdout.readline()
    program.stdout.readline()
    program.kill()
    program.wait(10)
    program.stdout.close()
    assert found.states()[-1] != 0


def test_the_port_is_free_after_an_orderly_end_and_not_before(practice) -> None:
    found = practice("modbus-rtu")
    coils = GuardedCoils(found.board, park_state=0, hold_off_ms=60_000)
    coils.open()
    other = coils_of(found.board, RealClock())
    with pytest.raises(ChannelError, match="another program has the port open"):
        other.open()
    coils.close()
    other.open()
    other.close()


@pytest.mark.parametrize("kind", KINDS)
def test_a_board_is_handed_to_the_guardian_whole(practice, kind: str) -> None:
    board = practice(kind).board
    assert board_of(board_fields(board)) == board
