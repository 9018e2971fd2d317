"""CRC-16/IBM-3740, the checksum of every frame.

Knows: polynomial 0x1021, initial value 0xFFFF, not reflected, no final xor.
Must not know: what is being protected.
"""

from __future__ import annotations

__all__ = ["crc16"]


def _table() -> tuple[int, ...]:
    """Return the remainder of each possible leading byte."""
    entries = []
    for byte in range(256):
        remainder = byte << 8
        for _ in range(8):
            remainder = (remainder << 1) ^ (0x1021 if remainder & 0x8000 else 0)
        entries.append(remainder & 0xFFFF)
    return tuple(entries)


_TABLE = _table()


def crc16(data: bytes) -> int:
    """Return the checksum; 0x29B1 for ASCII ``123456789``."""
    crc = 0xFFFF
    for byte in data:
        crc = ((crc << 8) & 0xFFFF) ^ _TABLE[(crc >> 8) ^ byte]
    return crc
