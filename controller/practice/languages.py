"""What practice boards speak: Modbus RTU coils, and lines of text that are made up.

Knows: MODBUS Application Protocol V1.1b3 (FC01, FC05, FC15, exceptions) and the RTU frame of MODBUS
over Serial Line V1.02; the words of our own board. Must not know: terminals, faults.
"""

from __future__ import annotations

import struct

from controller.practice.board import Outputs

__all__ = ["ModbusLanguage", "TextLanguage"]


class ModbusLanguage:
    """Coils from address 0 on, of one unit."""

    def __init__(self, unit: int = 1) -> None:
        self._unit = unit

    def requests(self, data: bytes) -> tuple[list[bytes], bytes]:
        """Return the frames with a good checksum; bytes that begin none are thrown away."""
        found = []
        while len(data) >= 8:
            size = 9 + data[6] if data[1] == 15 else 8
            if len(data) < size:
                break
            if _checksum(data[: size - 2]) == data[size - 2 : size]:
                found.append(data[: size - 2])
                data = data[size:]
            else:
                data = data[1:]
        return found, data

    def answer(self, outputs: Outputs, request: bytes) -> bytes:
        """Return the frame that answers a request without its checksum."""
        unit, function = request[0], request[1]
        if unit != self._unit:
            return b""
        first, number = struct.unpack(">HH", request[2:6])
        if function == 5:
            if first >= outputs.count:
                return self._exception(function, 2)
            bit = 1 << first
            outputs.set(outputs.state | bit if number == 0xFF00 else outputs.state & ~bit)
            return _framed(request)
        if function not in (1, 15):
            return self._exception(function, 1)
        if not 1 <= number <= 2000:
            return self._exception(function, 3)
        if first + number > outputs.count:
            return self._exception(function, 2)
        mask = (1 << number) - 1
        if function == 1:
            state = outputs.state >> first & mask
            told = state.to_bytes(-(-number // 8), "little")
            return _framed(bytes([unit, function, len(told)]) + told)
        new = int.from_bytes(request[7:], "little") & mask
        outputs.set(outputs.state & ~(mask << first) | new << first)
        return _framed(request[:6])

    def of_another(self, answer: bytes) -> bytes:
        """Return the answer of the next unit."""
        return _framed(bytes([answer[0] % 247 + 1]) + answer[1:-2])

    def of_fewer(self, answer: bytes) -> bytes:
        """Return an answer to a set of one coil less, or to a reading of eight less."""
        frame = answer[:-2]
        if frame[1] == 15:
            (number,) = struct.unpack(">H", frame[4:6])
            return _framed(frame[:4] + struct.pack(">H", number - 1))
        if frame[1] == 1:
            return _framed(bytes([frame[0], 1, frame[2] - 1]) + frame[3:-1])
        return answer

    def _exception(self, function: int, code: int) -> bytes:
        return _framed(bytes([self._unit, function | 0x80, code]))


def _framed(frame: bytes) -> bytes:
    return frame + _checksum(frame)


def _checksum(frame: bytes) -> bytes:
    """Return the CRC of a frame as it stands on the line (Serial Line V1.02, 6.2.2)."""
    register = 0xFFFF
    for byte in frame:
        register ^= byte
        for _ in range(8):
            odd = register & 1
            register >>= 1
            if odd:
                register ^= 0xA001
    return register.to_bytes(2, "little")


class TextLanguage:
    """Our own made-up board: `quay put 0A3F`, `quay tell`, `quay who`, one line back for each."""

    def __init__(self, name: str = "Tern practice board") -> None:
        self._name = name

    def requests(self, data: bytes) -> tuple[list[bytes], bytes]:
        """Return the lines, ended by CR LF."""
        *lines, rest = data.split(b"\r\n")
        return lines, rest

    def answer(self, outputs: Outputs, request: bytes) -> bytes:
        """Return the line that answers a command."""
        digits = -(-outputs.count // 4)
        words = request.decode("ascii", "replace").split(" ")
        told = "what"
        match words:
            case ["quay", "put", text] if len(text) == digits:
                try:
                    state = int(text, 16)
                except ValueError:
                    state = -1
                if 0 <= state < 1 << outputs.count:
                    outputs.set(state)
                    told = f"took {text}"
            case ["quay", "tell"]:
                told = f"has {outputs.state:0{digits}X}"
            case ["quay", "who"]:
                told = f"is {self._name}"
        return f"quay {told}\r\n".encode("ascii")

    def of_another(self, answer: bytes) -> bytes:
        """Return the line of a board on another quay."""
        return b"pier " + answer.partition(b" ")[2]

    def of_fewer(self, answer: bytes) -> bytes:
        """Return a line with a digit less."""
        return answer[:-3] + answer[-2:]
