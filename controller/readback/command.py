"""Readings from a program that is run for each of them: any script can be the module's voice."""

from __future__ import annotations

import json
import math
import os
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import IO, Any

from controller.clock import Clock
from controller.errors import InputError, ReadbackError
from controller.readback.base import Prompt, Reading
from controller.units import KELVIN_AT_ZERO_CELSIUS

__all__ = ["CommandReadback", "reading_of"]

_MOST_BYTES = 65_536
_SHOWN = 200


class CommandReadback:
    """Runs a program, without a shell, again and again while a prompt is open.

    The program gets the number of the step, from 1, as RUNGWISE_STEP in its environment, and runs
    in `folder`. It has `timeout_s` for its answer on standard output: one number in degC, or a line
    of JSON with `celsius` (a number, or null where the module shows none) and, if it likes, `volts`
    and `codes`. What it writes to standard error is shown when it fails. `interval_s` lies between
    two starts at least.
    """

    continuous = True

    def __init__(
        self,
        command: Sequence[str],
        clock: Clock,
        *,
        folder: Path,
        timeout_s: float,
        interval_s: float,
    ) -> None:
        self.name = f"command {command[0]!r}"
        self._command = list(command)
        self._clock = clock
        self._folder = folder
        self._timeout_s = timeout_s
        self._interval_s = interval_s
        self._prompt: Prompt | None = None
        self._running: subprocess.Popen[bytes] | None = None
        self._files: tuple[IO[bytes], IO[bytes]] | None = None
        self._began_s = -math.inf

    def open(self) -> None:
        """Look for the program. Raises InputError when there is none of that name."""
        import shutil

        program = self._command[0]
        beside = self._folder / program
        if shutil.which(program) is None and not os.access(beside, os.X_OK):
            raise InputError.single(
                f"there is no program {program!r}", where=self.name, hint="see readback.command"
            )

    def codes(self) -> None:
        """Return nothing: codes come with the readings, where the program tells them."""

    def ask(self, prompt: Prompt) -> None:
        """Begin a prompt: what is running for an earlier one is stale and is ended."""
        self._end()
        self._prompt = prompt

    def poll(self) -> Reading | None:
        """Return the answer of a run of the program that has ended; start the next when due.

        Raises ReadbackError when it fails, takes too long, or says what is no reading.
        """
        if self._prompt is None:
            return None
        now_s = self._clock.now_s()
        if self._running is None:
            if now_s - self._began_s >= self._interval_s:
                self._start(now_s)
            return None
        status = self._running.poll()
        if status is None:
            if now_s - self._began_s > self._timeout_s:
                self._end()
                raise ReadbackError(
                    f"no answer within {self._timeout_s:g} s", source=self.name, hint="timeout_s"
                )
            return None
        said, complaint = self._taken()
        if status != 0:
            raise ReadbackError(
                f"ended with status {status}: {complaint[-_SHOWN:].strip() or 'it said nothing'}",
                source=self.name,
            )
        return reading_of(said, token=self._prompt.token, at_s=now_s, source=self.name)

    def close(self) -> None:
        """End what is running."""
        self._prompt = None
        self._end()

    def _start(self, now_s: float) -> None:
        assert self._prompt is not None  # noqa: S101 - poll() has seen to it
        # Files, not pipes: a program that says a lot never waits for us, nor we for it.
        # `_end` closes them.
        self._files = (tempfile.TemporaryFile(), tempfile.TemporaryFile())  # noqa: SIM115
        environment = {**os.environ, "RUNGWISE_STEP": str(self._prompt.step_index + 1)}
        program = self._folder / self._command[0]
        first = str(program) if os.access(program, os.X_OK) else self._command[0]
        try:
            self._running = subprocess.Popen(  # noqa: S603 - the user's own program, without a shell
                [first, *self._command[1:]],
                stdin=subprocess.DEVNULL,
                stdout=self._files[0],
                stderr=self._files[1],
                cwd=self._folder,
                env=environment,
            )
        except OSError as error:
            self._end()
            raise ReadbackError(f"cannot be started: {error.strerror}", source=self.name) from None
        self._began_s = now_s

    def _taken(self) -> tuple[str, str]:
        """Return what the program has said on standard output and standard error."""
        assert self._files is not None  # noqa: S101 - it has run
        texts = []
        for file in self._files:
            file.seek(0)
            texts.append(file.read(_MOST_BYTES).decode("utf-8", "replace"))
        self._end()
        return texts[0], texts[1]

    def _end(self) -> None:
        if self._running is not None and self._running.poll() is None:
            self._running.kill()
            self._running.wait()
        self._running = None
        for file in self._files or ():
            file.close()
        self._files = None


def reading_of(said: str, *, token: int, at_s: float, source: str) -> Reading:
    """Return the reading that a program has told: one number in degC, or one line of JSON.

    Raises ReadbackError for anything else.
    """
    text = said.strip()
    try:
        told: Any = json.loads(text)
    except ValueError:
        told = text
    if isinstance(told, dict) and "celsius" in told:
        celsius, volts, codes = told["celsius"], told.get("volts"), told.get("codes", [])
    else:
        celsius, volts, codes = told, None, []
    sound = (
        ((celsius is None and isinstance(told, dict)) or _is_temperature(celsius))
        and (volts is None or _is_number(volts))
        and isinstance(codes, list)
        and all(isinstance(code, str) for code in codes)
    )
    if not sound:
        raise ReadbackError(
            f"{text[:_SHOWN]!r} is not a reading",
            source=source,
            hint='print one number in degC, or {"celsius": 83.0}',
        )
    return Reading(
        token=token,
        celsius=None if celsius is None else float(celsius),
        at_s=at_s,
        volts=None if volts is None else float(volts),
        codes=tuple(codes),
    )


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _is_temperature(value: object) -> bool:
    return _is_number(value) and float(value) >= -KELVIN_AT_ZERO_CELSIUS  # type: ignore[arg-type]
