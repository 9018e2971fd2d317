"""What heavy machines broadcast by themselves (SAE J1939; numbers from memory).

Knows: identifiers, temperatures in broadcasts, active fault codes (DM1), long broadcasts (BAM).
Must not know: buses, readings, how anything is sent: nothing ever is.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

__all__ = ["DM1", "LONGEST_PACKET_GAP_S", "Broadcast", "Broadcasts", "Temperature", "active_codes"]

DM1 = 0xFECA
"""The group that tells active fault codes."""

_CONNECTION = 0xEC00
_DATA = 0xEB00
_ANNOUNCED = 32
LONGEST_PACKET_GAP_S = 0.75
"""T1: how long the next packet of a long broadcast may take."""


class Temperature(Enum):
    """A temperature that is broadcast: its SPN, the group (PGN) it is in, its first byte from 0."""

    COOLANT = "coolant"
    INTAKE_AIR = "intake-air"
    OIL = "oil"

    @property
    def spn(self) -> int:
        """The number of the parameter."""
        return {"coolant": 110, "intake-air": 105, "oil": 175}[self.value]

    @property
    def group(self) -> int:
        """The number of the group that carries it."""
        return 0xFEF6 if self is Temperature.INTAKE_AIR else 0xFEEE

    def celsius(self, data: bytes) -> float | None:
        """Return degC, or None where the broadcast has none (error, not available)."""
        match self:
            case Temperature.COOLANT:
                return _one_byte(data[0:1])
            case Temperature.INTAKE_AIR:
                return _one_byte(data[2:3])
            case Temperature.OIL:
                return _two_bytes(data[2:4])


def _one_byte(raw: bytes) -> float | None:
    """One degC a bit from -40; FB to FF are no measurement."""
    return raw[0] - 40.0 if raw and raw[0] <= 0xFA else None


def _two_bytes(raw: bytes) -> float | None:
    """1/32 K a bit from -273 degC, low byte first; from FB00 on no measurement."""
    value = int.from_bytes(raw, "little")
    return value / 32 - 273.0 if len(raw) == 2 and value <= 0xFAFF else None


def active_codes(data: bytes) -> tuple[str, ...]:
    """Return the codes of a DM1: two bytes of lamps, then four for each code.

    A code counts as such only when all four bytes are there.
    """
    found = []
    for at in range(2, len(data) - 3, 4):
        low, middle, high, count = data[at : at + 4]
        spn = low | middle << 8 | (high >> 5) << 16
        mode = high & 0x1F
        if (spn, mode) == (0, 0) or (low, middle, high) == (0xFF, 0xFF, 0xFF):
            continue
        other = " (older numbering)" if count & 0x80 else ""
        found.append(f"SPN {spn} FMI {mode}{other}")
    return tuple(dict.fromkeys(found))


@dataclass(frozen=True)
class Broadcast:
    """One group from one sender, whole."""

    group: int
    sender: int
    data: bytes


@dataclass
class _Long:
    group: int
    length: int
    packets: int
    parts: bytearray
    heard_s: float
    next: int = 1


class Broadcasts:
    """Puts broadcasts together. Time is an argument, in seconds.

    A long one is given up as soon as a packet is missing, out of order, repeated or late: what is
    left of it could only be made up.
    """

    def __init__(self) -> None:
        self._long: dict[int, _Long] = {}

    def take(self, identifier: int, data: bytes, now_s: float) -> Broadcast | None:
        """Take the next extended frame; return the broadcast that it completes."""
        sender, low = identifier & 0xFF, identifier >> 8 & 0xFF
        group = identifier >> 8 & 0x3FF00
        if group & 0xFF00 >= 0xF000:
            return Broadcast(group | low, sender, data)
        if low != 0xFF:
            return None  # to somebody, not to all
        if group == _CONNECTION:
            self._announced(sender, data, now_s)
        elif group == _DATA:
            return self._packet(sender, data, now_s)
        return None

    def _announced(self, sender: int, data: bytes, now_s: float) -> None:
        self._long.pop(sender, None)
        if len(data) != 8 or data[0] != _ANNOUNCED:
            return
        length, packets = data[1] | data[2] << 8, data[3]
        if 9 <= length <= 1785 and packets == -(-length // 7):
            group = data[5] | data[6] << 8 | data[7] << 16
            self._long[sender] = _Long(group, length, packets, bytearray(), now_s)

    def _packet(self, sender: int, data: bytes, now_s: float) -> Broadcast | None:
        long = self._long.get(sender)
        if long is None:
            return None
        late = now_s - long.heard_s > LONGEST_PACKET_GAP_S
        if late or len(data) != 8 or data[0] != long.next:
            del self._long[sender]
            return None
        long.parts += data[1:]
        long.heard_s = now_s
        long.next += 1
        if long.next <= long.packets:
            return None
        del self._long[sender]
        return Broadcast(long.group, sender, bytes(long.parts[: long.length]))
