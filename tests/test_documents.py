"""Reading TOML: every problem at once, each with its key and its line."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.documents import Document, read_document
from controller.errors import InputError

FORMAT = "rungwise-example/1"


def written(folder: Path, body: str) -> Path:
    path = folder / "example.toml"
    path.write_text(f'format = "{FORMAT}"\n{body}', "utf-8")
    return path


def problems_of(document: Document) -> list[tuple[int | None, str | None, str]]:
    with pytest.raises(InputError) as caught:
        document.finish()
    return [(p.line, p.key, p.message) for p in caught.value.problems]


def test_all_problems_come_at_once_with_key_and_line(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        """kind = "tabel"
points = [
  [20, 2500],
  [80, "x"],
  [90],
]
[relays]
contakt_ohms = 3
[[group]]
rungs = [
  { relay = 0, ohms = -1.0 },
  { relay = 1.5 },
]
""",
    )
    document = read_document(path, FORMAT)
    document.root.choice("kind", ["table", "beta"])
    document.root.number_rows("points", columns=2)
    document.root.table("relays").number("contact_ohms", default=0.0)
    for group in document.root.tables("group"):
        for rung in group.tables("rungs"):
            rung.integer("relay", least=0)
            rung.number("ohms", least=0.0)
    assert problems_of(document) == [
        (2, "kind", "must be one of table, beta, not 'tabel'"),
        (5, "points[1][1]", "must be a number, not the text 'x'"),
        (6, "points[2]", "must be a row of 2 numbers"),
        (9, "relays.contakt_ohms", "unknown key"),
        (12, "group[0].rungs[0].ohms", "must be at least 0, is -1"),
        (13, "group[0].rungs[1].ohms", "is missing"),
        (13, "group[0].rungs[1].relay", "must be a whole number, not the number 1.5"),
    ]


def test_an_unknown_key_is_met_with_the_nearest_known_one(tmp_path: Path) -> None:
    document = read_document(written(tmp_path, "lead_ohm = 1\n"), FORMAT)
    document.root.number("lead_ohms", default=0.0)
    with pytest.raises(InputError, match=r"did you mean lead_ohms\?"):
        document.finish()


@pytest.mark.parametrize("text", ["nan", "inf", "-inf", "1e999", "true", '"5"', "[5]"])
def test_only_finite_numbers_are_numbers(tmp_path: Path, text: str) -> None:
    document = read_document(written(tmp_path, f"x = {text}\n"), FORMAT)
    document.root.number("x")
    assert not document.sound
    assert len(problems_of(document)) == 1


def test_bounds_are_kept(tmp_path: Path) -> None:
    document = read_document(written(tmp_path, "a = 0\nb = 5\nc = 2\nn = 70\n"), FORMAT)
    table = document.root
    table.number("a", above=0.0)
    table.number("b", most=4.0)
    assert table.number("c", least=2.0, most=2.0) == 2.0
    table.integer("n", most=64)
    assert [key for _, key, _ in problems_of(document)] == ["a", "b", "n"]


def test_defaults_stand_in_for_absent_keys(tmp_path: Path) -> None:
    table = read_document(written(tmp_path, ""), FORMAT).root
    assert table.number("a", default=1.5) == 1.5
    assert table.optional_number("b") is None
    assert table.integer("c", default=3) == 3
    assert table.optional_integer("c2") is None
    assert table.text("d", default="x") == "x"
    assert table.optional_text("e") is None
    assert table.boolean("f", default=True) is True
    assert table.choice("g", ["up", "down"], default="down") == "down"
    assert table.optional_table("h") is None
    assert table.tables("i") == []
    table.document.finish()


def test_a_missing_required_key_is_a_problem_not_a_crash(tmp_path: Path) -> None:
    document = read_document(written(tmp_path, ""), FORMAT)
    assert math.isnan(document.root.number("ohms"))
    document.root.text("name")
    document.root.table("output")
    document.root.numbers("coefficients")
    document.root.number_rows("points", columns=2)
    assert [message for _, _, message in problems_of(document)] == ["is missing"] * 5


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"\xff\xfe", "not UTF-8"),
        (b"format = 'rungwise-other/1'\n", "this is a 'rungwise-other/1' file"),
        (b"x = 1\n", "no format line"),
        (b"format = \n", "not valid TOML"),
        (b"", "no format line"),
    ],
)
def test_a_file_that_cannot_be_trusted_is_refused_whole(
    tmp_path: Path, content: bytes, message: str
) -> None:
    path = tmp_path / "bad.toml"
    path.write_bytes(content)
    with pytest.raises(InputError, match=message):
        read_document(path, FORMAT)


def test_missing_file_and_folder_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_document(tmp_path / "none.toml", FORMAT)
    with pytest.raises(InputError, match="a folder"):
        read_document(tmp_path, FORMAT)


def test_a_syntax_error_names_its_line(tmp_path: Path) -> None:
    path = written(tmp_path, "a = 1\nb = = 2\n")
    with pytest.raises(InputError) as caught:
        read_document(path, FORMAT)
    assert caught.value.problems[0].line == 3


@given(st.binary(max_size=200))
def test_garbage_never_causes_anything_but_an_input_error(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    path = tmp_path_factory.mktemp("garbage") / "x.toml"
    path.write_bytes(content)
    with pytest.raises(InputError):
        read_document(path, FORMAT)
