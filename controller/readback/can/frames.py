"""Classic CAN frames, who asks whom, and what a bus has to offer. Data only.

Knows: identifiers of diagnosis on CAN (ISO 15765-4; numbers from memory).
Must not know: adapters, services, time.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Protocol

__all__ = ["Address", "Addressing", "BusPort", "Frame"]


@dataclass(frozen=True, slots=True)
class Frame:
    """A data frame as it was heard."""

    identifier: int
    data: bytes
    extended: bool = False


@dataclass(frozen=True)
class Address:
    """Where one module is asked, and where it answers."""

    request_id: int
    response_id: int
    extended: bool = False

    @property
    def name(self) -> str:
        """The identifier that the module answers with, in hex: its name for people."""
        return f"{self.response_id:08X}" if self.extended else f"{self.response_id:03X}"


class Addressing(Enum):
    """The length of the identifiers that modules are asked with."""

    SHORT = "11-bit"
    LONG = "29-bit"

    @property
    def functional_id(self) -> int:
        """The identifier that asks all modules at once."""
        return 0x7DF if self is Addressing.SHORT else 0x18DB33F1

    def address_of(self, frame: Frame) -> Address | None:
        """Return whose answer a frame may be; None when it is none of diagnosis."""
        identifier = frame.identifier
        if self is Addressing.SHORT:
            if frame.extended or not 0x7E8 <= identifier <= 0x7EF:
                return None
            return Address(request_id=identifier - 8, response_id=identifier)
        if not frame.extended or identifier & 0xFFFFFF00 != 0x18DAF100:
            return None
        module = identifier & 0xFF
        return Address(request_id=0x18DA00F1 | module << 8, response_id=identifier, extended=True)


class BusPort(Protocol):
    """A bus that one thread owns. Raises ReadbackError where it fails."""

    @property
    def name(self) -> str:
        """The port's name for people."""

    @property
    def complaint(self) -> str:
        """What the adapter has complained of, as the end of a sentence; empty when of nothing."""

    def open(self) -> None:
        """Open it so that nothing is sent, not even an acknowledgement, where it can do that."""

    def go_active(self) -> None:
        """Take part in the bus from now on."""

    def send(self, frame: Frame) -> None:
        """Send a frame."""

    def receive(self, timeout_s: float) -> Frame | None:
        """Return the next data frame; None when none has come in time."""

    def close(self) -> None:
        """Let go of the bus. Never raises."""
