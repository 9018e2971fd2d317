"""Every operator of the C core put in another's place, one at a time."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

_TOKEN = re.compile(
    r"""
      (?P<skip>/\*.*?\*/|//[^\n]*|"(?:\\.|[^"\\])*"|'(?:\\.|[^'\\])*'|^[ \t]*\#(?:\\\n|[^\n])*)
    | (?P<number>0[xX][0-9A-Fa-f]+[uU]?|[0-9]+[uU]?)
    | (?P<word>[A-Za-z_][A-Za-z0-9_]*)
    | (?P<operator><<=|>>=|->|\+\+|--|<<|>>|<=|>=|==|!=|&&|\|\||[-+*/%&|^]=|[-+*/%&|^~!<>=?:])
    | (?P<other>[()\[\]{};,.])
    """,
    re.VERBOSE | re.DOTALL | re.MULTILINE,
)

_BINARY = {
    "==": ["!="],
    "!=": ["=="],
    "<": ["<=", ">="],
    "<=": ["<", ">"],
    ">": [">=", "<="],
    ">=": [">", "<"],
    "&&": ["||"],
    "||": ["&&"],
    "+": ["-"],
    "-": ["+"],
    "*": ["+"],
    "&": ["|"],
    "|": ["&"],
    "^": ["|"],
    "<<": [">>"],
    ">>": ["<<"],
    "+=": ["-="],
    "-=": ["+="],
    "&=": ["|="],
    "|=": ["&="],
    "++": ["--"],
    "--": ["++"],
}
_UNARY = {"!": [""], "~": [""]}
_WORDS = {"true": ["false"], "false": ["true"]}


@dataclass(frozen=True, kw_only=True)
class Swap:
    """One operator in another's place; `name` stays the same while the line does."""

    name: str
    file: str
    source: str


def swaps(path: Path) -> Iterator[Swap]:
    """Yield every swap in a source."""
    text = path.read_text("utf-8")
    seen: Counter[str] = Counter()
    operand = False  # whether what stands before is a value, so that an operator is binary
    for token in _TOKEN.finditer(text):
        kind, word = token.lastgroup, token[0]
        if kind == "skip":
            continue
        for other in _places(kind, word, operand, text[token.start() - 1 : token.end() + 1]):
            start = text.rfind("\n", 0, token.start()) + 1
            line = text[start : text.find("\n", token.end())].strip()
            name = f"{path.name}: {line}  [{word} -> {other or 'nothing'}]"
            seen[name] += 1
            if seen[name] > 1:
                name += f" ({seen[name]})"
            yield Swap(
                name=name,
                file=path.name,
                source=text[: token.start()] + other + text[token.end() :],
            )
        operand = kind in ("number", "word") or word in (")", "]", "++", "--")


def _places(kind: str | None, word: str, operand: bool, around: str) -> list[str]:
    if kind == "word":
        return _WORDS.get(word, [])
    if kind != "operator":
        return []
    if word in ("&", "*", "-", "+") and not (operand and around == f" {word} "):
        return []  # an address, a pointer, a sign
    return _UNARY[word] if word in _UNARY else _BINARY.get(word, [])


def read_equivalents(path: Path) -> dict[str, str]:
    """Return what no check can find, by name, and why not; raises ValueError for a bad file."""
    found = {}
    for block in path.read_text("utf-8").split("\n\n"):
        lines = [line for line in block.splitlines() if line and not line.startswith("#")]
        if not lines:
            continue
        names = [line for line in lines if not line.startswith("    ")]
        reason = " ".join(line.strip() for line in lines if line.startswith("    "))
        if not reason or not names:
            raise ValueError(f"{path.name}: a swap without a reason: {lines}")
        found.update(dict.fromkeys(names, reason))
    return found
