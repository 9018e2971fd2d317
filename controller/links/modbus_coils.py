"""Coils of a Modbus RTU unit: FC15 sets all of them, FC01 reads them back, each answer checked.

Knows: pymodbus and its ways to fail; what makes an answer one to this question.
Must not know: what is believed of relays, when a state may be left again.

The line has no sequence numbers, so the library must not repeat a question by itself, and an
answer counts only when unit, function, address and count fit (MODBUS Application Protocol V1.1b3,
6.1 and 6.11). Which coils a late answer speaks of it does not say: see `clear`.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from controller.clock import Clock
from controller.links.boards import ModbusBoard
from controller.links.channel import ChannelError
from controller.links.coils import Doubt
from controller.links.serial import open_exclusively

if TYPE_CHECKING:
    from pymodbus.client import ModbusSerialClient

__all__ = ["ModbusCoils"]

_PARITY = {"none": "N", "even": "E", "odd": "O"}
_SLICE_S = 0.05

_EXCEPTIONS = {
    1: "it knows no such function",
    2: "it has no such coils",
    3: "it takes no such count",
    4: "it has failed",
    6: "it is busy",
}
"""What a board means by its exception codes (MODBUS Application Protocol V1.1b3, section 7)."""


class ModbusCoils:
    """A run of coils of one unit at a serial port."""

    def __init__(self, board: ModbusBoard, clock: Clock) -> None:
        self._board = board
        self._clock = clock
        self._client: ModbusSerialClient | None = None
        self._bytes = -(-board.outputs // 8)
        self._unanswered: set[int] = set()  # byte counts of proving questions without an answer

    @property
    def port(self) -> str:
        """The path or URL."""
        return self._board.url

    def open(self) -> str | None:
        """Open the port. Modbus coils do not say who they are."""
        try:
            from pymodbus.client import ModbusSerialClient
        except ImportError:
            raise ChannelError(
                "the library for Modbus is not installed", "pip install 'rungwise[modbus]'"
            ) from None
        logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)
        self.close()
        board = self._board
        client = ModbusSerialClient(
            board.url,
            baudrate=board.baud,
            parity=_PARITY[board.parity],
            stopbits=board.stop_bits,
            timeout=board.answer_s,
            retries=0,
        )
        # Opened here and not by the library, which tells nobody why a port does not open.
        client.socket = open_exclusively(
            board.url,
            baud=board.baud,
            parity=_PARITY[board.parity],
            stop_bits=board.stop_bits,
            read_timeout_s=board.answer_s,
        )
        self._client = client
        self._unanswered.clear()
        return None

    def write(self, state: int) -> None:
        """Set all coils; the answer names them and their count."""
        board = self._board
        values = [bool(state >> index & 1) for index in range(board.outputs)]
        answer = self._asked(
            lambda client: client.write_coils(board.first_coil, values, device_id=board.unit), 15
        )
        if (answer.address, answer.count) != (board.first_coil, board.outputs):
            raise Doubt(f"the answer speaks of {answer.count} coils from {answer.address}")

    def read(self) -> int:
        """Return what all coils are."""
        bits = self._bits(self._board.outputs)
        state = sum(1 << index for index, bit in enumerate(bits) if bit)
        if state >> self._board.outputs:
            raise Doubt("the answer has bits set beyond the last coil")
        return state

    def clear(self) -> None:
        """Wait out what may be under way, then let an answer of another length prove it is out.

        Boards answer in order: once one has answered a question whose answer cannot be mistaken
        for an earlier one, every earlier answer has come.
        """
        until_s = self._clock.now_s() + self._board.answer_s + self._board.wait_out_s
        while self._clock.now_s() < until_s:
            self._clock.sleep_s(_SLICE_S)
            self._drain()
        others = (size for size in range(1, self._bytes + 2) if size != self._bytes)
        size = next((one for one in others if one not in self._unanswered), None)
        if size is None:
            return  # all are outstanding: the waiting has to do
        self._unanswered.add(size)
        # A unit without that many coils refuses, and that is an answer to this question too.
        with suppress(_RefusalError):
            self._bits(8 * size)
        self._unanswered.clear()

    def close(self) -> None:
        """Let go of the port."""
        client, self._client = self._client, None
        if client is not None:
            with suppress(Exception):  # a port that is gone may fail in any way; it is gone
                client.close()  # type: ignore[no-untyped-call]

    def _bits(self, count: int) -> list[bool]:
        board = self._board
        answer = self._asked(
            lambda client: client.read_coils(board.first_coil, count=count, device_id=board.unit),
            1,
        )
        if len(answer.bits) != 8 * -(-count // 8):
            raise Doubt(f"the answer has {len(answer.bits)} bits where {count} were asked for")
        return list(answer.bits)

    def _asked(self, ask: Callable[[ModbusSerialClient], Any], function: int) -> Any:
        """Return the answer to one question, sent once. Raises Doubt and ChannelError."""
        from pymodbus.exceptions import ConnectionException, ModbusException

        client = self._client
        if client is None or client.socket is None:
            raise _gone()
        if stray := self._drain():
            raise Doubt(f"{stray} bytes came unasked")
        try:
            answer = ask(client)
        except ConnectionException:
            raise _gone() from None
        except ModbusException as error:
            raise Doubt(_without_answer(error)) from None
        except (OSError, ValueError, TypeError):
            raise _gone() from None
        except Exception as error:  # noqa: BLE001 - a torn answer makes the library fail in any way
            raise Doubt(f"an answer that cannot be read ({type(error).__name__})") from None
        if answer.dev_id != self._board.unit:
            raise Doubt(f"unit {answer.dev_id} answered in place of {self._board.unit}")
        if answer.function_code == function | 0x80:
            code = int(answer.exception_code)
            why = _EXCEPTIONS.get(code, f"exception {code}")
            raise _RefusalError(
                f"unit {self._board.unit} refuses: {why}",
                "do unit, first_coil and outputs in the bench file fit this board?",
            )
        if answer.function_code != function:
            raise Doubt(f"an answer to function {answer.function_code}, not {function}")
        return answer

    def _drain(self) -> int:
        """Throw away what has come; return how many bytes that was."""
        client = self._client
        if client is None or client.socket is None:
            raise _gone()
        try:
            return len(client.socket.read(client.socket.in_waiting))
        except Exception:  # noqa: BLE001 - however pyserial puts it: the port cannot be read
            raise _gone() from None


class _RefusalError(ChannelError):
    """The board has understood and says no: asking again is of no use."""


def _gone() -> ChannelError:
    return ChannelError("the port is gone", "plug it in again, and start again")


def _without_answer(error: Exception) -> str:
    return "an answer of another unit" if "device id" in str(error) else "no answer"
