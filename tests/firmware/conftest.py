"""Builds of the firmware, once for all workers, and the boards that run them."""

from __future__ import annotations

import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, closing, contextmanager
from pathlib import Path
from types import ModuleType

import pytest

from firmware_protocol.conformance import CHECKS, Endpoint, Outcome, run_check

FIRMWARE = Path(__file__).parents[2] / "firmware_protocol" / "firmware"


def _load(name: str) -> ModuleType:
    """Import a helper that lies beside the tests."""
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


boards = _load("boards")


def require(*tools: str) -> None:
    """Skip where a tool is missing; fail where the environment says that this is CI."""
    missing = [tool for tool in tools if shutil.which(tool) is None]
    if "avr-gcc" in tools and not Path("/usr/include/simavr/sim_avr.h").exists():
        missing.append("libsimavr-dev")
    if not missing:
        return
    reason = f"not installed: {', '.join(missing)}"
    if os.environ.get("CI"):
        pytest.fail(f"{reason}; in CI every toolchain has to be there", pytrace=False)
    pytest.skip(reason)


def make(*arguments: str | Path) -> str:
    """Run the firmware's Makefile; return what it printed."""
    require("make")
    done = subprocess.run(
        ["make", "--no-print-directory", "-C", FIRMWARE, *arguments],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "LC_ALL": "C"},
    )
    assert done.returncode == 0, f"make {arguments}:\n{done.stdout[-4000:]}{done.stderr[-8000:]}"
    return done.stdout


@pytest.fixture(scope="session", name="require")
def require_fixture() -> Callable[..., None]:
    return require


@pytest.fixture(scope="session", name="make")
def make_fixture() -> Callable[..., str]:
    return make


@pytest.fixture(scope="session", name="boards")
def boards_fixture() -> ModuleType:
    return boards


class Outcomes(dict[str, Outcome]):
    """What the checks come to, each carried out when it is asked for: workers share them."""

    def __init__(self, make: Callable[[], Endpoint]) -> None:
        super().__init__()
        self._make = make

    def __missing__(self, name: str) -> Outcome:
        [check] = [one for one in CHECKS if one.name == name]
        self[name] = outcome = run_check(check, self._make())
        return outcome


@pytest.fixture(scope="session")
def outcomes_of() -> Callable[[Callable[[], Endpoint]], Mapping[str, Outcome]]:
    """Return what makes the outcomes of all checks of a board, by name."""
    return Outcomes


@pytest.fixture(scope="session")
def firmware() -> Path:
    """The folder of the firmware."""
    return FIRMWARE


class Builds:
    """What has been built so far; each thing is built when it is first asked for."""

    RELAYS = 18
    FORBIDDEN = 0x00003
    """The relays that the builds under check never energise together."""
    SUPPLY_LEAST_MV = 2000

    def __init__(
        self,
        folder: Path,
        common: Path,
        one_at_a_time: Callable[[str], AbstractContextManager[object]],
    ) -> None:
        self.folder = folder  # this worker's own
        self._common = common
        self._one_at_a_time = one_at_a_time

    def _build(self, target: str, *choices: str, folder: str = "standard") -> Path:
        product = self._common / folder / target
        with self._one_at_a_time(f"firmware-{folder}"):
            if not product.exists():
                make(f"BUILD={product.parent}", product, *choices)
        return product

    def host(self, *, sanitized: bool = True) -> Path:
        """Return the host port; with the sanitizers a fault in it ends the process."""
        require("gcc")
        name = "rungwise-host-sanitized" if sanitized else "rungwise-host"
        return self._build(name, *self._choices())

    def variant(self, *choices: str) -> Path:
        """Return a host port with other choices, as arguments of make."""
        require("gcc")
        name = hashlib.sha256("\n".join(choices).encode()).hexdigest()[:12]
        return self._build("rungwise-host-sanitized", *choices, folder=f"variant-{name}")

    def core(self) -> Path:
        require("gcc")
        choices = (f"RELAYS={self.RELAYS}", "DEFINES=-DRUNG_MAX_PAYLOAD=200")
        return self._build("librungwise-core.so", *choices, folder="core")

    def sim(self) -> Path:
        require("gcc", "avr-gcc")
        return self._build("rungwise-sim")

    def avr(self) -> Path:
        require("avr-gcc")
        return self._build("rungwise-avr.elf", *self._choices())

    def avr_pins(self) -> Path:
        require("avr-gcc")
        return self._build("rungwise-avr.elf", "RELAYS=17", "OUTPUTS=pins", folder="pins")

    def avr_of(self, *choices: str) -> Path:
        """Return an AVR image with further choices, as arguments of make."""
        require("avr-gcc")
        folder = "-".join(["avr", *choices]).replace("=", "-")  # make takes = for an assignment
        return self._build("rungwise-avr.elf", *self._choices(), *choices, folder=folder)

    def avr_guarded(self) -> Path:
        """Return the AVR image that reads its chain back and watches the coils' supply."""
        return self.avr_of("READBACK=1", f"SUPPLY_LEAST_MV={self.SUPPLY_LEAST_MV}")

    def loader(self, kind: str) -> Path:
        """Return a boot loader of our own writing, as HEX."""
        require("avr-gcc", "avr-objcopy")
        product = self._common / f"{kind}.hex"
        with self._one_at_a_time(f"firmware-{kind}"):
            if product.exists():
                return product
            source = Path(__file__).parent / "boot_loader" / "loader.c"
            elf = product.with_suffix(".elf")
            flags = ("-std=c99", "-Os", "-mmcu=atmega328p", "-DF_CPU=16000000UL", f"-D{kind}")
            place = ("-nostartfiles", "-Wl,--section-start=.text=0x7e00")
            subprocess.run(["avr-gcc", *flags, *place, source, "-o", elf], check=True)
            subprocess.run(["avr-objcopy", "-O", "ihex", elf, product], check=True)
        return product

    def arm(self) -> Path:
        require("arm-none-eabi-gcc", "arm-none-eabi-nm")
        return self._build("rungwise-arm.elf", *self._choices(), "ARM_EMULATED=1", folder="arm")

    def arm_of(self, *choices: str) -> tuple[Path, Callable[[str], int]]:
        """Return a 32-bit image with further choices, and what finds a name's address in it."""
        require("arm-none-eabi-gcc", "arm-none-eabi-nm")
        folder = "-".join(["arm", *choices]).replace("=", "-")
        image = self._build(
            "rungwise-arm.elf", *self._choices(), "ARM_EMULATED=1", *choices, folder=folder
        )
        return image, lambda name: self._address(image, name)

    def arm_address(self, name: str) -> int:
        """Return where a variable or a function of the 32-bit port is."""
        return self._address(self.arm(), name)

    @staticmethod
    def _address(image: Path, name: str) -> int:
        listing = subprocess.run(
            ["arm-none-eabi-nm", image], capture_output=True, text=True, check=True
        ).stdout
        (line,) = (line for line in listing.splitlines() if line.endswith(f" {name}"))
        return int(line.split()[0], 16)

    def _choices(self) -> tuple[str, ...]:
        return (f"RELAYS={self.RELAYS}", f"FORBIDDEN={self.FORBIDDEN:#x}")


@pytest.fixture(scope="session")
def builds(
    tmp_path_factory: pytest.TempPathFactory,
    common_folder: Path,
    one_at_a_time: Callable[[str], AbstractContextManager[object]],
) -> Builds:
    common = common_folder / "firmware"
    common.mkdir(exist_ok=True)
    return Builds(tmp_path_factory.mktemp("firmware"), common, one_at_a_time)


@pytest.fixture
def avr(builds: Builds) -> Callable[..., object]:
    """A function that powers up an emulated chip whose time is commanded, for a `with`.

    It takes the image, the plain one by default, and words for the emulator.
    """

    @contextmanager
    def power_up(image: Path | None = None, *words: str) -> Iterator[object]:
        command = [builds.sim(), "--relays", str(builds.RELAYS), *words, image or builds.avr()]
        with closing(boards.CommandedBoard(command)) as board:
            yield board

    return power_up
