"""Draws the wiring diagrams of WIRING.md as SVG, from the same pin tables as the release's pages.

`make diagrams` calls it, with the folder to write to.
"""

import sys
from pathlib import Path
from xml.sax.saxutils import escape

from firmware_protocol.firmware.tools.pins import CHIPS

GRID = 20
STYLE = (
    "svg{background:#fff}"
    "path,rect,circle{fill:none;stroke:#222;stroke-width:1.6}"
    "text{font:12px sans-serif;fill:#222}"
    ".pin{font-size:11px}.note{font-size:11px;fill:#a02020}.name{font-weight:bold}"
    ".dot{fill:#222}"
)


class Sheet:
    """A drawing on a grid; coordinates count in steps of it, from the upper left."""

    def __init__(self, width: float, height: float, title: str) -> None:
        self._size = (round(width * GRID), round(height * GRID))
        self._title = title
        self._parts: list[str] = []

    def text(self, x: float, y: float, words: str, kind: str = "", anchor: str = "start") -> None:
        """Write words; `anchor` is start, middle or end."""
        self._parts.append(
            f'<text x="{x * GRID:g}" y="{y * GRID + 4:g}" text-anchor="{anchor}"'
            f' class="{kind}">{escape(words)}</text>'
        )

    def wire(self, *points: tuple[float, float]) -> None:
        """Draw a line through points."""
        steps = " L".join(f"{x * GRID:g} {y * GRID:g}" for x, y in points)
        self._parts.append(f'<path d="M{steps}"/>')

    def dot(self, x: float, y: float) -> None:
        """Join wires that cross here."""
        self._parts.append(f'<circle class="dot" cx="{x * GRID:g}" cy="{y * GRID:g}" r="2.5"/>')

    def box(self, x: float, y: float, width: float, height: float, *names: str) -> None:
        """Draw a part with its name in it, from the top."""
        self._parts.append(
            f'<rect x="{x * GRID:g}" y="{y * GRID:g}" width="{width * GRID:g}"'
            f' height="{height * GRID:g}"/>'
        )
        for line, name in enumerate(names):
            kind = "pin" if line else "name"
            self.text(x + width / 2, y + 0.6 + 0.8 * line, name, kind, "middle")

    def resistor(self, x: float, top: float, bottom: float, value: str) -> None:
        """Draw a standing resistor between two heights, its value beside it."""
        middle = (top + bottom) / 2
        self.wire((x, top), (x, middle - 0.7))
        self.box(x - 0.2, middle - 0.7, 0.4, 1.4)
        self.wire((x, middle + 0.7), (x, bottom))
        self.text(x + 0.4, middle, value, "pin")

    def lying_resistor(self, left: float, right: float, y: float, value: str) -> None:
        """Draw a resistor along a wire, its value above it."""
        middle = (left + right) / 2
        self.wire((left, y), (middle - 0.7, y))
        self.box(middle - 0.7, y - 0.2, 1.4, 0.4)
        self.wire((middle + 0.7, y), (right, y))
        self.text(middle, y - 0.6, value, "pin", "middle")

    def ground(self, x: float, y: float) -> None:
        """End a wire in ground."""
        self.wire((x, y), (x, y + 0.3))
        for step, half in enumerate((0.5, 0.32, 0.14)):
            self.wire((x - half, y + 0.3 + 0.2 * step), (x + half, y + 0.3 + 0.2 * step))

    def supply(self, x: float, y: float, name: str) -> None:
        """End a wire in a supply, which is above it."""
        self.wire((x, y), (x, y - 0.3), (x - 0.3, y - 0.3), (x + 0.3, y - 0.3))
        self.text(x, y - 0.7, name, "pin", "middle")

    def diode(self, x: float, top: float, bottom: float) -> None:
        """Draw a standing diode, its cathode up."""
        middle = (top + bottom) / 2
        self.wire((x, top), (x, bottom))
        left, right = x - 0.35, x + 0.35
        self.wire(
            (left, middle + 0.35), (right, middle + 0.35), (x, middle - 0.3), (left, middle + 0.35)
        )
        self.wire((left, middle - 0.3), (right, middle - 0.3))

    def svg(self) -> str:
        """Return the drawing."""
        width, height = self._size
        body = "\n".join(self._parts)
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}"'
            f' width="{width}" height="{height}" role="img">\n'
            f"<title>{escape(self._title)}</title>\n<style>{STYLE}</style>\n{body}\n</svg>\n"
        )


def register(sheet: Sheet, x: float, y: float, relays: str) -> None:
    """Draw a shift register with what is the same for each."""
    sheet.box(x, y, 7, 9.4, "74HC595", relays)
    for row, name in enumerate(("SER 14", "SRCLK 11", "RCLK 12", "OE 13", "SRCLR 10")):
        sheet.text(x + 0.3, y + 3 + row * 1.2, name, "pin")
    sheet.text(x + 6.7, y + 3, "QA...QH", "pin", "end")
    sheet.text(x + 6.7, y + 7.8, "QH' 9", "pin", "end")
    # Clear is never used: tied high, or an open input clears the chain at will.
    sheet.wire((x, y + 7.8), (x - 0.9, y + 7.8))
    sheet.supply(x - 0.9, y + 7.8, "VCC")
    sheet.text(x + 0.3, y + 9, "VCC 16, GND 8: 100 nF", "pin")


def chain() -> Sheet:
    """The chip, two registers and their drivers."""
    chip = CHIPS["atmega328p"]
    sheet = Sheet(52, 28, "Relays on a chain of shift registers")
    sheet.box(1, 4, 7, 15, "ATmega328P", "(others: pin table)")
    rows = {
        "data": (7.0, chip.data, "serial data"),
        "clock": (8.2, chip.clock, "shift clock"),
        "latch": (9.4, chip.latch, "latch clock"),
        "enable": (10.6, chip.enable, "output enable"),
        "read": (15.0, chip.read, "read-back"),
        "supply": (17.0, chip.analogue[1], "coil supply"),
    }
    for y, pin, use in rows.values():
        sheet.text(1.3, y, use, "pin")
        sheet.text(7.7, y, pin, "pin", "end")

    first, second, top = 16.0, 33.0, 4.0
    register(sheet, first, top, "relays 0 to 7")
    register(sheet, second, top, "relays 8 to 15 ...")
    sheet.wire((8, 7), (first, 7))
    # The three common lines pass below the registers and come up to each.
    for step, name in enumerate(("clock", "latch", "enable")):
        y = rows[name][0]
        bus = 15.6 + step * 0.8
        left = 10.4 + step * 0.8
        sheet.wire((8, y), (first, y))
        sheet.dot(left, y)
        up = second - 3.6 + step * 0.8
        sheet.wire((left, y), (left, bus), (up, bus), (up, y), (second, y))
    # Output enable: off until the program says otherwise.
    sheet.dot(9.4, 10.6)
    sheet.wire((9.4, 5.6), (9.4, 10.6))
    sheet.resistor(9.4, 3, 5.6, "10 k")
    sheet.supply(9.4, 3, "VCC")
    sheet.text(9.4, 1.4, "outputs off until the first latch", "note", "middle")
    # Cascade.
    sheet.wire((first + 7, 11.8), (27.6, 11.8), (27.6, 7), (second, 7))
    sheet.text(23.3, 11.3, "to the next", "pin")
    # Back from the last.
    sheet.wire((second + 7, 11.8), (46, 11.8), (46, 19.6), (11.6, 19.6), (11.6, 15), (8, 15))
    sheet.text(46.3, 16, "last register's", "pin")
    sheet.text(46.3, 16.9, "QH', READBACK=1", "pin")
    sheet.dot(11.6, 19.6)
    sheet.resistor(11.6, 19.6, 23, "100 k")
    sheet.ground(11.6, 23)
    # Coil supply.
    sheet.wire((8, 17), (9.4, 17), (9.4, 21.4), (4, 21.4))
    sheet.dot(4, 21.4)
    sheet.lying_resistor(1, 4, 21.4, "Ra")
    sheet.text(0.2, 22.6, "coil supply", "pin")
    sheet.resistor(4, 21.4, 25, "Rb, 100 nF across")
    sheet.ground(4, 25)
    # Drivers.
    for x in (first, second):
        sheet.wire((x + 7, 7), (x + 8.6, 7), (x + 8.6, 3))
        sheet.text(x + 8.9, 4.6, "8 lines", "pin")
        sheet.text(x + 8.6, 2.5, "to the drivers: see below", "pin", "middle")
    sheet.text(
        17,
        22.4,
        "Disabled outputs FLOAT: the pull-up switches registers off, not what hangs on them.",
        "note",
    )
    sheet.text(
        17,
        23.4,
        "Each discrete driver needs its own pull-down; a ULN2803 has one in each input.",
        "note",
    )
    sheet.text(
        17,
        24.9,
        "A 3.3 V chip: registers at 3.3 V too, or 74HCT595 (TTL levels) at 5 V. A 74HC595 at 5 V",
    )
    sheet.text(17, 25.8, "wants 3.5 V for a high, and 3.3 V is none.")
    return sheet


def drivers() -> Sheet:
    """Three ways from an output to a coil."""
    sheet = Sheet(52, 19, "Relay drivers")
    # a Darlington array
    sheet.text(1, 1, "Darlington array", "name")
    sheet.wire((1, 9), (3, 9))
    sheet.text(1, 8.5, "output", "pin")
    sheet.box(3, 6, 7, 6, "ULN2803")
    sheet.text(3.3, 9, "IN, 1 of 8", "pin")
    sheet.text(9.7, 9, "OUT", "pin", "end")
    sheet.text(9.7, 7.6, "COM 10", "pin", "end")
    sheet.text(6.5, 11.4, "GND 9", "pin", "middle")
    sheet.wire((6.5, 12), (6.5, 13))
    sheet.ground(6.5, 13)
    sheet.wire((10, 9), (13, 9))
    sheet.resistor(13, 3, 9, "coil")
    sheet.supply(13, 3, "coil supply")
    sheet.wire((10, 7.6), (11.4, 7.6), (11.4, 3), (13, 3))
    sheet.dot(13, 3)
    sheet.text(1, 15.6, "Drops about 1 V: a 5 V coil gets 4 V or less,", "note")
    sheet.text(1, 16.5, "too little for most when warm. 12 V coils, or", "note")
    sheet.text(1, 17.4, "transistors.", "note")
    # a bipolar transistor
    sheet.text(19, 1, "bipolar transistor (NPN)", "name")
    sheet.text(19, 9.9, "output", "pin")
    sheet.lying_resistor(19, 24, 9, "2.2 k")
    sheet.dot(24, 9)
    sheet.wire((24, 9), (26, 9))
    sheet.resistor(24, 9, 14, "10 k")
    sheet.ground(24, 14)
    sheet.wire((26, 8), (26, 10))
    sheet.wire((26, 8.6), (28, 7.4))
    sheet.wire((26, 9.4), (28, 10.6), (28, 14))
    sheet.ground(28, 14)
    sheet.wire((28, 7.4), (28, 6.6))
    sheet.resistor(28, 3, 6.6, "coil")
    sheet.supply(28, 3, "coil supply")
    sheet.wire((28, 3), (30.6, 3))
    sheet.wire((28, 6.6), (30.6, 6.6))
    sheet.dot(28, 3)
    sheet.dot(28, 6.6)
    sheet.diode(30.6, 3, 6.6)
    sheet.text(31.2, 4.8, "flyback", "pin")
    sheet.text(19, 16.5, "10 k from base to emitter: the pull-down.", "note")
    # a field-effect transistor
    sheet.text(36, 1, "field-effect transistor (N, logic level)", "name")
    sheet.text(36, 9.9, "output", "pin")
    sheet.lying_resistor(36, 41, 9, "220")
    sheet.dot(41, 9)
    sheet.wire((41, 9), (43, 9))
    sheet.resistor(41, 9, 14, "100 k")
    sheet.ground(41, 14)
    sheet.wire((43, 7.8), (43, 10.2))
    sheet.wire((43.5, 7.6), (43.5, 10.4))
    sheet.wire((43.5, 8), (45.5, 8), (45.5, 6.6))
    sheet.wire((43.5, 10), (45.5, 10), (45.5, 14))
    sheet.ground(45.5, 14)
    sheet.resistor(45.5, 3, 6.6, "coil")
    sheet.supply(45.5, 3, "coil supply")
    sheet.wire((45.5, 3), (48.1, 3))
    sheet.wire((45.5, 6.6), (48.1, 6.6))
    sheet.dot(45.5, 3)
    sheet.dot(45.5, 6.6)
    sheet.diode(48.1, 3, 6.6)
    sheet.text(48.7, 4.8, "flyback", "pin")
    sheet.text(36, 16.5, "Without its pull-down a gate keeps its charge,", "note")
    sheet.text(36, 17.4, "and the relay stays as it was.", "note")
    return sheet


SHEETS = {"chain.svg": chain, "drivers.svg": drivers}


def main(folder: Path) -> None:
    """Write all diagrams."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, draw in SHEETS.items():
        (folder / name).write_text(draw().svg(), encoding="utf-8")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    main(Path(sys.argv[1]))
