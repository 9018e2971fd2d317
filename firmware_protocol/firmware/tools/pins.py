"""Which pin of which chip does what: for pin tables and diagrams. A test holds it to the C."""

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, kw_only=True)
class Pin:
    """One connection: what it is for, the pin by its port name, and what has to be wired to it."""

    use: str
    name: str
    wiring: str


@dataclass(frozen=True, kw_only=True)
class Chip:
    """A kind of chip and its pins; `fuses` are low, high, extended, and what they choose."""

    kind: str
    serial: tuple[str, str]
    enable: str
    latch: str
    data: str
    read: str
    clock: str
    analogue: tuple[str, str]
    fuses: tuple[int, int, int] | None = None
    clock_source: str = ""

    def common(self) -> list[Pin]:
        """Return what every board has."""
        receive, send = self.serial
        return [
            Pin(use="serial in", name=receive, wiring="from the isolated serial link's output"),
            Pin(use="serial out", name=send, wiring="to the isolated serial link's input"),
            Pin(use="analogue input 0", name=self.analogue[0], wiring="free; not the vehicle"),
        ]

    def chain(self) -> list[Pin]:
        """Return the pins of a board with shift registers (74HC595)."""
        return [
            Pin(
                use="output enable", name=self.enable, wiring="OE of all registers; 10 k up to VCC"
            ),
            Pin(use="latch clock", name=self.latch, wiring="RCLK of all registers"),
            Pin(use="serial data", name=self.data, wiring="SER of the register of relays 0 to 7"),
            Pin(use="shift clock", name=self.clock, wiring="SRCLK of all registers"),
            Pin(
                use="read-back (READBACK=1)",
                name=self.read,
                wiring="QH' of the last register; 100 k down to ground",
            ),
            Pin(
                use="coil supply (SUPPLY_LEAST_MV)",
                name=self.analogue[1],
                wiring="divider from the coil supply; 100 nF to ground",
            ),
        ]


_28_PINS: dict[str, Any] = {
    "serial": ("PD0", "PD1"),
    "enable": "PB1",
    "latch": "PB2",
    "data": "PB3",
    "read": "PB4",
    "clock": "PB5",
    "analogue": ("PC0", "PC1"),
}
_CRYSTAL = "16 MHz crystal or resonator, brown-out detector at 4.3 V, no boot loader"

CHIPS = {
    chip.kind: chip
    for chip in (
        Chip(kind="atmega328p", fuses=(0xFF, 0xD9, 0xFC), clock_source=_CRYSTAL, **_28_PINS),
        Chip(
            kind="atmega1284p",
            serial=("PD0", "PD1"),
            enable="PB3",
            latch="PB4",
            data="PB5",
            read="PB6",
            clock="PB7",
            analogue=("PA0", "PA1"),
            fuses=(0xF7, 0xD9, 0xFC),
            clock_source=f"{_CRYSTAL}, JTAG off",
        ),
        Chip(
            kind="atmega2560",
            serial=("PE0", "PE1"),
            enable="PB4",
            latch="PB0",
            data="PB2",
            read="PB3",
            clock="PB1",
            analogue=("PF0", "PF1"),
            fuses=(0xF7, 0xD9, 0xFC),
            clock_source=f"{_CRYSTAL}, JTAG off",
        ),
        Chip(
            kind="stm32f4",
            serial=("PA10", "PA9"),
            enable="PB0",
            latch="PA4",
            data="PA7",
            read="PA6",
            clock="PA5",
            analogue=("PA0", "PA1"),
            clock_source="crystal of 8 MHz, or as chosen",
        ),
    )
}

RELAY_PINS = [
    *(f"PD{bit}" for bit in range(2, 8)),
    *(f"PB{bit}" for bit in range(6)),
    *(f"PC{bit}" for bit in range(1, 6)),
]
"""OUTPUTS=pins, ATmega328P: the pin of each relay, from relay 0 on."""


def table(rows: list[Pin]) -> str:
    """Return rows as lines of text."""
    use = max(len(row.use) for row in rows)
    name = max(len(row.name) for row in rows)
    return "\n".join(f"  {row.use:{use}}  {row.name:{name}}  {row.wiring}" for row in rows)
