"""Writing a file that must not exist yet: whole, or not at all.

What somebody has once written is never written over, and a file that could not be written to its
end, on a full disk for example, is taken away again: half of it would pass for the whole.
"""

from __future__ import annotations

from pathlib import Path

from controller.errors import InputError

__all__ = ["refuse_existing", "write_new"]


def write_new(path: Path, content: str | bytes, *, hint: str | None = None) -> None:
    """Write a new file; text as UTF-8. Raises InputError, with `hint` where one exists already."""
    data = content.encode("utf-8") if isinstance(content, str) else content
    refuse_existing(path, hint=hint)
    try:
        with path.open("xb") as file:
            try:
                file.write(data)
                file.flush()
            except OSError:
                path.unlink(missing_ok=True)
                raise
    except FileExistsError:
        raise _exists(path, hint) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError.single(f"cannot be written: {reason}", where=str(path)) from None


def refuse_existing(path: Path, *, hint: str | None = None) -> None:
    """Refuse, before anything else is done, what `write_new` would refuse. Raises InputError."""
    try:
        there = path.exists()
    except OSError:
        return  # writing it will say what is wrong
    if there:
        raise _exists(path, hint)


def _exists(path: Path, hint: str | None) -> InputError:
    return InputError.single(
        "this file exists already and is not overwritten", where=str(path), hint=hint
    )
