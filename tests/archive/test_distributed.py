"""The same files read by an engine that spreads over machines: the same numbers as DuckDB's."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

pytest.importorskip("duckdb", reason="the extra [archive] is not installed")
pytest.importorskip("dask.dataframe", reason="dask is not installed")
pytest.importorskip("distributed", reason="distributed is not installed")
pytest.importorskip("pyarrow", reason="pyarrow is not installed")

sys.path.insert(0, str(Path(__file__).resolve().parent))

import spread_questions
from many_records import SWEEPS, write_records

from controller.archive.gather import gather
from controller.archive.questions import answer

pytestmark = [
    pytest.mark.soak,
    # What the engine itself warns of is not ours to mend.
    pytest.mark.filterwarnings("ignore"),
]


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive of several batches, one of whose runs was gathered again after it had grown."""
    folder, archive = tmp_path_factory.mktemp("records"), tmp_path_factory.mktemp("a") / "a"
    paths = write_records(folder, 12)
    raws = paths[0].read_bytes().splitlines(keepends=True)
    early = folder / "early.jsonl"
    early.write_bytes(b"".join(raws[:60]))
    gather(archive, [early])
    early.unlink()
    gather(archive, [folder])
    gather(archive, sorted((SWEEPS / "recorded").glob("*.jsonl")))
    return archive


def test_failures(archive: Path) -> None:
    wanted = answer(archive, "failures", {}).rows
    found = spread_questions.failures(str(archive))
    rows = [
        (row.bench, row.week.date(), row.runs, row.failed) for row in found.itertuples(index=False)
    ]
    assert rows == [row[:4] for row in wanted]
    assert len(rows) > 5


def test_cold(archive: Path) -> None:
    wanted = answer(archive, "cold", {"above": spread_questions.ABOVE_CELSIUS}).rows
    found = spread_questions.cold(str(archive))
    assert list(found["module"]) == [row[0] for row in wanted]
    assert list(found["count"]) == [row[2] for row in wanted]
    assert list(found["mean"]) == pytest.approx([row[3] for row in wanted], abs=6e-4)


def test_over_processes(archive: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spread_questions.main(str(archive))
    assert "Tern coolant input C" in capsys.readouterr().out
