"""The firmware's source under compilers, analysers, sanitizers and a fuzzer."""

from __future__ import annotations

import os
import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.toolchain

CORE_MAY_USE = {"memcmp", "memcpy", "memset"}
"""What the core may take from a C library; a compiler may call these by itself anyway."""
CORE_HEADERS = {"stdbool.h", "stddef.h", "stdint.h", "string.h"}


@pytest.fixture
def folder(builds: Any) -> Path:
    path = builds.folder / "quality"
    path.mkdir(exist_ok=True)
    assert isinstance(path, Path)
    return path


def test_unit_tests_pass_under_the_sanitizers(
    require: Callable[..., None], make: Callable[..., str], folder: Path
) -> None:
    require("gcc")
    assert "unit tests passed" in make("test", f"BUILD={folder}")


def test_a_wrong_core_does_not_pass_the_unit_tests(
    require: Callable[..., None], firmware: Path, tmp_path: Path
) -> None:
    # The unit tests can fail: a core that forgets the hold-off is found.
    require("gcc")
    wrong = tmp_path / "rung_relays.c"
    source = (firmware / "core" / "rung_relays.c").read_text()
    assert source.count("if (silent(relays, now))") == 1
    wrong.write_text(source.replace("if (silent(relays, now))", "(void)silent;\n    if (false)"))
    program = tmp_path / "unit"
    right = [firmware / "core" / f"rung_{name}.c" for name in ("core", "frame")]
    sources = [firmware / "test" / "unit.c", wrong, *right]
    subprocess.run(
        ["gcc", "-std=c99", f"-I{firmware / 'core'}", *sources, "-o", program], check=True
    )
    done = subprocess.run([program], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "not so" in done.stderr


@pytest.mark.parametrize(
    "choices",
    [
        ("RELAYS=1", "DEFINES='-DRUNG_MAX_PATH=1' '-DRUNG_NAME=\"\"'"),
        ("RELAYS=8",),
        ("RELAYS=33",),
        ("RELAYS=64",),
    ],
    ids=lambda choices: choices[0],
)
def test_core_builds_for_other_boards(
    require: Callable[..., None], make: Callable[..., str], folder: Path, choices: tuple[str, ...]
) -> None:
    require("gcc")
    make("core", f"BUILD={folder / choices[0]}", *choices)


@pytest.mark.parametrize("relays", [0, 65])
def test_impossible_boards_are_refused_by_the_compiler(
    require: Callable[..., None], firmware: Path, relays: int
) -> None:
    require("gcc")
    done = subprocess.run(
        ["gcc", "-fsyntax-only", f"-DRUNG_RELAY_COUNT={relays}", firmware / "core" / "rung_core.c"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode != 0
    assert "RUNG_RELAY_COUNT is 1 to 64" in done.stderr


def test_core_is_freestanding(require: Callable[..., None], firmware: Path, folder: Path) -> None:
    require("gcc", "nm")
    defined: set[str] = set()
    undefined: set[str] = set()
    for source in sorted((firmware / "core").glob("*.c")):
        product = folder / f"{source.stem}.o"
        subprocess.run(
            ["gcc", "-std=c99", "-O2", "-fno-stack-protector", "-c", source, "-o", product],
            check=True,
        )
        listing = subprocess.run(["nm", product], capture_output=True, text=True, check=True).stdout
        for line in listing.splitlines():
            *_, kind, name = line.split()
            (undefined if kind == "U" else defined).add(name)
    assert undefined - defined - {"_GLOBAL_OFFSET_TABLE_"} <= CORE_MAY_USE
    assert "rung_core_poll" in defined
    headers = {
        header
        for path in (firmware / "core").iterdir()
        for header in re.findall(r"#include <(.+)>", path.read_text())
    }
    assert headers <= CORE_HEADERS


def test_core_does_not_recurse(
    require: Callable[..., None], firmware: Path, tmp_path: Path
) -> None:
    require("gcc")
    calls: dict[str, set[str]] = {}
    for source in sorted((firmware / "core").glob("*.c")):
        subprocess.run(
            ["gcc", "-std=c99", "-O0", "-fcallgraph-info", "-c", source, "-o", source.stem + ".o"],
            check=True,
            cwd=tmp_path,
        )
        graph = (tmp_path / f"{source.stem}.ci").read_text()
        for caller, callee in re.findall(r'sourcename: "([^"]+)" targetname: "([^"]+)"', graph):
            calls.setdefault(caller.split(":")[-1], set()).add(callee.split(":")[-1])
    assert "latch_next" in calls["rung_relays_begin"]

    def reaches(start: str, seen: frozenset[str] = frozenset()) -> None:
        assert start not in seen, f"{start} calls itself by way of {sorted(seen)}"
        for callee in calls.get(start, ()):
            reaches(callee, seen | {start})

    for function in list(calls):
        reaches(function)


@pytest.mark.soak
def test_static_analysers_find_nothing(
    require: Callable[..., None], make: Callable[..., str], folder: Path
) -> None:
    require("cppcheck", "clang-tidy", "avr-gcc")
    make("lint", f"BUILD={folder}")


@pytest.mark.soak
def test_fuzzer_breaks_no_promise(
    require: Callable[..., None], make: Callable[..., str], folder: Path
) -> None:
    require("clang")
    seconds = os.environ.get("RUNGWISE_FUZZ_SECONDS", "60")
    make("fuzz", f"BUILD={folder}", f"FUZZ_SECONDS={seconds}")


@pytest.mark.parametrize(
    ("what", "right", "wrong"),
    [
        ("a corrupt frame is taken", "|| decoder->crc != rung_decoder_crc(decoder)", ""),
        ("the interlock is forgotten", "core->sticky != 0U", "false"),
        ("a repeat goes unanswered", "if (!repeated(core)) {", "if (repeated(core)) return;\n{"),
        ("a restart is cleared unseen", "!core->identified", "false"),
        ("a mask is not looked at", "if (!mask_in_range(step) ||", "if ("),
    ],
)
def test_fuzzer_finds_broken_promises(
    require: Callable[..., None],
    firmware: Path,
    tmp_path: Path,
    what: str,
    right: str,
    wrong: str,
) -> None:
    # The corpus alone, without luck, has to show these up.
    require("clang")
    sources = []
    replaced = 0
    for source in sorted((firmware / "core").glob("*.c")):
        text = source.read_text()
        replaced += text.count(right)
        copy = tmp_path / source.name
        copy.write_text(text.replace(right, wrong))
        sources.append(copy)
    assert replaced == 1, f"{right!r} is not in the source"
    program = tmp_path / "fuzz"
    subprocess.run(
        [
            *("clang", "-std=c99", "-O1", "-fsanitize=fuzzer", "-DRUNG_RELAY_COUNT=18"),
            *(f"-I{firmware / 'core'}", firmware / "fuzz" / "fuzz.c", *sources, "-o", program),
        ],
        check=True,
    )
    corpus = sorted((firmware / "fuzz" / "corpus").iterdir())
    done = subprocess.run(
        [program, f"-artifact_prefix={tmp_path}/", *corpus],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode != 0, what
    assert "broken: " in done.stderr


def test_corpus_is_small(firmware: Path) -> None:
    files = list((firmware / "fuzz" / "corpus").iterdir())
    assert 5 <= len(files) <= 60
    assert sum(path.stat().st_size for path in files) < 32 * 1024
