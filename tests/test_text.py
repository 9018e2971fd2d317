"""Text for people: what reaches a terminal, and how numbers line up."""

from __future__ import annotations

import unicodedata

from hypothesis import given
from hypothesis import strategies as st

from controller.text import clean, number, ohms, table


@given(st.text())
def test_clean_text_cannot_act_on_a_terminal(text: str) -> None:
    cleaned = clean(text)
    assert len(cleaned) == len(text)
    assert all(c == "\n" or unicodedata.category(c) not in ("Cc", "Cf", "Cs") for c in cleaned)
    assert clean(cleaned) == cleaned


def test_numbers_have_no_minus_zero_and_a_dash_for_nothing() -> None:
    assert number(-0.001, 2) == "0.00"
    assert number(-0.001, 2, sign=True) == "+0.00"
    assert number(1.5, 1, sign=True) == "+1.5"
    assert number(None, 2) == "-"


def test_resistances_have_about_five_digits() -> None:
    assert [ohms(value) for value in (0.1234, 12.3456, 320.0, 2500.0, 123456.7, float("inf"))] == [
        "0.123",
        "12.346",
        "320.00",
        "2500.0",
        "123457",
        "open",
    ]


@given(
    st.lists(
        st.one_of(st.floats(-1e6, 1e6).map(lambda x: f"{x:.2f}"), st.integers().map(str)),
        min_size=1,
        max_size=8,
    )
)
def test_decimal_points_stand_under_each_other(cells: list[str]) -> None:
    head, *lines = table(["number", "word"], [[cell, "x"] for cell in cells])
    assert head.endswith("word")
    units = set()
    for cell, line in zip(cells, lines, strict=True):
        start = line.index(cell)
        whole = cell.split(".")[0]
        units.add(start + len(whole))
    assert len(units) == 1


def test_words_are_left_aligned_and_states_are_words() -> None:
    assert table(["state", "n"], [["0x0001", "1"], ["0x1", "10"]]) == [
        "state    n",
        "0x0001   1",
        "0x1     10",
    ]
    assert table(["empty"], []) == ["empty"]
