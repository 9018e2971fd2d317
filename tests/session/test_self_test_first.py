"""A ladder that has not passed its self-test refuses a run, and the error says what was found."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from controller.errors import LinkError
from controller.session.prepared import prepare
from controller.session.self_test_first import begin_self_test, self_test_note
from controller.session.session import Session

SWEEPS = Path(__file__).parents[2] / "sweeps"

TWO_FAULTS = """
[[ladder_fault]]
kind = "stuck-relay"
relay = 3
energised = true
[[ladder_fault]]
kind = "open-rung"
relay = 15
"""


def test_the_refusal_names_every_fault_however_the_end_of_the_test_is_worded(
    tmp_path: Path,
) -> None:
    """The faults are those planted above; words of a summary are for people, not for the code."""
    text = (SWEEPS / "benches" / "simulated-metered.toml").read_text(encoding="utf-8")
    bench = tmp_path / "bench.toml"
    bench.write_text(text.replace('"../', f'"{SWEEPS}/') + TWO_FAULTS, encoding="utf-8")
    prepared = prepare(SWEEPS / "coolant-sweep.toml", bench)
    with Session(begin_self_test(prepared, record=tmp_path / "run.jsonl")) as session:
        list(session.events())
        assert session.summary is not None
        for sentence in (
            session.summary.sentence,
            "The ladder is parked. It is not sound: one thing; another.",
        ):
            session.summary = replace(session.summary, sentence=sentence)
            with pytest.raises(LinkError) as refused:
                self_test_note(session, despite=False)
            said = str(refused.value)
            assert "relay 3 stays energised" in said
            assert "relay 15 is open" in said
            assert said.count("parked") == 1
