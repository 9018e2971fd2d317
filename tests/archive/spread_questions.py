"""Two questions to an archive, answered by several processes or machines: an example to start from.

Knows: where an archive's Parquet files lie, what `replaced` means.
Must not know: DuckDB, how the files were written.

    python tests/archive/spread_questions.py ARCHIVE [SCHEDULER_ADDRESS]

ARCHIVE may be any path that fsspec understands (``s3://...`` with the package s3fs installed).
Without an address two worker processes are started here.
"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

ABOVE_CELSIUS = 90.0


def _table(archive: str, table: str, columns: list[str]):  # type: ignore[no-untyped-def]
    """Return a table as a lazy frame, what was replaced left out."""
    import dask.dataframe as dd

    frame = dd.read_parquet(f"{archive}/year=*/batch=*/{table}.parquet", columns=columns)
    try:
        gone = dd.read_parquet(f"{archive}/year=*/batch=*/replaced.parquet")
    except (FileNotFoundError, OSError):
        return frame  # no record has been gone on with since it was gathered
    gone = gone.assign(is_gone=True)
    merged = frame.merge(gone, on=["run_id", "line_count"], how="left")
    return merged[merged["is_gone"].isna()].drop(columns="is_gone")


def failures(archive: str) -> pd.DataFrame:
    """Return runs and fails by bench and week, as the ready question does."""
    columns = ["run_id", "line_count", "bench", "started_utc", "verdict", "planned"]
    runs = _table(archive, "runs", columns)
    runs = runs[runs["planned"] > 0]
    monday = runs["started_utc"].dt.floor("D") - runs["started_utc"].dt.weekday.astype(
        "timedelta64[D]"
    )
    runs = runs.assign(week=monday, failed=(runs["verdict"] == "fail").astype("int64"), runs=1)
    found = runs.groupby(["bench", "week"])[["runs", "failed"]].sum().compute().reset_index()
    return found.sort_values(["bench", "week"]).reset_index(drop=True)


def cold(archive: str) -> pd.DataFrame:
    """Return how cold modules read above a temperature, as the ready question does."""
    columns = ["run_id", "line_count", "module", "kind", "expected_celsius", "error_celsius"]
    steps = _table(archive, "steps", columns)
    hot = steps[(steps["expected_celsius"] > ABOVE_CELSIUS) & (steps["kind"] == "temperature")]
    found = hot.groupby("module")["error_celsius"].agg(["count", "sum"]).compute()
    found["mean"] = found["sum"] / found["count"]
    found = found[found["sum"] < 0].reset_index()
    return found.sort_values("mean").reset_index(drop=True)[["module", "count", "mean"]]


def main(archive: str, address: str | None = None) -> None:
    """Print both answers."""
    from distributed import Client, LocalCluster

    if address is not None:
        with Client(address):
            print(failures(archive), cold(archive), sep="\n\n")
        return
    with (
        LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
        Client(cluster),
    ):
        print(failures(archive), cold(archive), sep="\n\n")


if __name__ == "__main__":
    main(*sys.argv[1:])
