"""New files are written whole or not at all, and nothing that exists is written over.

A full disk is the device that the Linux manual page full(4) describes: every write to it fails
with ENOSPC.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from controller.errors import InputError
from controller.new_file import refuse_existing, write_new


def test_text_is_written_as_utf_8(tmp_path: Path) -> None:
    write_new(tmp_path / "a.txt", "20 °C\n")
    assert (tmp_path / "a.txt").read_bytes() == "20 °C\n".encode()


def test_what_exists_stays_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_text("old")
    for attempt in (
        lambda: write_new(path, "new", hint="name another"),
        lambda: refuse_existing(path),
    ):
        with pytest.raises(InputError, match="exists already and is not overwritten"):
            attempt()
    assert path.read_text() == "old"


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be written: No such file") as caught:
        write_new(tmp_path / "nowhere" / "a.txt", "new")
    assert caught.value.problems[0].where == str(tmp_path / "nowhere" / "a.txt")


def test_a_full_disk_leaves_no_half_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.txt"
    real_open = Path.open

    def opened(self: Path, *arguments: object, **named: object) -> object:
        real_open(self, *arguments, **named).close()  # type: ignore[call-overload]
        return real_open(Path("/dev/full"), "wb")

    if not Path("/dev/full").exists():
        pytest.skip("no /dev/full here")
    monkeypatch.setattr(Path, "open", opened)
    with pytest.raises(InputError, match=os.strerror(errno.ENOSPC)):
        write_new(path, "x" * 100_000)
    assert not path.exists()
