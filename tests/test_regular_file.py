"""Only regular files of a size are read; everything else is refused in words, and at once."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from controller.errors import InputError
from controller.regular_file import read_regular


def test_a_file_is_read_up_to_its_size(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"x" * 10)
    assert read_regular(path, most_bytes=10) == b"x" * 10
    with pytest.raises(InputError, match="larger than"):
        read_regular(path, most_bytes=9)


@pytest.mark.parametrize("name", ["/dev/zero", "/dev/null", "fifo"])
def test_what_is_no_file_is_refused_without_being_waited_for(tmp_path: Path, name: str) -> None:
    os.mkfifo(tmp_path / "fifo")
    with pytest.raises(InputError, match="a pipe, a socket or a device"):
        read_regular(tmp_path / name)


def test_folders_circles_and_missing_files_are_named(tmp_path: Path) -> None:
    (tmp_path / "circle").symlink_to(tmp_path / "circle")
    for name, words in ((".", "folder"), ("none", "no such file"), ("circle", "cannot be read")):
        with pytest.raises(InputError, match=words):
            read_regular(tmp_path / name)
    with pytest.raises(InputError, match="cannot be read"):
        read_regular(tmp_path / "a\0b")
