"""Operation counts: kept across runs, replaced whole, never silently lost."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import pytest

from controller.errors import InputError
from controller.ladder.wear import add_operations, load_operations, wear_warnings


def test_counts_add_up_across_runs_and_ladders(tmp_path, make_series):
    path = tmp_path / "data" / "wear.json"
    first = make_series([1.0, 2.0])
    second = replace(make_series([1.0, 2.0, 4.0]), name="another ladder")
    assert load_operations(path, first) == (0, 0)
    assert add_operations(path, first, [3, 4]) == (3, 4)
    assert add_operations(path, second, [1, 1, 1]) == (1, 1, 1)
    assert add_operations(path, first, [10, 0]) == (13, 4)
    assert load_operations(path, first) == (13, 4)
    assert load_operations(path, second) == (1, 1, 1)
    assert {entry.name for entry in path.parent.iterdir()} == {"wear.json", ".wear.json.lock"}


def test_a_changed_relay_count_keeps_what_is_known(tmp_path, make_series):
    path = tmp_path / "wear.json"
    add_operations(path, make_series([1.0, 2.0, 4.0]), [1, 2, 3])
    assert add_operations(path, make_series([1.0, 2.0]), [1, 1]) == (2, 3)
    assert load_operations(path, make_series([1.0] * 4)) == (2, 3, 3, 0)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        '{"format": "other/1", "ladders": {}}',
        '{"format": "rungwise-wear/1"}',
        '{"format": "rungwise-wear/1", "ladders": {"x": [1, -2]}}',
        '{"format": "rungwise-wear/1", "ladders": {"x": [true]}}',
        '{"format": "rungwise-wear/1", "ladders": {"x": 3}}',
    ],
)
def test_a_file_that_cannot_be_understood_is_refused_and_kept(tmp_path, make_series, text):
    path = tmp_path / "wear.json"
    path.write_text(text)
    with pytest.raises(InputError, match=r"wear\.json"):
        add_operations(path, make_series([1.0]), [1])
    assert path.read_text() == text


def test_bytes_that_are_no_text_are_refused(tmp_path, make_series):
    path = tmp_path / "wear.json"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="cannot be read"):
        load_operations(path, make_series([1.0]))


def test_a_failed_write_leaves_the_old_counts(tmp_path, make_series, monkeypatch):
    path = tmp_path / "wear.json"
    ladder = make_series([1.0])
    add_operations(path, ladder, [5])

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="No space left"):
        add_operations(path, ladder, [5])
    monkeypatch.undo()
    assert load_operations(path, ladder) == (5,)
    assert {entry.name for entry in tmp_path.iterdir()} == {"wear.json", ".wear.json.lock"}


def test_a_folder_in_the_way_is_an_input_error(tmp_path, make_series):
    with pytest.raises(InputError):
        add_operations(tmp_path, make_series([1.0]), [1])


def test_counts_of_the_wrong_length_are_a_mistake_of_ours(tmp_path, make_series):
    with pytest.raises(ValueError, match="one count"):
        add_operations(tmp_path / "wear.json", make_series([1.0]), [1, 2])


def test_warnings_at_a_share_of_the_rated_life(make_series):
    ladder = make_series([1.0, 2.0, 4.0])
    rated = tuple(
        replace(relay, rated_operations=life)
        for relay, life in zip(ladder.relays, (100, 100, None), strict=True)
    )
    ladder = replace(ladder, relays=rated)
    assert wear_warnings(ladder, [79, 10, 10**9]) == ()
    (near,) = wear_warnings(ladder, [80, 10, 10**9])
    assert "relay 0 has 80 of 100" in near
    (past,) = wear_warnings(ladder, [0, 100, 0])
    assert "worn out" in past
    assert len(wear_warnings(ladder, [50, 50, 0], share=0.5)) == 2


def test_the_file_is_plain_json(tmp_path, make_series):
    path: Path = tmp_path / "wear.json"
    add_operations(path, make_series([1.0]), [2])
    assert json.loads(path.read_text()) == {
        "format": "rungwise-wear/1",
        "ladders": {"ladder under test": [2]},
    }
