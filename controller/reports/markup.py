"""The pieces of a page: headings, tables, lists; every word that goes in is escaped."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from controller.reports.svg import content, element
from controller.text import one_line

__all__ = ["bullets", "facts", "heading", "paragraph", "table"]


def heading(words: str, level: int = 2) -> str:
    """Return a heading."""
    return element(f"h{level}", content(one_line(words)))


def paragraph(words: str, **attributes: str) -> str:
    """Return a paragraph."""
    return element("p", content(words), **attributes)


def bullets(lines: Iterable[str], *, ordered: bool = False) -> str:
    """Return a list."""
    return element("ol" if ordered else "ul", *(element("li", content(one)) for one in lines))


def facts(rows: Iterable[tuple[str, str]]) -> str:
    """Return a table of names and what they stand for."""
    body = (
        element("tr", element("th", content(name), scope="row"), element("td", content(words)))
        for name, words in rows
    )
    return element("table", element("tbody", *body))


def table(heads: Sequence[str], rows: Iterable[Sequence[str]], *, words: Iterable[int] = ()) -> str:
    """Return a table of numbers; `words` are the columns that hold none."""
    left = set(words)

    def cells(name: str, row: Sequence[str]) -> str:
        return element(
            "tr",
            *(
                element(name, content(cell), class_="w" if column in left else "n")
                for column, cell in enumerate(row)
            ),
        )

    body = [cells("td", row) for row in rows]
    inner = element("table", element("thead", cells("th", heads)), element("tbody", "", *body))
    return element("div", inner, class_="wide")
