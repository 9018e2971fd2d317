"""The reference of every key: it is what the loaders ask for, and the example files follow it."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from controller.cli.key_words import KEY_WORDS
from controller.cli.reference import FOLDER, keys_of_formats, main, reference_files

EXAMPLES = sorted(
    path
    for path in (Path(__file__).resolve().parents[2] / "sweeps").rglob("*.toml")
    if 'format = "rungwise-' in path.read_text("utf-8")
)


def _schema(stated: str) -> Any:
    name = f"{stated.replace('/', '-')}.schema.json"
    return json.loads((FOLDER / name).read_text("utf-8"))


def test_the_files_are_those_that_the_loaders_make() -> None:
    made = reference_files()
    assert {path.name for path in FOLDER.iterdir()} == set(made)
    for name, text in made.items():
        assert (FOLDER / name).read_text("utf-8") == text, "run python -m controller.cli.reference"


def test_they_can_be_written_elsewhere(tmp_path: Path) -> None:
    assert main(tmp_path / "new") == 0
    assert (tmp_path / "new" / "keys.md").read_text("utf-8").startswith("# Every key")


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_every_example_follows_its_schema(path: Path) -> None:
    """Outside check: jsonschema, an independent implementation of draft 2020-12."""
    document = tomllib.loads(path.read_text("utf-8"))
    schema = _schema(document["format"])
    Draft202012Validator.check_schema(schema)
    assert [error.message for error in Draft202012Validator(schema).iter_errors(document)] == []


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_no_schema_takes_a_key_that_does_not_exist(path: Path) -> None:
    document = tomllib.loads(path.read_text("utf-8"))
    validator = Draft202012Validator(_schema(document["format"]))
    assert not validator.is_valid({**document, "tolerence": 1})
    assert not validator.is_valid({k: v for k, v in document.items() if k != "format"})


def test_needed_keys_bounds_and_defaults_are_the_loaders_own() -> None:
    ladder = {key.asked.path: key for key in keys_of_formats()["ladder"]}
    assert ladder["relay_count"].required
    assert (ladder["relay_count"].asked.least, ladder["relay_count"].asked.most) == (1, 64)
    assert not ladder["lead_ohms"].required
    assert ladder["group[].rungs[].ohms"].required
    sensor = {key.asked.path: key for key in keys_of_formats()["sensor"]}
    assert sensor["kind"].required
    assert not sensor["beta_kelvin"].always
    assert sensor["beta_to_celsius"].asked.default == 85.0


def test_every_key_has_its_sentence_and_no_sentence_stands_alone() -> None:
    for kind, keys in keys_of_formats().items():
        asked = {key.asked.path for key in keys}
        assert asked - set(KEY_WORDS[kind]) == set(), "write it down in controller/cli/key_words.py"
        assert set(KEY_WORDS[kind]) - asked == set()
    assert all(words for sentences in KEY_WORDS.values() for words in sentences.values())


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.json")), ids=lambda path: path.name)
def test_every_schema_is_json_for_every_reader(path: Path) -> None:
    def refuse(name: str) -> None:
        raise AssertionError(f"{name} is not JSON (RFC 8259, section 6)")

    json.loads(path.read_text(encoding="utf-8"), parse_constant=refuse)


def test_what_some_kinds_insist_on_is_not_said_to_be_optional() -> None:
    """A newcomer who goes by the page alone: sensors by a formula need their span."""
    rows = (FOLDER / "keys.md").read_text(encoding="utf-8").splitlines()
    for key in ("lowest_celsius", "highest_celsius", "report.resolution_celsius"):
        [row] = [row for row in rows if row.startswith(f"| `{key}` |")]
        assert row.split("|")[4].strip() == "some kinds"
