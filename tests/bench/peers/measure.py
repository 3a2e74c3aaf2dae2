"""Processes measured in turn: processor time and the most memory, as the system counts them for a child."""

import json
import os
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

TOP = Path(__file__).resolve().parents[3]

# The peers get one thread, as what they are compared with uses one core.
ONE_THREAD = {
    name: "1"
    for name in ("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "ARROW_NUM_THREADS")
}


@dataclass
class Used:
    """What one process took."""

    processor_s: float
    memory_mb: float
    output: str


def run(*command: str | Path) -> Used:
    """Runs a command to its end; a failure ends the measurement with what it said."""
    process = subprocess.Popen(
        [str(word) for word in command],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | ONE_THREAD,
    )
    output, trouble = process.stdout.read(), process.stderr.read()
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        sys.exit(f"{' '.join(map(str, command))} ended with {process.returncode}:\n{trouble}")
    return Used(usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024, output)


def peer(script: str, *words: str | Path) -> Used:
    """Runs one of the scripts beside this one. Its processor time is of its work alone: what it took to load the
    library is left out."""
    used = run(sys.executable, Path(__file__).with_name(script), *words)
    return Used(float(used.output.split()[-1]), used.memory_mb, used.output)


def in_turn(rounds: int, *works) -> list[Used]:
    """Calls each work `rounds` times in turn and gives the one of the median processor time of each."""
    taken = [[] for _ in works]
    for _ in range(rounds):
        for work, uses in zip(works, taken):
            uses.append(work())
    return [sorted(uses, key=lambda used: used.processor_s)[len(uses) // 2] for uses in taken]


def programs(*examples: str) -> list[Path]:
    """Builds the shipped program and examples of the benchmarks, and gives their paths."""
    cargo = ["cargo", "build", "--release", "--quiet", "--message-format=json"]
    chosen = ["-p", "steadybench-host", "--bin", "steady"]
    built = subprocess.run([*cargo, *chosen], cwd=TOP, stdout=subprocess.PIPE, text=True, check=True).stdout
    if examples:
        chosen = ["-p", "steadybench-bench", *(word for name in examples for word in ("--example", name))]
        built += subprocess.run(
            [*cargo, *chosen], cwd=TOP, stdout=subprocess.PIPE, text=True, check=True
        ).stdout
    paths = {}
    for line in built.splitlines():
        artifact = json.loads(line)
        if artifact.get("executable"):
            paths[artifact["target"]["name"]] = Path(artifact["executable"])
    return [paths[name] for name in ("steady", *examples)]


@dataclass
class Table:
    """What a command found; with `--record` it is kept for README."""

    command: str
    rows: list[dict[str, str]] = field(default_factory=list)

    def __post_init__(self):
        print("| what | found | wanted |\n|---|---|---|", flush=True)

    def row(self, what: str, found: str, wanted: str = ""):
        print(f"| {what} | {found} | {wanted} |", flush=True)
        self.rows.append({"what": what, "found": found, "wanted": wanted})

    def keep(self, scratch: Path):
        kept = scratch / "ratios.json"
        kept.write_text(json.dumps({"command": self.command, "machine": "", "rows": self.rows}))
        keep = ["--release", "--quiet", "-p", "steadybench-bench", "--example", "ratios", "--", "keep", kept]
        subprocess.run(["cargo", "run", *keep], cwd=TOP, check=True)
