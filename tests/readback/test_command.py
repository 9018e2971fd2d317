"""Readings from a program: real processes, on the real clock, no shell."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from controller.clock import RealClock
from controller.errors import InputError, ReadbackError
from controller.readback.base import Prompt, Reading
from controller.readback.command import CommandReadback, reading_of

PROMPT = Prompt(token=7, step_index=2, text="?")


@pytest.fixture
def running(tmp_path: Path) -> Callable[..., object]:
    @contextmanager
    def run(code: str, *, timeout_s: float = 30.0) -> Iterator[CommandReadback]:
        command = [sys.executable, "-c", code]
        readback = CommandReadback(
            command, RealClock(), folder=tmp_path, timeout_s=timeout_s, interval_s=0.0
        )
        with closing(readback):
            readback.open()
            readback.ask(PROMPT)
            yield readback

    return run


def _answer(readback: CommandReadback) -> Reading:
    while (reading := readback.poll()) is None:
        time.sleep(0.01)
    return reading


def test_a_number_is_a_temperature(running) -> None:
    with running("print(83.5)") as readback:
        reading = _answer(readback)
        assert (reading.celsius, reading.token) == (83.5, 7)
        assert _answer(readback).celsius == 83.5  # and again, as long as it is asked


def test_the_program_knows_the_step_and_the_folder(running, tmp_path: Path) -> None:
    code = (
        "import os, json;"
        "print(json.dumps({'celsius': int(os.environ['RUNGWISE_STEP']), 'codes': [os.getcwd()]}))"
    )
    with running(code) as readback:
        reading = _answer(readback)
    assert (reading.celsius, reading.codes) == (3.0, (str(tmp_path),))


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("print('warm')", "'warm' is not a reading"),
        ("print('nan')", "is not a reading"),
        ("import sys; print('no bus', file=sys.stderr); sys.exit(4)", "status 4: no bus"),
    ],
)
def test_what_is_no_reading_is_a_fault_with_its_cause(running, code: str, said: str) -> None:
    with running(code) as readback, pytest.raises(ReadbackError, match=said):
        _answer(readback)


def test_a_program_that_hangs_is_ended(running) -> None:
    with (
        running("import time; time.sleep(600)", timeout_s=0.2) as readback,
        pytest.raises(ReadbackError, match="no answer within"),
    ):
        _answer(readback)


def test_no_shell_reads_the_arguments(tmp_path: Path) -> None:
    command = [sys.executable, "-c", "import sys; print(len(sys.argv[1]))", "$HOME; echo 1"]
    readback = CommandReadback(command, RealClock(), folder=tmp_path, timeout_s=30, interval_s=0.0)
    with closing(readback):
        readback.ask(PROMPT)
        assert _answer(readback).celsius == len("$HOME; echo 1")


def test_a_missing_program_is_refused_before_anything_is_driven(tmp_path: Path) -> None:
    readback = CommandReadback(
        ["no-such-program-here"], RealClock(), folder=tmp_path, timeout_s=1, interval_s=0.0
    )
    with pytest.raises(InputError, match="there is no program"):
        readback.open()


@pytest.mark.parametrize(
    "said", ["", "true", "[1]", '{"fahrenheit": 1}', '{"celsius": "1"}', "-300", "1e999", "1 2"]
)
def test_only_readings_are_readings(said: str) -> None:
    with pytest.raises(ReadbackError):
        reading_of(said, token=1, at_s=0.0, source="x")


def test_a_module_may_show_nothing() -> None:
    told = json.dumps({"celsius": None, "volts": 4.9, "codes": ["P0118"]})
    reading = reading_of(told, token=1, at_s=0.0, source="x")
    assert (reading.celsius, reading.volts, reading.codes) == (None, 4.9, ("P0118",))
