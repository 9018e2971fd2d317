"""Choices of the builder: none goes stale; what does not fit together is refused when compiled."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

pytestmark = pytest.mark.toolchain


def _try_make(firmware: Path, *arguments: str | Path) -> tuple[int, str]:
    done = subprocess.run(
        ["make", "--no-print-directory", "-C", firmware, *arguments],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "LC_ALL": "C"},
    )
    return done.returncode, done.stdout + done.stderr


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("choices")


@pytest.fixture
def image_of(firmware: Path, require: Callable[..., None], folder: Path) -> Callable[..., bytes]:
    """Return what `make avr` leaves in one and the same build folder."""
    require("make", "avr-gcc")

    def image(*choices: str) -> bytes:
        code, said = _try_make(firmware, "avr", f"BUILD={folder}", *choices)
        assert code == 0, said
        return (folder / "rungwise-avr.hex").read_bytes()

    return image


CHOICES = [
    "RELAYS=16",
    "FORBIDDEN=0x3",
    "PARK=0x1",
    "NAME=Bench two",
    "MAX_PATH=8",
    "BAUD=57600",
    "READBACK=1",
    "SUPPLY_LEAST_MV=2000",
    "REFERENCE_MV=4970",
    "RESTART=jump",
    "AVR_CHIP=atmega2560",
    "DEFINES=-DRUNG_MAX_PAYLOAD=190",
]


def test_another_choice_makes_another_image(image_of: Callable[..., bytes]) -> None:
    """One after the other in one folder: nothing of the choice before is left in an image."""
    first = image_of("RELAYS=24")
    images = {first: "none"}
    for choice in CHOICES:
        image = image_of("RELAYS=24", choice) if "RELAYS" not in choice else image_of(choice)
        assert image not in images, f"{choice} makes the image of {images.get(image)}"
        images[image] = choice
    assert image_of("RELAYS=24") == first, "and back again"


def test_the_same_choices_build_nothing_anew(image_of: Callable[..., bytes], folder: Path) -> None:
    image_of("RELAYS=24")
    made = (folder / "rungwise-avr.elf").stat().st_mtime_ns
    image_of("RELAYS=24")
    assert (folder / "rungwise-avr.elf").stat().st_mtime_ns == made


REFUSALS = [
    ("core", ["RELAYS=0"], "RUNG_RELAY_COUNT is 1 to 64"),
    ("core", ["RELAYS=65"], "RUNG_RELAY_COUNT is 1 to 64"),
    ("core", ["RELAYS=8", "PARK=0x100"], "RUNG_PARK_STATE energises a relay beyond"),
    ("core", ["RELAYS=17", "FORBIDDEN=0x20000"], "RUNG_FORBIDDEN_STATE names a relay beyond"),
    ("core", ["FORBIDDEN=0"], "would forbid every state"),
    ("core", ["PARK=0x7", "FORBIDDEN=0x3"], "RUNG_PARK_STATE is forbidden"),
    ("core", ["MAX_PATH=17"], "RUNG_MAX_PATH is 1 to 16"),
    ("core", ["NAME=" + "n" * 25], "rung_name_is_at_most_24_bytes"),
    ("core", ["DEFINES='-DRUNG_PARK_MASK={0}'"], "states are numbers"),
    ("avr", ["RELAYS=33"], "the chain is made for up to 32 relays"),
    ("avr", ["RELAYS=18", "OUTPUTS=pins"], "the chip has 17 pins"),
    ("avr", ["RELAYS=13", "OUTPUTS=pins", "SUPPLY_LEAST_MV=2000"], "12 pins for relays"),
    ("avr", ["RELAYS=8", "OUTPUTS=pins", "READBACK=1"], "only a chain can be read back"),
    ("avr", ["RELAYS=8", "OUTPUTS=pins", "AVR_CHIP=atmega2560"], "pins serve as outputs on"),
    ("avr", ["SUPPLY_LEAST_MV=5000"], "below RUNG_REFERENCE_MV"),
    ("avr", ["BAUD=230400"], "does not make this baud rate"),
    ("avr", ["BAUD=115200", "AVR_CLOCK_HZ=8000000"], "does not make this baud rate"),
    ("avr", ["AVR_CLOCK_HZ=20000000"], "F_CPU must be"),
    ("avr", ["AVR_CHIP=atmega32u4"], "AVR_CHIP=atmega32u4 is not a chip that port_avr fits"),
    ("avr", ["AVR_CHIP=attiny85"], "AVR_CHIP=attiny85 is not a chip that port_avr fits"),
    ("avr", ["OUTPUTS=relays"], "OUTPUTS=relays"),
    ("avr", ["RESTART=never"], "RESTART=never"),
    ("arm", ["ARM_CRYSTAL_MHZ=32"], "ARM_CRYSTAL_MHZ is 4 to 26"),
    ("arm", ["BAUD=2000000"], "RUNG_BAUD is 1200 to a megabaud"),
]


@pytest.mark.parametrize(
    ("target", "choices", "reason"), REFUSALS, ids=lambda value: str(value)[:40]
)
def test_what_does_not_fit_together_is_refused(
    firmware: Path,
    require: Callable[..., None],
    tmp_path: Path,
    target: str,
    choices: list[str],
    reason: str,
) -> None:
    require("make", {"core": "gcc", "avr": "avr-gcc", "arm": "arm-none-eabi-gcc"}[target])
    code, said = _try_make(firmware, target, f"BUILD={tmp_path}", *choices)
    assert code != 0
    assert reason in said
    assert not list(tmp_path.glob("*.elf")) + list(tmp_path.glob("*.so"))


@pytest.mark.parametrize(
    "choices",
    [
        ["RELAYS=64", "PARK=0x8000000000000000", "FORBIDDEN=0xC000000000000000"],
        ["RELAYS=1", "PARK=0x1"],
        ["NAME=" + "n" * 24],
    ],
    ids=str,
)
def test_the_last_that_fits_is_taken(
    firmware: Path, require: Callable[..., None], tmp_path: Path, choices: list[str]
) -> None:
    require("make", "gcc")
    code, said = _try_make(firmware, "core", f"BUILD={tmp_path}", *choices)
    assert code == 0, said


def test_a_chip_that_the_port_does_not_know_is_refused_by_the_compiler_too(
    firmware: Path, require: Callable[..., None], tmp_path: Path
) -> None:
    # A sketch library has no Makefile to look at the name.
    require("avr-gcc")
    done = subprocess.run(
        [
            *("avr-gcc", "-std=gnu11", "-mmcu=atmega32u4", "-DF_CPU=16000000L", "-c"),
            *(f"-I{firmware / name}" for name in ("core", "shared", "port_avr")),
            *(firmware / "port_avr" / "avr_outputs_chain.c", "-o", tmp_path / "it.o"),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode != 0
    assert "this port fits ATmega88" in done.stderr


@pytest.mark.parametrize("chip", ["atmega88", "atmega168", "atmega328", "atmega644", "atmega1280"])
def test_every_kind_of_chip_that_fits_compiles(
    firmware: Path, require: Callable[..., None], tmp_path: Path, chip: str
) -> None:
    require("make", "avr-gcc")
    code, said = _try_make(
        firmware, "avr", f"BUILD={tmp_path}", f"AVR_CHIP={chip}", "READBACK=1", "SUPPLY_LEAST_MV=9"
    )
    assert code == 0, said
