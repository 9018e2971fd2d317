"""Bench files for boards that the host times."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.bench.files import load_bench
from controller.bench.model import LinkKind
from controller.bench.wiring import open_bench
from controller.cautions import board_cautions
from controller.clock import RealClock, VirtualClock
from controller.errors import InputError
from controller.links.boards import AsciiBoard, ModbusBoard
from controller.links.guarded_coils import GuardedCoils
from controller.links.host_timed import HostTimedLink

SWEEPS = Path(__file__).resolve().parents[2] / "sweeps"
HEAD = f"""format = "rungwise-bench/1"
ladder = "{SWEEPS}/ladders/bench-16.toml"
[readback]
kind = "typed"
[link]
"""
MODBUS = 'kind = "modbus-rtu"\nurl = "/dev/ttyUSB0"\noutputs = 32\nstep_ms = 60\n'
ASCII = """kind = "ascii"
url = "/dev/ttyACM0"
outputs = 18
step_ms = 40
[link.words]
set = "put {bits}"
read = "tell"
read_reply = "has {bits}"
"""


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "bench.toml"
    path.write_text(HEAD + text)
    return path


def test_everything_that_can_be_said_of_a_modbus_board(tmp_path) -> None:
    more = (
        'baud = 19200\nunit = 4\nfirst_coil = 16\nparity = "even"\nstop_bits = 2\n'
        "answer_ms = 200\nwait_out_ms = 700\nguardian = false\n"
    )
    bench = load_bench(written(tmp_path, MODBUS + more))
    assert (bench.link, bench.step_ms, bench.parks_by_itself) == (LinkKind.MODBUS_RTU, 60, False)
    assert bench.board == ModbusBoard(
        url="/dev/ttyUSB0", baud=19200, outputs=32, step_ms=60, unit=4, first_coil=16,
        parity="even", stop_bits=2, answer_s=0.2, wait_out_s=0.7, guardian=False,
    )  # fmt: skip
    assert bench.drives_hardware
    assert bench.cautions == board_cautions(guarded=False)


def test_an_ascii_board_with_the_least_that_has_to_be_said(tmp_path) -> None:
    bench = load_bench(written(tmp_path, ASCII))
    board = bench.board
    assert isinstance(board, AsciiBoard)
    assert (board.set_reply, board.identify, board.echo, board.ending) == (
        None,
        None,
        False,
        "\r\n",
    )
    assert (board.baud, board.guardian, board.parks_by_itself) == (9600, True, False)
    assert "does not park by itself" in bench.cautions[0]
    assert "guardian process parks it" in bench.cautions[1]
    assert "dry circuit" in bench.cautions[2]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (MODBUS.replace("outputs = 32", "outputs = 16"), "has 18 relays, more than this board"),
        (MODBUS.replace("outputs = 32\n", ""), "link.outputs: is missing"),
        (MODBUS.replace("step_ms = 60\n", ""), "link.step_ms: is missing"),
        (MODBUS.replace("60", "0"), "link.step_ms: must be at least 1"),
        (MODBUS + "unit = 248\n", "link.unit: must be at most 247"),
        (MODBUS + "words = {}\n", "link.words: unknown key"),
        (MODBUS + 'declared_name = "x"\n', "do not say who they are"),
        (ASCII.replace("{bits}", "{bit}", 1), "has no place {bit}"),
        (ASCII.replace('"tell"', '"tell {hex}"'), "needs no place for a state"),
        (ASCII.replace("has {bits}", "has"), "needs one place for the state"),
        (ASCII + 'identify = "who"\n', "identify_reply: is missing"),
        (ASCII + 'ending = ";"\n', "link.words.ending"),
        (ASCII + 'set_reply = "ok {hex} {hex}"\n', "link.words.set_reply"),
        (ASCII.partition("[link.words]")[0], "link.words: is missing"),
        (ASCII.replace("step_ms = 40", 'step_ms = 40\ndeclared_name = "x"'), "checked by asking"),
        ('kind = "serial"\nurl = "/dev/x"\nstep_ms = 4\n', "link.step_ms: unknown key"),
    ],
)
def test_what_is_wrong_is_said_with_its_key(tmp_path, text: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        load_bench(written(tmp_path, text))
    assert words in str(caught.value)


def test_such_relays_are_not_switched_all_at_once(tmp_path) -> None:
    path = written(tmp_path, MODBUS)
    path.write_text('switching = "all-at-once"\n' + path.read_text())
    with pytest.raises(InputError, match="may pass through a dead short"):
        load_bench(path)


@pytest.mark.parametrize("guarded", [True, False])
def test_the_link_is_guarded_unless_the_file_says_otherwise(tmp_path, guarded: bool) -> None:
    text = MODBUS + ("" if guarded else "guardian = false\n")
    bench = load_bench(written(tmp_path, text))
    opened = open_bench(bench, RealClock(), reads_back=False)
    assert isinstance(opened.link, HostTimedLink)
    assert isinstance(opened.link._coils, GuardedCoils) is guarded
    assert (opened.step_ms, opened.parks_by_itself, opened.drives_hardware) == (60, False, True)
    opened.close()
    with pytest.raises(InputError, match="takes real time"):
        open_bench(bench, VirtualClock())
