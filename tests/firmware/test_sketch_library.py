"""The sketch library: put together by one command, built as hobby tools build, run on the chip.

No such tool is used here. What they do with a library is common practice, no source: every file of
`src/` is compiled by itself with `src/` on the path and no flags of ours, a sketch becomes C++, and
all is linked with a main of the tool's own; `sketch/main.cpp` stands for that.
"""

from __future__ import annotations

import subprocess
import zipfile
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from controller import __version__
from firmware_protocol.conformance import CHECKS, Bench, Outcome, Result
from firmware_protocol.messages import Flag

pytestmark = pytest.mark.toolchain

NO_SENSES = "cannot provoke a fault"
COMMON = "-g -Os -w -flto -ffunction-sections -fdata-sections -DF_CPU=16000000L"


@pytest.fixture(scope="module")
def library(builds: Any, make: Any) -> Path:
    build = builds.folder / "library-build"
    make("library", f"BUILD={build}", f"RELAYS={builds.RELAYS}", f"FORBIDDEN={builds.FORBIDDEN:#x}")
    return build / "library" / "RungwiseBoard"


def _compile(library: Path, product: Path, chip: str = "atmega328p") -> Path:
    sketch = library / "examples" / "LadderBoard" / "LadderBoard.ino"
    main = Path(__file__).parent / "sketch" / "main.cpp"
    sources = [*sorted((library / "src").glob("*.c")), sketch, main]
    flags = [*COMMON.split(), f"-mmcu={chip}"]
    objects = []
    for source in sources:
        is_c = source.suffix == ".c"
        made = product.parent / f"{source.name}.o"
        command = ["avr-gcc" if is_c else "avr-g++", *flags, f"-I{library / 'src'}", "-c"]
        command.append("-std=gnu11" if is_c else "-std=gnu++11")
        subprocess.run([*command, "-x", "c" if is_c else "c++", source, "-o", made], check=True)
        objects.append(made)
    subprocess.run(["avr-gcc", *flags, "-Wl,--gc-sections", *objects, "-o", product], check=True)
    return product


@pytest.fixture(scope="module")
def image(library: Path, require: Any, tmp_path_factory: Any) -> Path:
    require("avr-gcc", "avr-g++")
    return _compile(library, tmp_path_factory.mktemp("sketch") / "sketch.elf")


@pytest.fixture(scope="module")
def outcomes(
    image: Path, builds: Any, boards: ModuleType, outcomes_of: Any
) -> Mapping[str, Outcome]:
    command = [builds.sim(), "--relays", str(builds.RELAYS), image]

    def make() -> Any:
        return boards.CommandedBoard(command, forbidden_state=builds.FORBIDDEN)

    return outcomes_of(make)


@pytest.mark.parametrize("name", [check.name for check in CHECKS])
def test_sketch_passes_the_whole_suite(name: str, outcomes: Mapping[str, Outcome]) -> None:
    outcome = outcomes[name]
    if outcome.result is not Result.PASSED:  # as it is made, it has no senses to find a fault with
        assert (outcome.result, outcome.reason) == (Result.NOT_APPLICABLE, NO_SENSES)


@pytest.mark.parametrize("loader", [None, "LOADER_HIDES_CAUSE", "LOADER_IS_OLD"])
def test_a_hanging_sketch_comes_back_and_says_so(
    image: Path, builds: Any, boards: ModuleType, loader: str | None
) -> None:
    words = [] if loader is None else ["--loader", builds.loader(loader)]
    command = [builds.sim(), "--relays", str(builds.RELAYS), *words, image]
    with closing(boards.CommandedBoard(command, boot_ms=120)) as board:
        bench = Bench(board)
        bench.begin()
        bench.apply(bench.park_state, (4, 3000))
        since, hung_us = len(board.latched_us), board.now_us
        board.command("hang")
        board.advance(900)
        assert {state for _, state in board.latched_us[since:]} == {0}
        assert board.latched_us[since][0] - hung_us <= 300_000
        bench.reset()
        assert bench.status().flags == Flag.PARKED | Flag.FAULT | Flag.RESTARTED


@pytest.mark.parametrize("chip", ["atmega1284p", "atmega2560"])
def test_sketch_drives_relays_on_other_chips(
    library: Path, builds: Any, boards: ModuleType, tmp_path: Path, chip: str
) -> None:
    image = _compile(library, tmp_path / "sketch.elf", chip)
    command = [builds.sim(), "--chip", chip, "--relays", str(builds.RELAYS), image]
    with closing(boards.CommandedBoard(command)) as board:
        bench = Bench(board)
        bench.begin()
        bench.apply(bench.park_state, (0x20004, 1))
        assert board.latched_us[-1][1] == 0x20004


def test_the_core_in_it_is_unmodified(library: Path, firmware: Path) -> None:
    originals = {
        path.name: path.read_bytes()
        for folder in ("core", "shared", "port_avr")
        for path in (firmware / folder).glob("*.[ch]")
        if path.name != "main.c"
    }
    own = {"RungwiseBoard.h", "rung_choices.h"}
    copies = {path.name: path.read_bytes() for path in (library / "src").iterdir()}
    assert {name: copies[name] for name in copies if name not in own} == originals


def test_its_layout_is_the_one_that_tools_install(library: Path) -> None:
    properties = dict(
        line.split("=", 1)
        for line in (library / "library.properties").read_text().splitlines()
        if line
    )
    needed = "name version author maintainer sentence paragraph category url architectures"
    assert set(needed.split()) <= set(properties)
    assert properties["name"] == library.name
    assert properties["architectures"] == "avr"
    assert (library / "src" / properties["includes"]).exists()
    for sketch in (library / "examples").iterdir():
        assert (sketch / f"{sketch.name}.ino").exists()
    with zipfile.ZipFile(library.with_suffix(".zip")) as archive:
        names = {Path(name) for name in archive.namelist()}
    assert {Path(library.name) / path.relative_to(library) for path in library.rglob("*")} == names


def test_its_version_is_that_of_the_project(library: Path) -> None:
    lines = (library / "library.properties").read_text().splitlines()
    assert f"version={__version__}" in lines


def test_it_takes_the_jump_unless_told_otherwise(library: Path) -> None:
    assert (
        "#define AVR_RESTART AVR_RESTART_JUMP" in (library / "src" / "rung_choices.h").read_text()
    )
