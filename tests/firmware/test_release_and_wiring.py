"""Prebuilt images and the pages with them; the wiring page and its diagrams."""

from __future__ import annotations

import hashlib
import importlib
import re
import subprocess
import xml.etree.ElementTree as ET
from contextlib import closing
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from controller import __version__
from firmware_protocol.conformance import Bench

FIRMWARE = Path(__file__).parents[2] / "firmware_protocol" / "firmware"
WIRING = (FIRMWARE / "WIRING.md").read_text(encoding="utf-8")


def _load(name: str) -> Any:
    return importlib.import_module(f"firmware_protocol.firmware.tools.{name}")


@pytest.fixture(scope="module")
def pins() -> Any:
    return _load("pins")


@pytest.fixture(scope="module")
def release(builds: Any, make: Any, require: Any) -> Path:
    require("avr-gcc", "arm-none-eabi-gcc")
    build = builds.folder / "release"
    # Whatever is chosen beside it, an image is what its name says.
    make("release", f"BUILD={build}", "PARK=0x1", "BAUD=9600")
    return build / "release"


# --- images ---------------------------------------------------------------------------------------


@pytest.mark.soak
@pytest.mark.toolchain
def test_each_image_has_its_page_and_its_checksum(release: Path) -> None:
    sums = dict(
        reversed(line.split()) for line in (release / "SHA256SUMS").read_text().splitlines()
    )
    images = sorted(path.name for path in release.glob("*.hex"))
    assert sorted(sums) == images
    assert len(images) >= 10
    for name in images:
        digest = hashlib.sha256((release / name).read_bytes()).hexdigest()
        page = (release / name).with_suffix(".txt").read_text()
        assert sums[name] == digest
        assert name.startswith(f"rungwise-{__version__}-")
        for word in (digest, name, "relay supply off", "output enable" * ("chain" in name)):
            assert word in page


@pytest.mark.soak
@pytest.mark.toolchain
def test_an_image_is_the_one_that_its_page_says_how_to_build(
    release: Path, make: Any, tmp_path: Path
) -> None:
    page = next(release.glob("*atmega328p*chain-24.txt"))
    (line,) = re.findall(r"^make (.*)$", page.read_text(), re.MULTILINE)
    make("avr", f"BUILD={tmp_path}", *line.split())
    assert (tmp_path / "rungwise-avr.hex").read_bytes() == page.with_suffix(".hex").read_bytes()


@pytest.mark.soak
@pytest.mark.toolchain
def test_an_image_as_released_drives_its_relays(
    release: Path, builds: Any, boards: ModuleType, require: Any, tmp_path: Path
) -> None:
    # From its HEX, as a programmer writes it; the emulator wants an ELF around it.
    require("avr-objcopy")
    image = tmp_path / "image.elf"
    hex_file = next(release.glob("*atmega328p*chain-24.hex"))
    symbols = builds.avr_of("RELAYS=24", "FORBIDDEN=")
    binary, flashed = tmp_path / "flash.bin", tmp_path / "flashed.bin"
    subprocess.run(["avr-objcopy", "-I", "ihex", "-O", "binary", hex_file, binary], check=True)
    subprocess.run(["avr-objcopy", "-O", "binary", "-R", ".eeprom", symbols, flashed], check=True)
    assert binary.read_bytes() == flashed.read_bytes(), "the ELF is another program"
    image.write_bytes(symbols.read_bytes())
    command = [builds.sim(), "--relays", "24", image]
    with closing(boards.CommandedBoard(command)) as board:
        bench = Bench(board)
        bench.begin()
        assert bench.identity.relay_count == 24
        bench.apply(0, (0x800001, 1))
        assert board.latched_us[-1][1] == 0x800001


@pytest.mark.toolchain
@pytest.mark.parametrize("kind", ["atmega328p", "atmega1284p", "atmega2560"])
def test_fuses_are_what_the_page_says(pins: Any, require: Any, tmp_path: Path, kind: str) -> None:
    """Bits by the names that avr-libc takes from the data sheets; a fuse that is set reads 0."""
    require("avr-gcc")
    low, high, extended = pins.CHIPS[kind].fuses
    source = tmp_path / "fuses.c"
    source.write_text(
        "#include <avr/io.h>\n"
        "#define SET(fuse, bit) _Static_assert(((fuse) & (unsigned char)~(bit)) == 0, #bit)\n"
        "#define CLEAR(fuse, bit) _Static_assert(((fuse) & (unsigned char)~(bit)) != 0, #bit)\n"
        f"SET({high}, FUSE_SPIEN); CLEAR({high}, FUSE_BOOTRST); CLEAR({high}, FUSE_WDTON);\n"
        f"CLEAR({low}, FUSE_CKDIV8); CLEAR({low}, FUSE_CKOUT);\n"
        # data sheet, BODLEVEL 100: 4.1 V least, 4.3 V typical
        f"CLEAR({extended}, FUSE_BODLEVEL2); SET({extended}, FUSE_BODLEVEL1);"
        f" SET({extended}, FUSE_BODLEVEL0);\n"
        # the slowest start of a crystal: SUT 11, CKSEL0 1
        f"CLEAR({low}, FUSE_SUT1); CLEAR({low}, FUSE_SUT0); CLEAR({low}, FUSE_CKSEL0);\n"
        "#ifdef FUSE_JTAGEN\n"
        f"CLEAR({high}, FUSE_JTAGEN);\n"
        "#endif\n"
    )
    subprocess.run(["avr-gcc", "-std=gnu11", f"-mmcu={kind}", "-fsyntax-only", source], check=True)


# --- pins -----------------------------------------------------------------------------------------


def _macros(text: str) -> dict[str, str]:
    return dict(re.findall(r"^#define (\w+) +(\w+)", text, re.MULTILINE))


def test_pin_tables_are_those_of_the_ports(pins: Any) -> None:
    header = (FIRMWARE / "port_avr" / "avr_chip.h").read_text()
    _, small, middle, large, _ = re.split(r"^#(?:el)?if |^#else", header, flags=re.MULTILINE)[0:5]
    for kind, part in (("atmega328p", small), ("atmega1284p", middle), ("atmega2560", large)):
        chip, macros = pins.CHIPS[kind], _macros(part)
        assert f"__AVR_ATmega{kind.removeprefix('atmega').upper()}__" in part
        for name in ("ENABLE", "LATCH", "DATA", "READ", "CLOCK"):
            assert getattr(chip, name.lower()) == macros[f"PIN_{name}"], (kind, name)
    outputs = _macros((FIRMWARE / "port_arm" / "arm_outputs.c").read_text())
    chip = pins.CHIPS["stm32f4"]
    assert chip.enable == f"PB{outputs['ENABLE'].rstrip('U')}"
    for name in ("LATCH", "DATA", "READ", "CLOCK"):
        assert getattr(chip, name.lower()) == f"PA{outputs[name].rstrip('U')}"


def test_wiring_page_has_the_same_pins(pins: Any) -> None:
    columns = ("atmega328p", "atmega1284p", "atmega2560", "stm32f4")
    rows = {
        cells[0].split(",")[0].split(" (")[0]: cells[1:]
        for line in WIRING.splitlines()
        if line.startswith("| ")
        and len(cells := [cell.strip() for cell in line.split("|")[1:-1]]) == 5
    }
    for at, kind in enumerate(columns):
        chip = pins.CHIPS[kind]
        assert rows["serial in"][at] == ", ".join(chip.serial)
        assert rows["output enable"][at] == chip.enable
        assert rows["latch clock"][at] == chip.latch
        assert rows["serial data"][at] == chip.data
        assert rows["shift clock"][at] == chip.clock
        assert rows["read-back of the chain"][at] == chip.read
        assert (rows["analogue input 0"][at], rows["analogue input 1"][at]) == chip.analogue


def test_diagrams_are_as_the_script_draws_them(pins: Any, tmp_path: Path) -> None:
    drawing = _load("draw_wiring")
    drawing.main(tmp_path)
    drawn = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert drawn == {path.name: path.read_bytes() for path in (FIRMWARE / "wiring").iterdir()}
    for name, data in drawn.items():
        assert f"(wiring/{name})" in WIRING
        ET.fromstring(data)
    text = b" ".join(drawn.values()).decode()
    chip = pins.CHIPS["atmega328p"]
    for word in (chip.enable, chip.latch, chip.data, chip.clock, chip.read, "SRCLR 10", "ULN2803"):
        assert word in text


def test_words_stay_inside_the_diagrams() -> None:
    # At 6.6 px a letter, which is wide for 11 to 12 px sans-serif.
    for path in (FIRMWARE / "wiring").iterdir():
        root = ET.fromstring(path.read_text())
        width, height = (float(root.attrib[name]) for name in ("width", "height"))
        for text in root.iter("{http://www.w3.org/2000/svg}text"):
            x, y, length = (
                float(text.attrib["x"]),
                float(text.attrib["y"]),
                6.6 * len(text.text or ""),
            )
            left = (
                x - {"start": 0.0, "middle": 0.5, "end": 1.0}[text.attrib["text-anchor"]] * length
            )
            assert left + 8 >= 0, (path.name, text.text)
            assert left + length <= width + 8, (path.name, text.text)
            assert 0 < y < height
