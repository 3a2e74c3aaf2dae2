#!/usr/bin/env python3
"""The program beside general-purpose libraries on the same data, measured in turn in one run.

    python3 -m venv venv && venv/bin/pip install -r tests/bench/peers/requirements.txt
    venv/bin/python tests/bench/peers/peers.py [--hours 1] [--rows 10000000] [--record]

Everything is compared in processor time; the libraries get one thread. The recorded soak is made up: the noise of the
chip's table, three per cent of warm-up, five dropouts an hour. Twelve hours take 4 GB of disk, 8 GB of memory for pandas,
and half an hour.
"""

import argparse
import tempfile
from pathlib import Path

from measure import Table, in_turn, peer, programs, run


def times(reference, ours) -> str:
    return f"{reference.processor_s / ours.processor_s:.1f}"


def off_line(table, steady, recorded, whole, hours):
    """`steady examine` against the same steps in pandas and scipy, on the same CSV; and on the run itself."""
    rounds = 3 if hours <= 2 else 1
    ours, run_itself, theirs = in_turn(
        rounds,
        lambda: run(steady, "examine", whole, "--as", "soak"),
        lambda: run(steady, "examine", recorded),
        lambda: peer("off_line_pandas.py", whole),
    )
    what = f"soak of {hours:g} h at 1000/s"
    table.row(f"{what}: `steady examine` of its CSV, times faster than pandas and scipy", times(theirs, ours), "30")
    table.row(f"{what}: `steady examine` of the run itself, times faster", times(theirs, run_itself), "30")
    table.row(
        f"{what}: most memory, CSV, run, pandas",
        f"{ours.memory_mb:.0f} MB, {run_itself.memory_mb:.0f} MB, {theirs.memory_mb:.0f} MB",
        "200 MB",
    )


def writing(table, steady, recorded, scratch):
    """Full-rate CSV: the program decodes the run and writes it, the libraries write what is in memory."""
    part = ["--to", "20m"]
    parquet = scratch / "part.parquet"
    run(steady, "export", recorded, *part, "--out", parquet)
    ours, pandas, polars = in_turn(
        3,
        lambda: run(steady, "export", recorded, *part, "--force", "--out", scratch / "ours.csv"),
        lambda: peer("write_pandas.py", parquet, scratch / "pandas.csv"),
        lambda: peer("write_polars.py", parquet, scratch / "polars.csv"),
    )
    what = "full-rate CSV of the run, decoding included, times faster than"
    table.row(f"{what} pandas writes it", times(pandas, ours), "3")
    table.row(f"{what} polars writes it on one thread", times(polars, ours), "1")


# This process loads no library: the system counts for a child at least what its parent had when it was started.
def reading(table, read_table, rows, scratch):
    """A CSV of others' making."""
    foreign = scratch / "foreign.csv"
    peer("make_foreign.py", rows, foreign)
    ours, polars = in_turn(
        3, lambda: run(read_table, foreign), lambda: peer("read_polars.py", foreign)
    )
    sums = [float(used.output.split("currents")[1].split()[0]) for used in (ours, polars)]
    assert abs(sums[0] / sums[1] - 1) < 1e-9, f"not the same was read: {sums}"
    what = f"CSV of {rows / 1e6:g} million rows read"
    table.row(f"{what}, times faster than polars on one thread", times(polars, ours), "1")
    table.row(f"{what}: most memory, polars'", f"{ours.memory_mb:.0f} MB, {polars.memory_mb:.0f} MB")


def main():
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--hours", type=float, default=1.0)
    words.add_argument("--rows", type=int, default=10_000_000)
    words.add_argument("--record", action="store_true")
    asked = words.parse_args()
    steady, record_soak, read_table = programs("record-soak", "read-table")
    table = Table(f"tests/bench/peers/peers.py --hours {asked.hours:g} --rows {asked.rows}")
    with tempfile.TemporaryDirectory(prefix="steady-peers-") as scratch:
        scratch = Path(scratch)
        recorded = run(record_soak, scratch / "job", f"{asked.hours}").output.split("\n")[-2]
        whole = scratch / "whole.csv"
        run(steady, "export", recorded, "--out", whole)
        log, text = (Path(recorded) / "wire.log").stat().st_size, whole.stat().st_size
        table.row("wire.log, part of the CSV's size", f"{log / text:.3f}", "0.2")
        writing(table, steady, recorded, scratch)
        off_line(table, steady, recorded, whole, asked.hours)
        whole.unlink()
        reading(table, read_table, asked.rows, scratch)
        if asked.record:
            table.keep(scratch)


if __name__ == "__main__":
    main()
