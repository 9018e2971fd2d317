"""Writing a record: line by line, each with one write and one fsync.

Knows: which events leave which line, and how a record is opened, continued and closed.
Must not know: how a run is made; it is a sink that events are handed to.

Every event is on the medium before `take` returns, with one exception: readings that only lead to
the one that is judged may wait for each other and share a line, but never for longer than
`BEHIND_S` after the line before. Whatever comes next, if only the device's answer to the routine
question, writes them.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from controller.clock import Clock
from controller.errors import ExitCode, InputError, RungwiseError
from controller.links.base import LinkStatus
from controller.records.codec import line_of_event, may_wait
from controller.records.compact import joined, shortened, shut
from controller.records.decode import understood
from controller.records.lines import FIRST_PREVIOUS, digest, encode_line, plain
from controller.records.reader import RECORD_FORMAT, Record, load_record
from controller.run.events import Event, LinkReported, RunFinished

try:
    import fcntl
except ModuleNotFoundError:  # not a POSIX system: `_lock` takes a file beside the record
    fcntl = None  # type: ignore[assignment]

__all__ = ["BEHIND_S", "RecordError", "RecordWriter"]

RUNS_FOLDER = "runs"

BEHIND_S = 5.0
"""How far, in seconds, a record may be behind with readings that nothing follows from."""

_LOCKS_THE_FILE: bool = fcntl is not None
_AS_BYTES = getattr(os, "O_BINARY", 0)
"""Where the system would change line ends on the way to the file, it must not."""

_STRICT = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)


class RecordError(RungwiseError):
    """The record could not be written on (disk full, medium gone) while a run was going on."""

    exit_code = ExitCode.LINK_FAULT


class RecordWriter:
    """Appends lines to a record. Use `create` or `resume`, then `take` every event.

    The first line that cannot be written raises RecordError, so that the run ends and parks;
    later events are then dropped, because the run must still be able to end in good order.
    `durable=False` syncs once, when it is closed: for runs in virtual time, which nothing but the
    record would slow down and which can simply be run again.
    """

    def __init__(
        self,
        path: Path,
        descriptor: int,
        *,
        clock: Clock,
        seq: int,
        previous: str,
        elapsed_s: float,
        plan: Mapping[str, Any],
        durable: bool,
        let_go: Callable[[], None],
    ) -> None:
        self.path = path
        self._descriptor: int | None = descriptor
        self._let_go = let_go
        self._clock = clock
        self._seq = seq
        self._new = seq == 0
        self._previous = previous
        self._origin_s = clock.now_s() - elapsed_s
        self._state_digits = int(plan["state_digits"])
        self._steps = plan.get("steps", [])
        self._durable = durable
        self._statuses: dict[int, LinkStatus] = {}
        self._waiting: list[dict[str, Any]] = []
        self._waiting_kind = ""
        self._written_s = clock.now_s()

    @classmethod
    def create(
        cls, path: Path, opening: Mapping[str, Any], *, clock: Clock, durable: bool = True
    ) -> RecordWriter:
        """Start a record with its opening line, made by `opening_content`.

        Raises InputError when the file exists already or cannot be made.
        """
        try:
            if path.parent.name == RUNS_FOLDER:  # the usual place; any other has to be there
                path.parent.mkdir(exist_ok=True)
            descriptor = os.open(
                path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | _AS_BYTES, 0o644
            )
        except FileExistsError:
            raise InputError.single(
                "this file exists already and is not overwritten",
                where=str(path),
                hint="name another with --record, or go on with it with --resume",
            ) from None
        except FileNotFoundError:
            raise InputError.single(
                f"there is no folder {str(path.parent)!r}",
                where=str(path),
                hint="make it first, or name another file",
            ) from None
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or error
            raise InputError.single(f"cannot be made: {reason}", where=str(path)) from None
        try:
            let_go = _lock(descriptor, path)
        except InputError:
            os.close(descriptor)
            raise
        writer = cls(
            path,
            descriptor,
            clock=clock,
            seq=0,
            previous=FIRST_PREVIOUS,
            elapsed_s=0.0,
            plan=opening["plan"],
            durable=durable,
            let_go=let_go,
        )
        try:
            writer.append("opening", {"format": RECORD_FORMAT, **shut(opening)})
        except RecordError as error:  # nothing has been driven yet, and nothing is lost
            with contextlib.suppress(OSError):
                path.unlink()
            raise InputError.single(str(error)) from None
        if durable:
            _sync_folder(path.parent)
        return writer

    @classmethod
    def resume(
        cls, path: Path, opening: Mapping[str, Any], *, clock: Clock, durable: bool = True
    ) -> tuple[RecordWriter, Record]:
        """Go on with a record whose plan and bench are those of `opening`.

        A torn tail is cut off. Returns the writer and what the record held. Raises InputError
        when the record is damaged, complete, or of another plan or bench.
        """
        descriptor = _opened_again(path)
        let_go = _nothing
        try:
            let_go = _lock(descriptor, path)
            record = load_record(path)
            understood(record, lambda: _check_resumable(record, opening))
            if record.torn_bytes:
                os.ftruncate(descriptor, record.whole_bytes)
        except OSError as error:
            os.close(descriptor)
            let_go()
            raise _not_writable(path, error) from None
        except BaseException:
            os.close(descriptor)
            let_go()
            raise
        writer = cls(
            path,
            descriptor,
            clock=clock,
            seq=record.line_count,
            previous=record.tail_hash,
            elapsed_s=float(record.lines[-1]["elapsed_s"]),
            plan=record.opening["plan"],
            durable=durable,
            let_go=let_go,
        )
        note: dict[str, Any] = {"text": "resumed", "first_step": record.first_unfinished}
        if record.torn_bytes:
            note["torn_bytes_cut"] = record.torn_bytes
        try:
            writer.append("note", note)
        except RecordError as error:  # nothing has been driven yet
            raise InputError.single(str(error)) from None
        return writer, record

    @property
    def tail_hash(self) -> str:
        """The SHA-256 of the last line written: once closed, the hash that pins the record."""
        return self._previous

    def take(self, event: Event) -> None:
        """Write the line an event leaves; most of the routine leaves none. Raises RecordError."""
        if isinstance(event, LinkReported):
            self._statuses[event.input] = event.status
        line = line_of_event(event, self._state_digits)
        if line is not None:
            kind, content = line
            if isinstance(event, RunFinished):
                content["link"] = self._link()
            if kind != self._waiting_kind:
                self._write_waiting()
            content = shortened(kind, plain(content), self._steps)
            self._waiting.append({"elapsed_s": self._elapsed_s(), **content})
            self._waiting_kind = kind
        behind_s = self._clock.now_s() - self._written_s
        if (line is not None and not may_wait(event)) or behind_s >= BEHIND_S:
            self._write_waiting()

    def _link(self) -> dict[str, int] | None:
        """Return how the links have fared together, as far as the devices have said."""
        if not self._statuses:
            return None
        every = self._statuses.values()
        return {
            "retries": sum(status.retries for status in every),
            "dropped": sum(status.dropped for status in every),
        }

    def append(self, kind: str, content: Mapping[str, Any]) -> None:
        """Write one line and wait until it is on the medium. Raises RecordError."""
        self._write_waiting()
        self._append(kind, plain(content))

    def _write_waiting(self) -> None:
        """Write what waits; it leaves one line, or one each where they say different things."""
        waiting, self._waiting = self._waiting, []
        for content in joined(waiting):
            self._append(self._waiting_kind, content)

    def _elapsed_s(self) -> float:
        return round(self._clock.now_s() - self._origin_s, 6)

    def _append(self, kind: str, content: Mapping[str, Any]) -> None:
        if self._descriptor is None:
            return
        raw = encode_line(
            kind,
            content,
            seq=self._seq,
            utc=self._clock.utc(),
            elapsed_s=self._elapsed_s(),
            previous=self._previous,
        )
        try:
            written = os.write(self._descriptor, raw)
            if written == len(raw) and self._durable:
                os.fsync(self._descriptor)
        except OSError as error:
            self.close()
            raise RecordError(f"{self.path}: cannot be written to: {error.strerror}") from None
        if written != len(raw):
            self.close()
            raise RecordError(f"{self.path}: cannot be written to: no space left")
        self._seq += 1
        self._previous = digest(raw)
        self._written_s = self._clock.now_s()

    def close(self) -> None:
        """Write what waits and let go of the file. Never raises; harmless when repeated."""
        with contextlib.suppress(RecordError):
            self._write_waiting()
        descriptor, self._descriptor = self._descriptor, None
        if descriptor is not None:
            with contextlib.suppress(OSError):
                if not self._durable:
                    os.fsync(descriptor)
            with contextlib.suppress(OSError):
                os.close(descriptor)
            self._let_go()

    def discard(self) -> None:
        """Take a record away that was begun here and tells of nothing; never one gone on with."""
        self.close()
        if self._new:
            with contextlib.suppress(OSError):
                self.path.unlink()


def _opened_again(path: Path) -> int:
    """Return a descriptor that appends to a record which is there. Raises InputError.

    A link is not followed: it may lead out of a folder that came from somebody else. Not to block
    keeps a pipe from holding the program up.
    """
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_APPEND | _AS_BYTES | _STRICT)
    except FileNotFoundError:
        raise InputError.single("there is no such file", where=str(path)) from None
    except (OSError, ValueError) as error:
        raise _not_writable(path, error) from None
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise InputError.single("this is not a file that can hold a record", where=str(path))
    return descriptor


def _not_writable(path: Path, error: OSError | ValueError) -> InputError:
    number = getattr(error, "errno", None)
    if number == errno.ELOOP:
        return InputError.single(
            "this is a link to another file", where=str(path), hint="name that file itself"
        )
    if number == errno.ENXIO:
        return InputError.single("this is not a file that can hold a record", where=str(path))
    reason = getattr(error, "strerror", None) or error
    return InputError.single(f"cannot be written to: {reason}", where=str(path))


def _nothing() -> None:
    """Let go of nothing."""


def _lock(descriptor: int, path: Path) -> Callable[[], None]:
    """Keep other runs from writing into the same record; return what lets go of it again.

    Raises InputError when another run has it. The lock is the record's own where the system knows
    such locks; elsewhere one on a file beside it, because a lock on the record would keep readers
    out as well. A file system that knows neither keeps nobody out.
    """
    refusal = InputError.single("another run is writing this record", where=str(path))
    if _LOCKS_THE_FILE:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise refusal from None
        except OSError:
            pass
        return _nothing
    from filelock import FileLock, Timeout

    beside = FileLock(path.with_name(f".{path.name}.lock"), timeout=0)
    try:
        beside.acquire()
    except Timeout:
        raise refusal from None
    except (OSError, NotImplementedError):
        return _nothing
    return beside.release


def _check_resumable(record: Record, opening: Mapping[str, Any]) -> None:
    """Raise InputError unless the record is of this plan and bench and has steps left."""
    for what, now in opening["hashes"].items():
        if record.opening["hashes"].get(what) != now:
            raise InputError.single(
                f"the {what} is not the one this record was begun with",
                where=str(record.path),
                hint="start a new record with --record",
            )
    if record.first_unfinished >= len(record.opening["plan"]["steps"]):
        raise InputError.single(
            "every step of this record has its result; there is nothing to resume",
            where=str(record.path),
        )


def _sync_folder(folder: Path) -> None:
    """Make the new name durable too, where the system can do that."""
    try:
        descriptor = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(descriptor)
    except OSError:
        pass
    finally:
        os.close(descriptor)
