"""What a session has opened is let go of again, whatever fails before the run has begun."""

from __future__ import annotations

from pathlib import Path

import pytest

import controller.session.session
from controller.bench.opened import Bench
from controller.clock import VirtualClock
from controller.errors import InputError
from controller.records.writer import RecordWriter
from controller.session import recording
from controller.session.jobs import sweeping
from controller.session.prepared import Prepared, prepare
from controller.session.recording import opening_of
from controller.session.session import Session, Setup

SWEEPS = Path(__file__).parents[2] / "sweeps"


@pytest.fixture(scope="module")
def prepared() -> Prepared:
    return prepare(SWEEPS / "coolant-sweep.toml", SWEEPS / "benches" / "simulated.toml")


def begun(prepared: Prepared, record: Path, *, resume: bool = False) -> Setup:
    return sweeping(prepared, record=record, pace="fast", clock=VirtualClock(), resume=resume)


def test_a_bench_for_which_no_job_can_be_made_is_closed_and_leaves_no_record(
    prepared: Prepared, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    closed: list[Bench] = []
    monkeypatch.setattr(Bench, "close", lambda bench: closed.append(bench))
    seen: list[Bench] = []

    def no_job(bench: Bench) -> None:
        seen.append(bench)
        raise InputError.single("this job cannot be made")

    setup = begun(prepared, tmp_path / "run.jsonl")
    object.__setattr__(setup, "make_job", no_job)
    with pytest.raises(InputError, match="cannot be made"):
        Session(setup)
    assert len(seen) == 1
    assert closed == seen
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("resume", [False, True])
def test_a_bench_that_fails_to_open_leaves_a_record_only_where_one_was(
    prepared: Prepared, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, resume: bool
) -> None:
    path = tmp_path / "run.jsonl"
    if resume:
        with Session(begun(prepared, path)) as session:
            while not session.results:
                session.step()
    before = path.read_bytes() if resume else b""

    def no_bench(*_args: object, **_kwargs: object) -> None:
        raise InputError.single("this bench cannot be opened")

    setup = begun(prepared, path, resume=resume)
    monkeypatch.setattr(controller.session.session, "open_bench", no_bench)
    with pytest.raises(InputError, match="cannot be opened"):
        Session(setup)
    assert [one.name for one in tmp_path.iterdir()] == (["run.jsonl"] if resume else [])
    if resume:
        assert path.read_bytes().startswith(before)
        monkeypatch.undo()
        again = begun(prepared, path, resume=True).record
        assert again is not None, "nobody holds it"
        again.close()


def test_a_record_that_cannot_be_gone_on_with_is_not_kept_from_others(
    prepared: Prepared, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "run.jsonl"
    with Session(begun(prepared, path)) as session:
        while not session.results:
            session.step()

    def unreadable(_record: object) -> None:
        raise InputError.single("its results cannot be read")

    with monkeypatch.context() as patch:
        patch.setattr(recording, "results_of", unreadable)
        with pytest.raises(InputError, match="cannot be read"):
            begun(prepared, path, resume=True)
    opening = opening_of(prepared.inputs, prepared.resolved, verb="sweep", pace="fast")
    writer, held = RecordWriter.resume(path, opening, clock=VirtualClock())
    writer.close()
    assert held.first_unfinished >= 1
