"""An adapter between a serial line and a CAN bus that speaks lines of text (slcan, from memory).

Knows: the lines, bit rates, when an adapter may not send.
Must not know: ports, modules, readbacks, clocks.
"""

from __future__ import annotations

from collections.abc import Callable

from controller.stand_in.module import Wire

__all__ = ["LineAdapter"]

_RATES = (10_000, 20_000, 50_000, 100_000, 125_000, 250_000, 500_000, 800_000, 1_000_000)
_OK, _BELL = b"\r", b"\x07"


class LineAdapter:
    """Takes lines from the host and gives lines to it. `to_bus` gets what is sent.

    At another bit rate than `bus_bitrate` nothing is heard, and sending fails. `disturbed` says
    whether the adapter ever took part at a wrong bit rate.
    """

    def __init__(self, to_bus: Callable[[Wire], None], *, bus_bitrate: int = 500_000) -> None:
        self._to_bus = to_bus
        self._bus_bitrate = bus_bitrate
        self._line = bytearray()
        self.bitrate: int | None = None
        self.opened = False
        self.listens_only = False
        self.disturbed = False
        self.sent = 0
        """How many frames have gone to the bus."""
        self.fails = False
        """Answer every frame to be sent with BEL."""

    def receive(self, data: bytes) -> bytes:
        """Take bytes from the host; return what is answered at once."""
        out = b""
        for byte in data:
            if byte == 0x0D:
                out += self._command(bytes(self._line).decode("ascii", "replace"))
                self._line.clear()
            elif len(self._line) < 64:
                self._line.append(byte)
        return out

    def deliver(self, wire: Wire) -> bytes:
        """Return the line for a frame that was on the bus; nothing when it is not heard."""
        if not self.opened or self.bitrate != self._bus_bitrate:
            return b""
        head = f"T{wire.identifier:08X}" if wire.extended else f"t{wire.identifier:03X}"
        return f"{head}{len(wire.data)}{wire.data.hex().upper()}\r".encode("ascii")

    def _command(self, line: str) -> bytes:
        match line[:1]:
            case "":
                return _OK
            case "S" if line[1:].isdigit() and int(line[1:]) < len(_RATES):
                if self.opened:
                    return _BELL
                self.bitrate = _RATES[int(line[1:])]
                return _OK
            case "O" | "L":
                if self.opened or self.bitrate is None:
                    return _BELL
                self.opened, self.listens_only = True, line[0] == "L"
                if not self.listens_only and self.bitrate != self._bus_bitrate:
                    self.disturbed = True
                return _OK
            case "C":
                was_open, self.opened = self.opened, False
                return _OK if was_open else _BELL
            case "V":
                return b"V0101\r"
            case "t" | "T":
                return self._send(line)
            case _:
                return _BELL

    def _send(self, line: str) -> bytes:
        digits = 8 if line[0] == "T" else 3
        try:
            identifier, length = int(line[1 : 1 + digits], 16), int(line[1 + digits])
            data = bytes.fromhex(line[2 + digits :])
        except (ValueError, IndexError):
            return _BELL
        able = self.opened and not self.listens_only and self.bitrate == self._bus_bitrate
        if not able or self.fails or len(data) != length:
            return _BELL
        self.sent += 1
        self._to_bus(Wire(identifier, digits == 8, data))
        return b"Z\r" if digits == 8 else b"z\r"
