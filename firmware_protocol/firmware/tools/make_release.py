"""Builds images for the usual boards, each with a page on pins, fuses and programmer lines.

`make release` calls it, with the version and the folder to write to. Needs avr-gcc and
arm-none-eabi-gcc. The same sources and compilers give the same bytes.
"""

import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from firmware_protocol.firmware.tools.pins import CHIPS, RELAY_PINS, Chip, Pin, table

FIRMWARE = Path(__file__).resolve().parents[1]

ENVIRONMENT = ("PATH", "HOME", "TMPDIR")
"""An image is what its name says, whatever choices `make release` was called with: make hands them
on by way of the environment, so no more of it goes on than a compiler needs."""

CARE = """\
Before anything is connected: read WIRING.md and the part on care in README.md.
 - Flash and first try with the relay supply off and nothing connected to the ladder.
 - Only low-voltage, current-limited sensor inputs; never heaters, glow plugs, ignition, airbag or
   high-voltage circuits, never mains; never on a machine that is moving or working.
 - Cooling fans can start without warning: hands, hair, sleeves and leads clear.
"""


@dataclass(frozen=True, kw_only=True)
class Image:
    """One image: the chip, how its relays hang on it, and how many they are."""

    chip: Chip
    outputs: str
    relays: int
    crystal_mhz: int = 16

    @property
    def name(self) -> str:
        """What tells it from the others."""
        return f"{self.chip.kind}-{self.crystal_mhz}mhz-{self.outputs}-{self.relays}"

    def choices(self) -> list[str]:
        """Return the arguments of make."""
        words = [f"RELAYS={self.relays}", f"OUTPUTS={self.outputs}"]
        if self.is_arm:
            return [*words, f"ARM_CRYSTAL_MHZ={self.crystal_mhz}"]
        return [*words, f"AVR_CHIP={self.chip.kind}"]

    @property
    def is_arm(self) -> bool:
        """Whether it is for the 32-bit port, whose chips have no fuses."""
        return self.chip.fuses is None

    def pins(self) -> list[Pin]:
        """Return the pin table."""
        if self.outputs == "chain":
            # The optional senses are not in these images.
            return [*self.chip.common(), *self.chip.chain()[:4]]
        relays = [
            Pin(
                use=f"relay {i}",
                name=RELAY_PINS[i],
                wiring="its driver's input; 100 k down to ground",
            )
            for i in range(self.relays)
        ]
        return [*self.chip.common(), *relays]


IMAGES = [
    *(Image(chip=CHIPS["atmega328p"], outputs="chain", relays=n) for n in (8, 16, 18, 24, 32)),
    Image(chip=CHIPS["atmega328p"], outputs="pins", relays=17),
    *(
        Image(chip=CHIPS[kind], outputs="chain", relays=n)
        for kind in ("atmega1284p", "atmega2560")
        for n in (18, 32)
    ),
    *(
        Image(chip=CHIPS["stm32f4"], outputs="chain", relays=n, crystal_mhz=mhz)
        for mhz in (8, 25)
        for n in (18, 32)
    ),
]


def programming(image: Image, hex_name: str) -> str:
    """Return how a chip as the factory delivers it gets fuses and image."""
    chip = image.chip
    if chip.fuses is None:
        return (
            "The chip as delivered takes the image by its own USB boot loader (BOOT0 high, reset)\n"
            "or by a debug probe (SWD). With the boot loader (from memory, not tried):\n\n"
            f"  arm-none-eabi-objcopy -I ihex -O binary {hex_name} image.bin\n"
            "  dfu-util -a 0 -s 0x08000000:leave -D image.bin\n"
        )
    low, high, extended = chip.fuses
    start = f"avrdude -p {chip.kind} -c PROGRAMMER -P PORT"
    return (
        f"Fuses low 0x{low:02X}, high 0x{high:02X}, extended 0x{extended:02X}: {chip.clock_source}.\n"
        "PROGRAMMER is what avrdude calls yours, PORT where it is. A chip as delivered runs at\n"
        "1 MHz, so its fuses are written slowly; they are wrong for a board with another clock:\n\n"
        f"  {start} -B 10 -U lfuse:w:0x{low:02X}:m -U hfuse:w:0x{high:02X}:m"
        f" -U efuse:w:0x{extended:02X}:m\n"
        f"  {start} -U flash:w:{hex_name}:i\n\n"
        "A board with a boot loader keeps its fuses; only the second line is for it, with the name\n"
        "that avrdude has for the loader as PROGRAMMER. Older loaders need an image built with\n"
        "RESTART=jump: README.md, boot loaders.\n"
    )


def page(image: Image, hex_name: str, digest: str) -> str:
    """Return the text that goes with an image."""
    listing = table(image.pins())
    if image.outputs == "chain":
        listing += "\n  Each discrete driver's input needs its own pull-down as well: WIRING.md."
    return (
        f"Rungwise ladder board: {image.chip.kind} with a crystal of {image.crystal_mhz} MHz,"
        f" {image.relays} relays, outputs: {image.outputs}\n"
        f"115200 baud; park state: all relays released; no pattern forbidden.\n"
        f"make {' '.join(image.choices())}\nSHA-256 {digest}\n\n"
        f"{CARE}\nPins\n{listing}\n\nProgramming\n{programming(image, hex_name)}\n"
        "Then: python -m firmware_protocol.conformance PORT\n"
    )


def build(image: Image, folder: Path) -> Path:
    """Return the HEX of an image, built in a folder."""
    target = "arm" if image.is_arm else "avr"
    subprocess.run(
        ["make", "-s", "-C", FIRMWARE, f"BUILD={folder}", *image.choices(), target],
        check=True,
        env={name: os.environ[name] for name in ENVIRONMENT if name in os.environ},
    )
    return folder / f"rungwise-{target}.hex"


def main(version: str, folder: Path) -> None:
    """Write all images, their pages, the wiring page and the checksums."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    sums = []
    with tempfile.TemporaryDirectory() as scratch:
        for image in IMAGES:
            product = build(image, Path(scratch) / image.name).read_bytes()
            name = f"rungwise-{version}-{image.name}.hex"
            digest = hashlib.sha256(product).hexdigest()
            (folder / name).write_bytes(product)
            text = page(image, name, digest)
            (folder / name).with_suffix(".txt").write_text(text, encoding="utf-8")
            sums.append(f"{digest}  {name}\n")
            print(name)
    (folder / "SHA256SUMS").write_text("".join(sums))
    for name in ("README.md", "WIRING.md"):
        shutil.copyfile(FIRMWARE / name, folder / name)
    shutil.copytree(FIRMWARE / "wiring", folder / "wiring")


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    main(sys.argv[1], Path(sys.argv[2]).resolve())
