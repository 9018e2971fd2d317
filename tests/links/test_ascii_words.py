"""Patterns of boards that take lines of text."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.links.ascii_words import STATE_PLACES, Words, pattern_problem


@given(
    outputs=st.integers(1, 64), place=st.sampled_from(STATE_PLACES), data=st.data(),
    before=st.text("ab .:?*+(", max_size=5), after=st.text("xy .:?*+(", max_size=5),
)  # fmt: skip
def test_what_is_filled_in_is_read_back(outputs, place, data, before, after) -> None:
    state = data.draw(st.integers(0, (1 << outputs) - 1))
    words, pattern = Words(outputs), f"{before}{{{place}}}{after}"
    assert pattern_problem(pattern, states=1) is None
    line = words.filled(pattern, state)
    assert words.fits(pattern, line)
    assert words.state_in(pattern, line) == state


@pytest.mark.parametrize(
    ("place", "written"),
    [("hex", "1A"), ("bits", "011010"), ("bits-low-first", "010110"), ("decimal", "26")],
)
def test_how_a_state_is_written(place: str, written: str) -> None:
    assert Words(6).filled(f"put {{{place}}}!", 26) == f"put {written}!"


@pytest.mark.parametrize(
    "line",
    ["has 1A", "has 001A", "has 0x1A", "has G1A", " has 01A", "has 01A ", "took 01A", "has 41A"],
)
def test_a_line_that_tells_another_count_or_other_words_tells_no_state(line: str) -> None:
    words = Words(10)
    assert words.state_in("has {hex}", "has 01A") == 26
    assert words.state_in("has {hex}", "has 01a") == 26
    assert words.state_in("has {hex}", line) is None


def test_a_name_is_taken_from_its_place() -> None:
    assert Words(4).name_in("{any} is {name}", "quay is Tern 1") == "Tern 1"
    assert Words(4).name_in("ready", "ready") == "ready"
    assert Words(4).name_in("is {name}", "was Tern") is None


@pytest.mark.parametrize(
    ("pattern", "states", "reply", "why"),
    [
        ("put {hexa}", 1, False, r"no place \{hexa\}"),
        ("put", 1, False, "needs one place for the state"),
        ("put {hex} {bits}", 1, False, "needs one place"),
        ("tell {hex}", 0, False, "needs no place"),
        ("put {hex", 1, False, "without its partner"),
        ("put {hex}\a", 1, False, "control characters"),
        ("put {any}{hex}", 1, False, r"no place \{any\}"),
    ],
)
def test_what_is_wrong_with_a_pattern_is_said(pattern, states, reply, why) -> None:
    problem = pattern_problem(pattern, states=states, reply=reply)
    assert problem is not None
    import re

    assert re.search(why, problem)


def test_the_largest_state_of_many_outputs_is_read_back_as_a_decimal_number() -> None:
    words, state = Words(64), (1 << 64) - 1
    assert words.state_in("{decimal}", words.filled("{decimal}", state)) == state
