"""The first lines of each file say what it knows; what they deny is held against its imports."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
FILES = sorted((ROOT / "controller").rglob("*.py"))

DENIED = {
    "links": "controller.links",
    "readbacks": "controller.readback",
    "plans": "controller.planning",
    "screens": "controller.tui.screens",
    "clocks": "controller.clock",
    "ladders": "controller.ladder",
    "records": "controller.records",
    "sessions": "controller.session",
    "verdicts": "controller.measurement.verdict",
    "benches": "controller.bench",
    "Textual": "textual",
    "pyserial": "serial",
}
"""A word that a header denies, and what the file then must not import."""

_SAID = re.compile(r"Must not know:(.*?)(?:\n\n|\Z)", re.DOTALL)
_RELATIVE = re.compile(r"\b(?:how|what|who|why|where|which|whether|beyond)\b[^,;.]*")


def denied_words(docstring: str) -> set[str]:
    """Return the words a header denies as a whole, and not only something about them."""
    said = _SAID.search(docstring)
    if said is None:
        return set()
    sentence = said[1].split(". ")[0]
    return set(re.findall(r"\w+", _RELATIVE.sub("", sentence)))


def imported(tree: ast.Module) -> set[str]:
    names = {n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) and n.module}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
    return names


def contradictions(text: str) -> list[str]:
    tree = ast.parse(text)
    denied = denied_words(ast.get_docstring(tree) or "")
    return [
        f"denies {word}, imports {name}"
        for word, module in DENIED.items()
        if word in denied
        for name in imported(tree)
        if name == module or name.startswith(f"{module}.")
    ]


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_no_header_denies_what_the_file_imports(path: Path) -> None:
    assert not contradictions(path.read_text("utf-8"))


def test_a_contradiction_is_found() -> None:
    head = '"""A thing.\n\nKnows: states.\nMust not know: {}.\n"""\n'
    text = head + "from controller.links.base import Link\n"
    assert contradictions(text.format("links, files"))
    assert not contradictions(text.format("how links work, files"))
    assert not contradictions(text.format("clocks"))


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_every_file_says_in_one_line_what_it_is_for(path: Path) -> None:
    docstring = ast.get_docstring(ast.parse(path.read_text("utf-8")))
    assert docstring
    first = docstring.splitlines()[0]
    assert first.endswith((".", "?"))
    assert len(first) > 10
