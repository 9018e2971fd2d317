"""The front door: verbs, help, usage errors, and what is loaded for them."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller import __version__
from controller.cli.verbs import VERBS

CONTRACT = {
    "curve",
    "nearest",
    "plan",
    "sweep",
    "check",
    "set",
    "replay",
    "diagnose",
    "links",
}
HEAVY = ("numpy", "scipy", "textual", "serial")


def _python(code: str, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code, *words],
        capture_output=True,
        text=True,
        timeout=60,
        stdin=subprocess.DEVNULL,
    )


def test_every_verb_of_the_contract_is_there() -> None:
    assert set(VERBS) >= CONTRACT


@pytest.mark.parametrize(
    "words", [["--help"], [], *([*verb.split(), "--help"] for verb in sorted(VERBS))]
)
def test_help_loads_nothing_heavy(words: list[str]) -> None:
    code = (
        "import sys\nfrom controller.cli.main import main\nstatus = main(sys.argv[1:])\n"
        "print('LOADED', sorted({name.split('.')[0] for name in sys.modules}))\n"
        "sys.exit(status)"
    )
    ended = _python(code, *words)
    assert ended.returncode == 0, ended.stderr
    assert "usage: rungwise" in ended.stdout
    loaded = ended.stdout.split("LOADED")[1]
    for name in HEAVY:
        assert f"'{name}'" not in loaded


def test_the_help_names_every_verb(rungwise: Callable[..., Any]) -> None:
    ended = rungwise("--help")
    assert ended.status == 0
    for verb in VERBS:
        first, *rest = verb.split()
        assert f"    {first} " in ended.out
        for word in rest:
            said = rungwise(first, "--help").out
            assert f"\n    {word} " in said or f"\n    {word}\n" in said  # a long word stands alone


def test_the_version(rungwise: Callable[..., Any]) -> None:
    assert rungwise("--version").out == f"rungwise {__version__}\n"


@pytest.mark.parametrize(
    "words",
    [
        ["frobnicate"],
        ["curve"],
        ["sweep"],
        ["ladder"],
        ["ladder", "frobnicate"],
        ["ladder", "check"],
        ["sweep", "p", "--pace", "slow"],
        ["curve", "s", "--at"],
    ],
)
def test_wrong_arguments_are_bad_input(rungwise: Callable[..., Any], words: list[str]) -> None:
    ended = rungwise(*words)
    assert ended.status == 2
    assert ended.out == ""
    assert ended.err.startswith("rungwise: ")
    as_json = rungwise(*words, "--json")
    assert as_json.status == 2
    assert as_json.document["error"]["exit_code"] == 2
    assert as_json.document["error"]["problems"]


def test_the_installed_script_answers() -> None:
    script = Path(sys.executable).with_name("rungwise")
    ended = subprocess.run([script, "--version"], capture_output=True, text=True, timeout=60)
    assert ended.stdout.strip() == f"rungwise {__version__}"


def test_a_reader_that_goes_away_is_no_error(write: Callable[..., Path]) -> None:
    sensor = write("s.toml", SENSOR)
    code = (
        "import os, sys\nfrom controller.cli.main import main\n"
        "read, written = os.pipe()\nos.close(read)\nos.dup2(written, 1)\n"
        "sys.exit(main(sys.argv[1:]))"
    )
    ended = _python(code, "curve", str(sensor))
    assert ended.returncode == 0
    assert ended.stderr == ""


SENSOR = """\
format = "rungwise-sensor/1"
name = "Coolant \\u001b[31m sensor"
kind = "ntc-beta"
reference_ohms = 10000
reference_celsius = 25
beta_kelvin = 3950
lowest_celsius = -40
highest_celsius = 150
"""


def test_text_from_files_cannot_act_on_the_terminal(
    rungwise: Callable[..., Any], write: Callable[..., Path]
) -> None:
    ended = rungwise("curve", write("s.toml", SENSOR))
    assert "\x1b" not in ended.out
    assert "Coolant ?[31m sensor" in ended.out
