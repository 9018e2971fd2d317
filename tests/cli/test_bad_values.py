"""Every verb, every option, with values that do not fit: one sentence of ours and no driving."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.cli.main import VERBS, main, whole_parser
from controller.links import serial

Run = Callable[..., Any]

FITTING = {
    "SENSOR": "sensors/tern-coolant.toml",
    "LADDER": "ladders/bench-16.toml",
    "PLAN": "coolant-check.toml",
    "RECORD": "recorded/coolant-corroded.jsonl",
    "BENCH": "benches/simulated.toml",
}
BAD = ("", "nonsense", "-5", "nan", ".", "\x1b[31mx")
PORTS_OF_ITS_OWN = {"ui", "stand-in"}
OF_ARGPARSE = ("usage:", "argument ", "invalid ", "expected ", "unrecognized", "required:")


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("workshop")
    assert main(["init", str(folder)]) == 0
    return folder


def _parsers() -> Iterator[tuple[str, argparse.ArgumentParser]]:
    def below(parser: argparse.ArgumentParser, path: str) -> Iterator[Any]:
        groups = [one for one in parser._actions if isinstance(one, argparse._SubParsersAction)]
        if not groups or path in VERBS:
            yield path, parser
            return
        for word, child in groups[0].choices.items():
            yield from below(child, f"{path} {word}".strip())

    return below(whole_parser(), "")


def _lines(verb: str, parser: argparse.ArgumentParser) -> Iterator[list[str]]:
    words = verb.split()
    placed = [action for action in parser._actions if not action.option_strings]
    base = [
        FITTING.get(str(action.metavar), "coolant-check.toml")
        for action in placed
        if action.nargs not in ("?", "*")
    ]
    yield words
    yield [*words, "--nonsense"]
    yield [*words, *base, "one", "more", "and", "more"]
    for action in parser._actions:
        if not action.option_strings or action.dest == "help":
            continue
        option = action.option_strings[-1]
        if action.nargs == 0:
            yield [*words, *base, f"{option}=x"]
            continue
        yield [*words, *base, option]
        count = action.nargs if isinstance(action.nargs, int) else 1
        for bad in BAD:
            yield [
                *words,
                *base,
                *([f"{option}={bad}"] if count == 1 else [option, *[bad] * count]),
            ]
    for index in range(len(placed)):
        for bad in BAD:
            yield [*words, *base[:index], bad, *base[index + 1 :]]


PARSERS = dict(_parsers())


def test_every_verb_is_tried() -> None:
    assert set(VERBS) <= set(PARSERS)


@pytest.mark.parametrize("verb", [verb for verb in VERBS if verb not in PORTS_OF_ITS_OWN])
def test_what_does_not_fit_is_refused_in_a_sentence(
    workshop: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], verb: str
) -> None:
    monkeypatch.chdir(workshop)
    # `links` by itself would ask at every port of this machine, whatever is plugged in there.
    monkeypatch.setattr(serial, "list_ports", list)
    refused = 0
    for line in _lines(verb, PARSERS[verb]):
        status = main(line)
        said = capsys.readouterr()
        assert status in range(5), line
        assert "Traceback" not in said.err, line
        assert "\x1b" not in said.err, line
        if status == 2:
            refused += 1
            sentences = [one for one in said.err.splitlines() if one.startswith("rungwise: ")]
            assert sentences, (line, said.err)
            assert not [one for one in OF_ARGPARSE if one in said.err], (line, said.err)
            assert "Driving" not in said.err, (line, said.err)
    assert refused > 2


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("plan", "PLAN is missing (for example: rungwise plan coolant-sweep.toml --paths)"),
        ("readings", "RECORD and LOG are missing (for example: rungwise readings"),
        ("ladder design", "--serve and --relays are missing (for example: rungwise ladder design"),
        (
            "ladder",
            "ladder is the first word of several verbs: design, calibrate, self-test",
        ),
        ("archive ask x", "QUESTION: 'x' is not one of failures, cold, drift, errors, wear, run"),
        ("archive ask failurs", "(did you mean failures?)"),
        ("archive ask", "needs QUESTION or --sql (for example: rungwise archive ask failures)"),
        ("archive judge --tolerance two", "--tolerance: 'two' is not a number (rungwise help"),
        ("archive judge --tolerance", "--tolerance: its value is missing (rungwise help archive"),
        (
            "archive judge --tolerance 2 --plan x",
            "--plan cannot be given together with --tol",
        ),
        ("plan x.toml --step 1.5", "--step: '1.5' is not a whole number"),
        ("plan x.toml --json=yes", "--json: takes no value (write --json by itself)"),
        ("init here there", "'there' is more than this verb takes (rungwise help init lists"),
        ("sweep x.toml --re y", "--re may stand for --record, --resume, --readings"),
    ],
)
def test_words_that_do_not_fit_are_told_with_a_way_out(rungwise: Run, line: str, said: str) -> None:
    ended = rungwise(*line.split())
    assert ended.status == 2
    assert ended.err.startswith("rungwise: ")
    assert said in ended.err


def test_a_place_for_the_junit_file_is_looked_for_before_anything_is_driven(
    workshop: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(workshop)
    for place, said in ((".", "this is a folder"), ("none/a.xml", "there is no such folder")):
        assert main(["check", "coolant-check.toml", "--junit", place]) == 2
        assert said in capsys.readouterr().err
