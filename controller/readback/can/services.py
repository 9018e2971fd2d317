"""What is asked and what answers mean: services 01, 03, 04, 07, 0A and 22 (ISO 15031-5, SAE J1979).

Knows: the bytes of requests and answers, degC, fault codes.
Must not know: frames, buses, time. Service 09 is left out on purpose: it tells whose machine it is.

Numbers are from memory where tests/reference has none.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Final

__all__ = [
    "CLEAR_CODES",
    "CODE_QUESTIONS",
    "RESPONSE_PENDING",
    "TRY_AGAIN",
    "Quantity",
    "Question",
    "Service",
    "code_text",
    "codes_in",
    "pid_question",
    "refusal",
    "refusal_words",
    "supported_pids",
]

RESPONSE_PENDING: Final = 0x78
TRY_AGAIN: Final = 0x21
_NEGATIVE: Final = 0x7F
_REASONS = {
    0x10: "general reject",
    0x11: "the service is not supported",
    0x12: "the parameter is not supported",
    0x21: "busy, ask again",
    0x22: "conditions are not right",
    0x31: "the parameter is out of range",
    0x33: "security access is denied",
    0x7F: "the service is not supported in this session",
}


class Service(Enum):
    """The service that current data are asked with; 22 has the same numbers behind F4."""

    CURRENT_DATA = "01"
    BY_IDENTIFIER = "22"


@dataclass(frozen=True)
class Question:
    """A request, and how its answer begins."""

    request: bytes
    answer: bytes

    @property
    def name(self) -> str:
        """The request in hex, for people."""
        return self.request.hex(" ").upper()


def pid_question(pid: int, service: Service) -> Question:
    """Ask for one parameter."""
    if service is Service.CURRENT_DATA:
        return Question(bytes([0x01, pid]), bytes([0x41, pid]))
    return Question(bytes([0x22, 0xF4, pid]), bytes([0x62, 0xF4, pid]))


CODE_QUESTIONS: tuple[tuple[Question, str], ...] = (
    (Question(b"\x03", b"\x43"), ""),
    (Question(b"\x07", b"\x47"), " (pending)"),
    (Question(b"\x0a", b"\x4a"), " (permanent)"),
)
"""Questions after fault codes, and what is put behind a code that came up there."""

CLEAR_CODES = Question(b"\x04", b"\x44")


class Quantity(Enum):
    """A temperature that can be asked for."""

    COOLANT = "coolant"
    INTAKE_AIR = "intake-air"
    AMBIENT_AIR = "ambient-air"
    OIL = "oil"
    COOLANT_1 = "coolant-sensor-1"
    COOLANT_2 = "coolant-sensor-2"

    @property
    def pid(self) -> int:
        """The parameter's number."""
        return _PIDS[self][0]

    def celsius(self, data: bytes) -> float | None:
        """Return degC from what stands behind the echo of the number; None: no value.

        Raises ValueError when that is too short.
        """
        return _PIDS[self][1](data)


def _one_byte(data: bytes) -> float:
    if not data:
        raise ValueError("an answer without a value")
    return data[0] - 40.0


def _one_of_two(sensor: int) -> Callable[[bytes], float | None]:
    def celsius(data: bytes) -> float | None:
        if len(data) < 2 + sensor:
            raise ValueError("an answer without a value")
        return data[1 + sensor] - 40.0 if data[0] >> sensor & 1 else None

    return celsius


_PIDS: Mapping[Quantity, tuple[int, Callable[[bytes], float | None]]] = {
    Quantity.COOLANT: (0x05, _one_byte),
    Quantity.INTAKE_AIR: (0x0F, _one_byte),
    Quantity.AMBIENT_AIR: (0x46, _one_byte),
    Quantity.OIL: (0x5C, _one_byte),
    Quantity.COOLANT_1: (0x67, _one_of_two(0)),
    Quantity.COOLANT_2: (0x67, _one_of_two(1)),
}


def supported_pids(base: int, data: bytes) -> frozenset[int]:
    """Return the parameters that the four bytes behind the echo of 00, 20, 40... list."""
    bits = int.from_bytes(data[:4].ljust(4, b"\x00"), "big")
    return frozenset(base + n for n in range(1, 33) if bits >> (32 - n) & 1)


def code_text(high: int, low: int) -> str:
    """Return a fault code as it is written: two bytes, SAE J2012."""
    return f"{'PCBU'[high >> 6]}{high >> 4 & 3}{high & 0x0F:X}{low:02X}"


def codes_in(message: bytes) -> tuple[str, ...]:
    """Return the codes in an answer to 03, 07 or 0A. On CAN a count stands before them.

    Raises ValueError when there are fewer than the count says.
    """
    pairs = message[2:]
    if len(message) < 2 or len(pairs) < 2 * message[1]:
        raise ValueError(f"an answer about codes that is cut short: {message.hex(' ')}")
    found = [(pairs[2 * n], pairs[2 * n + 1]) for n in range(message[1])]
    return tuple(code_text(high, low) for high, low in found if high or low)


def refusal(message: bytes) -> tuple[int, int] | None:
    """Return the refused service and the reason's number, when an answer is a refusal."""
    if len(message) >= 3 and message[0] == _NEGATIVE:
        return message[1], message[2]
    return None


def refusal_words(service: int, reason: int) -> str:
    """Say a refusal in words: ``7F 01 12, the parameter is not supported``."""
    words = f"7F {service:02X} {reason:02X}"
    return f"{words}, {_REASONS[reason]}" if reason in _REASONS else words
