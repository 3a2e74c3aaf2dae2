#!/usr/bin/env python3
"""How time and memory grow with the length of a run, with the number of its events, and with the number of boards.

    venv/bin/python tests/bench/peers/growth.py [--hours 1 4 12 24 72] [--record]

Recording (a soak made up and put through the recorder as fast as it goes: live work, a part of it making the stream up),
the examination of the run, its export, and its report, each as a process of its own: processor time and most memory.
The plot is `growth.svg` beside this file; the table says by which power of the length each of them grows.
"""

import argparse
import math
import shutil
import tempfile
from pathlib import Path

from measure import Table, Used, programs, run

PLOT = Path(__file__).with_name("growth.svg")


class Point:
    """One run: recorded, examined, exported by the minute, reported."""

    def __init__(self, steady, record_soak, scratch, hours, boards=1, dropouts_per_hour=5.0):
        job = scratch / "job"
        used = {"recording": run(record_soak, job, hours, boards, dropouts_per_hour)}
        recorded = used["recording"].output.split("\n")[-2]
        used["examination"] = self.of_each(boards, steady, "examine", recorded)
        minutes = ["--every", "60s", "--force", "--out", scratch / "minutes.csv"]
        used["export"] = self.of_each(boards, steady, "export", recorded, *minutes)
        used["report"] = run(steady, "report", job)
        self.used = used
        shutil.rmtree(job)
        (scratch / "minutes.csv").unlink()

    @staticmethod
    def of_each(boards, *command) -> Used:
        """The command for each board of the run: processor time together, most memory of any."""
        taken = [run(*command, "--board", board) for board in range(1, boards + 1)]
        return Used(sum(used.processor_s for used in taken), max(used.memory_mb for used in taken), "")


def power(xs, ys) -> float:
    """The exponent by which y grows with x over the upper half of the points, by least squares of the logarithms."""
    half = (len(xs) - 1) // 2
    pairs = [(math.log(x), math.log(y)) for x, y in zip(xs[half:], ys[half:])]
    mean_x = sum(x for x, _ in pairs) / len(pairs)
    mean_y = sum(y for _, y in pairs) / len(pairs)
    return sum((x - mean_x) * (y - mean_y) for x, y in pairs) / sum((x - mean_x) ** 2 for x, _ in pairs)


def draw(measured):
    """Draws all series. The library is loaded only now: the system counts for a child at least the memory that its
    parent had when it was started."""
    import matplotlib

    matplotlib.use("svg")
    matplotlib.rcParams["svg.hashsalt"] = "growth"
    import matplotlib.pyplot as plt

    figure, grid = plt.subplots(2, len(measured), figsize=(12, 6.5), layout="constrained")
    rows = [
        ("processor time in s", lambda used: used.processor_s),
        ("most memory in MB", lambda used: used.memory_mb),
    ]
    for axes_row, (unit, of) in zip(grid, rows):
        for axes, (label, xs, points) in zip(axes_row, measured):
            for name in points[0].used:
                axes.plot(xs, [of(point.used[name]) for point in points], marker="o", label=name)
            axes.set(xlabel=label, ylabel=unit, xscale="log", yscale="log")
            axes.set_xticks(xs, labels=[f"{x:g}" for x in xs])
            axes.minorticks_off()
            axes.grid(True, which="both", alpha=0.25)
    grid[0][0].legend()
    figure.savefig(PLOT, metadata={"Date": None})
    plt.close(figure)


def main():
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--hours", type=float, nargs="+", default=[1, 4, 12, 24, 72])
    words.add_argument("--record", action="store_true")
    asked = words.parse_args()
    steady, record_soak = programs("record-soak")
    hours = " ".join(f"{length:g}" for length in asked.hours)
    table = Table(f"tests/bench/peers/growth.py --hours {hours}")
    series = {
        "hours": (asked.hours, lambda scratch, x: Point(steady, record_soak, scratch, x)),
        "dropouts an hour, in 1 h": (
            [1, 10, 100, 1000],
            lambda scratch, x: Point(steady, record_soak, scratch, 1, 1, x),
        ),
        "boards, for 1 h": ([1, 2, 4, 8], lambda scratch, x: Point(steady, record_soak, scratch, 1, x)),
    }
    measured = []
    with tempfile.TemporaryDirectory(prefix="steady-growth-") as scratch:
        for label, (xs, make) in series.items():
            points = [make(Path(scratch), x) for x in xs]
            measured.append((label, xs, points))
            for name in points[0].used:
                times = [point.used[name].processor_s for point in points]
                memory = [point.used[name].memory_mb for point in points]
                table.row(
                    f"{name}, {label}, {xs[0]:g} to {xs[-1]:g}: processor time, most memory",
                    f"{times[0]:.2f} to {times[-1]:.2f} s, {memory[0]:.0f} to {memory[-1]:.0f} MB; "
                    f"as the powers {power(xs, times):.2f} and {power(xs, memory):.2f}",
                    "at most 1",
                )
        draw(measured)
        if asked.record:
            table.keep(Path(scratch))
    print(f"drawn as {PLOT.name}")


if __name__ == "__main__":
    main()
