"""CRC-16/IBM-3740, the checksum of every frame.

Knows: polynomial 0x1021, initial value 0xFFFF, not reflected, no final xor.
Must not know: what is being protected.
"""

from __future__ import annotations

import binascii

__all__ = ["crc16"]


def crc16(data: bytes) -> int:
    """Return the checksum; 0x29B1 for ASCII ``123456789``.

    The standard library's `crc_hqx` has this polynomial and takes the initial value.
    """
    return binascii.crc_hqx(data, 0xFFFF)
