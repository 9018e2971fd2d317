"""The little of SVG that we write is sound XML whatever the words are."""

from __future__ import annotations

import xml.etree.ElementTree as ET

from hypothesis import given
from hypothesis import strategies as st

from controller.reports.svg import element, polyline, text


@given(st.text(), st.floats(-1e6, 1e6))
def test_words_and_numbers_come_back_as_they_went_in(words: str, number: float) -> None:
    markup = element("g", text(words, number, 0.5, text_anchor="end"), class_=words)
    found = ET.fromstring(markup)
    [inner] = found
    assert inner.get("text-anchor") == "end"
    assert abs(float(inner.get("x", "nan")) - number) <= 0.005 + 1e-9
    # A character comes back as itself, or as the question mark that stands for what XML has no
    # place for or a terminal would act on.
    assert len(inner.text or "") == len(words)
    assert all(got in (was, "?") for got, was in zip(inner.text or "", words, strict=True))
    assert all(was in (inner.text or "") for was in words if was.isprintable())


def test_a_line_and_an_empty_element() -> None:
    assert polyline([(0.0, 1.5), (2.0, 3.25)], class_="a") == (
        '<polyline points="0,1.5 2,3.25" fill="none" class="a"/>'
    )
    assert element("line", x1=1, stroke_width=2.0) == '<line x1="1" stroke-width="2"/>'
