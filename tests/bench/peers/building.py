#!/usr/bin/env python3
"""What a clean clone costs: building the program, its size, its dependencies, and the tests.

    python3 tests/bench/peers/building.py [--tests] [--record]

The clone is of the last commit, its target folder is empty, the sources of the dependencies are downloaded before the
clock runs. Wall time, on all cores: it is only stated, and another machine has another.
"""

import argparse
import os
import subprocess
import tempfile
import time
from pathlib import Path

from measure import TOP, Table


def main():
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--tests", action="store_true")
    words.add_argument("--record", action="store_true")
    asked = words.parse_args()
    table = Table("tests/bench/peers/building.py" + (" --tests" if asked.tests else ""))
    with tempfile.TemporaryDirectory(prefix="steady-building-") as scratch:
        clone = Path(scratch) / "clone"
        subprocess.run(["git", "clone", "--quiet", TOP, clone], check=True)
        environment = os.environ | {"CARGO_TARGET_DIR": str(clone / "target"), "CARGO_TERM_COLOR": "never"}

        def cargo(*words, output=None):
            return subprocess.run(
                ["cargo", *words, "--locked"], cwd=clone, env=environment, check=True, stdout=output, text=True
            ).stdout

        cargo("fetch")
        begun_s = time.monotonic()
        cargo("build", "--release", "--quiet", "-p", "steadybench-host", "--bin", "steady")
        minutes = (time.monotonic() - begun_s) / 60
        table.row("`cargo build --release` of the program from a clean clone, minutes", f"{minutes:.1f}", "4")
        size = (clone / "target/release/steady").stat().st_size / 1e6
        table.row("the program `steady`, MB", f"{size:.1f}", "15")
        tree = ["tree", "-p", "steadybench-host", "-e", "normal", "--prefix", "none"]
        packages = {line.split(" (")[0] for line in cargo(*tree, output=subprocess.PIPE).splitlines() if line}
        names = [package.split()[0] for package in packages]
        twice = sorted({name for name in names if names.count(name) > 1})
        ours = sum(name.startswith("steadybench") for name in names)
        table.row("packages in it that others made", str(len(packages) - ours))
        table.row("of which in two versions (DEVELOPERS.md says for whom)", ", ".join(twice) or "none")
        if asked.tests:
            begun_s = time.monotonic()
            cargo("test", "--quiet", output=subprocess.DEVNULL)
            minutes = (time.monotonic() - begun_s) / 60
            table.row("`cargo test` from there, its building included, minutes", f"{minutes:.1f}", "10")
        if asked.record:
            table.keep(Path(scratch))


if __name__ == "__main__":
    main()
