"""Where words go: results to standard output, everything else to standard error.

With ``--json`` standard output gets exactly one JSON document. When something goes wrong that is
``{"error": {"kind", "message", "exit_code", "problems"}}``, or "relays" and "cause" in place of the
problems; the same in words goes to standard
error. A stream that nobody reads any more falls silent: a run must be able to end in good order
after its terminal has gone.
"""

from __future__ import annotations

import contextlib
import json as json_module
import os
import sys
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, TextIO

from controller.errors import InputError, LinkError, ReadbackError, RungwiseError
from controller.text import clean, number, one_line, table
from controller.units import fahrenheit_from_celsius

__all__ = ["Output"]

_COLOURS = {"pass": "32", "fail": "31", "fault": "31", "undecided": "33"}


class Output:
    """One run's voice."""

    def __init__(
        self,
        *,
        json: bool = False,
        fahrenheit: bool = False,
        format: str = "rungwise-output/1",  # noqa: A002 - the key's name
    ) -> None:
        self.lost: str | None = None
        """Why standard output took no more, if it did not; a reader who went away is no reason."""
        self.json = json
        self.format = format
        self._gathered: list[Mapping[str, Any]] | None = None
        self.fahrenheit = fahrenheit and not json
        plain = bool(os.environ.get("NO_COLOR")) or os.environ.get("TERM") == "dumb"
        self._colour_out = sys.stdout.isatty() and not plain and not json
        self.live = sys.stderr.isatty() and os.environ.get("TERM") != "dumb"

    @property
    def degrees(self) -> str:
        """The unit that temperatures are shown in."""
        return "degF" if self.fahrenheit else "degC"

    def temperature(self, celsius: float | None, digits: int = 2) -> str:
        """Write a temperature in the unit asked for, without the unit."""
        if celsius is not None and self.fahrenheit:
            celsius = fahrenheit_from_celsius(celsius)
        return number(celsius, digits)

    def difference(self, kelvin: float | None, digits: int = 2, *, sign: bool = False) -> str:
        """Write a temperature difference in the unit asked for, without the unit."""
        if kelvin is not None and self.fahrenheit:
            kelvin *= 1.8
        return number(kelvin, digits, sign=sign)

    def say(self, text: str = "") -> None:
        """Print a line of the result, unless JSON is asked for."""
        if not self.json:
            self._print(clean(text) + "\n")

    def raw(self, text: str) -> None:
        """Print a text that is meant for another program as it is."""
        self._print(text)

    def say_table(self, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        """Print an aligned table."""
        for line in table(heads, rows):
            self.say(line)

    def say_verdict(self, verdict: str, sentence: str) -> None:
        """Print the sentence a run ends with; the verdict's word stands first, coloured or not.

        In place of a verdict the word may be "fault", see `controller.run.summary.headline`.
        """
        word = verdict.upper()
        if self._colour_out and verdict in _COLOURS:
            word = f"\x1b[{_COLOURS[verdict]};1m{word}\x1b[0m"
        if not self.json:
            self._print(f"{word}: {one_line(sentence)}\n")

    def warn(self, text: str) -> None:
        """Print a line to standard error."""
        _write(sys.stderr, clean(text) + "\n")

    def document(self, content: Mapping[str, Any]) -> None:
        """Print the one JSON document, when JSON is asked for."""
        if self.json:
            from controller.records.lines import plain

            self._put(plain(content))

    def error(self, error: RungwiseError) -> None:
        """Say what went wrong: in words, and as the JSON document when JSON is asked for."""
        for line in str(error).splitlines():
            self.warn(f"rungwise: {line}")
        if self.json:
            content: dict[str, Any] = {
                "kind": "bad-input" if isinstance(error, InputError) else "fault",
                "message": str(error),
                "exit_code": int(error.exit_code),
            }
            if isinstance(error, InputError):
                content["problems"] = [vars(problem) for problem in error.problems]
            if isinstance(error, LinkError):
                content["relays"] = error.relays.value
                content["cause"] = {
                    "source": error.source,
                    "message": error.message,
                    "hint": error.hint,
                }
            if isinstance(error, ReadbackError):
                content["cause"] = {
                    "source": error.source,
                    "message": error.message,
                    "hint": error.hint,
                }
            self._put({"error": content})

    @contextlib.contextmanager
    def together(self, key: str) -> Iterator[None]:
        """Print the documents of the block as one, in an array under a key."""
        gathered: list[Mapping[str, Any]] = []
        self._gathered = gathered
        try:
            yield
        finally:
            self._gathered = None
            if self.json:
                self._put({key: gathered})

    def _put(self, content: Mapping[str, Any]) -> None:
        if self._gathered is not None:
            self._gathered.append(content)
            return
        stamped = {"format": self.format, **content}
        text = json_module.dumps(stamped, allow_nan=False, indent=2)
        self._print(text + "\n")

    def _print(self, text: str) -> None:
        error = _write(sys.stdout, text)
        if isinstance(error, OSError) and not isinstance(error, BrokenPipeError):
            self.lost = self.lost or error.strerror

    def progress(self, text: str) -> None:
        """Show a line on the terminal in place of the one before; nothing elsewhere."""
        if self.live:
            _write(sys.stderr, f"\r{one_line(text)}\x1b[K")

    def end_progress(self) -> None:
        """Take the line that `progress` shows away."""
        if self.live:
            _write(sys.stderr, "\r\x1b[K")


def _write(stream: TextIO, text: str) -> OSError | ValueError | None:
    """Write at once; return what went wrong. From then on the stream leads nowhere."""
    try:
        try:
            stream.write(text)
        except UnicodeEncodeError:
            stream.write(text.encode("ascii", "backslashreplace").decode("ascii"))
        stream.flush()
    except (OSError, ValueError) as error:
        # Python would try again, and complain, when it flushes the stream at exit.
        with contextlib.suppress(OSError, ValueError):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, stream.fileno())
            os.close(nowhere)
        return error
    return None
