"""The errors a user can cause, and what each of them has to say.

Knows: the exit codes of the command line, and that every error names what went wrong, where,
what to do, and (for the hardware) whether the relay state is known.
Must not know: anything else of the project. Every other part may import this one.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum, IntEnum

__all__ = [
    "ExitCode",
    "InputError",
    "LinkError",
    "Problem",
    "ReadbackError",
    "RelayKnowledge",
    "RungwiseError",
    "SpanError",
]


class ExitCode(IntEnum):
    """What the process says with its exit status."""

    PASS = 0
    FAIL = 1
    BAD_INPUT = 2
    LINK_FAULT = 3
    UNDECIDED = 4
    INTERRUPTED = 130


class RelayKnowledge(Enum):
    """What is known of the relays at the moment an error is reported."""

    NOT_DRIVEN = "nothing was driven"
    PARKED = "the ladder is parked"
    KNOWN = "the relay state is known"
    UNKNOWN = "the relay state is unknown"


class RungwiseError(Exception):
    """Base of every error that is shown to a person without a traceback."""

    exit_code: ExitCode = ExitCode.BAD_INPUT


@dataclass(frozen=True, kw_only=True)
class Problem:
    """One thing that is wrong with an input.

    `where` is a file path or the name of an argument; `key` a dotted path such as
    ``group[0].rungs[2].ohms``; `line` counts from 1; `hint` says what to do.
    """

    message: str
    where: str | None = None
    key: str | None = None
    line: int | None = None
    hint: str | None = None

    def __str__(self) -> str:
        place = self.where or ""
        if self.line is not None:
            place += f":{self.line}" if place else f"line {self.line}"
        parts = [p for p in (place, self.key) if p]
        text = ": ".join([*parts, self.message])
        return f"{text} ({self.hint})" if self.hint else text


class InputError(RungwiseError):
    """A file or an argument was refused before anything was driven. Carries all its problems."""

    exit_code = ExitCode.BAD_INPUT

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        if not self.problems:
            raise ValueError("an InputError needs at least one problem")
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def __reduce__(self) -> tuple[type[InputError], tuple[tuple[Problem, ...]]]:
        """Come whole out of another process: an exception is made anew of its words otherwise."""
        return type(self), (self.problems,)

    @classmethod
    def single(
        cls,
        message: str,
        *,
        where: str | None = None,
        key: str | None = None,
        line: int | None = None,
        hint: str | None = None,
    ) -> InputError:
        """Return an error that carries one problem."""
        return cls([Problem(message=message, where=where, key=key, line=line, hint=hint)])


class SpanError(InputError):
    """A temperature or a resistance lies outside the span a curve is valid for."""


class LinkError(RungwiseError):
    """The way to the ladder failed.

    `port` names the link, `relays` says what is known of the relay state, `hint` what to do.
    """

    exit_code = ExitCode.LINK_FAULT

    def __init__(
        self, message: str, *, port: str, relays: RelayKnowledge, hint: str | None = None
    ) -> None:
        self.message = message
        self.port = self.source = port
        self.relays = relays
        self.hint = hint
        super().__init__(str(self))

    def __str__(self) -> str:
        text = f"{self.port}: {self.message}; {self.relays.value}"
        return f"{text} ({self.hint})" if self.hint else text


class ReadbackError(RungwiseError):
    """The way to the module's readings failed.

    `source` names the readback, `hint` says what to do. What is known of the relays is for
    whoever drives them to say.
    """

    exit_code = ExitCode.LINK_FAULT

    def __init__(self, message: str, *, source: str, hint: str | None = None) -> None:
        self.message = message
        self.source = source
        self.hint = hint
        text = f"{source}: {message}"
        super().__init__(f"{text} ({hint})" if hint else text)
