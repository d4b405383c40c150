"""How fast a large log is read, and how much memory that takes: `make logbench`.

Writes a CSV of the wanted size once, then reads it in a fresh process with and without a peer beside it: the
peer is polars reading the same file whole, with no look at what it holds. Prints throughput, peak memory of
each, and the ratio.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from rich.console import Console
from rich.table import Table

from tests.logs.model_files import stream_csv

ROOT = Path(__file__).parents[2]
MB = 1_000_000

OURS = """
import resource, sys
from pathlib import Path
from engine.loading import default_root, load_source
from engine.logs.analysis import Wanted, analyse
answer = analyse(Path(sys.argv[1]), load_source(default_root()), Wanted(plots=False))
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(peak, answer.pulls, round(answer.duration_s), len([f for f in answer.findings if f.state == "present"]))
"""

STARTED = """
import resource
from engine.loading import default_root, load_source
import engine.logs.analysis, polars
load_source(default_root())
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""

PEER = """
import resource, sys
import polars
table = polars.read_csv(sys.argv[1], infer_schema_length=10_000, ignore_errors=True)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, table.height)
"""


def timed(code: str, path: Path) -> tuple[float, list[str]]:
    """Return the seconds that a fresh process takes, and what it printed."""
    began = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=True,
        timeout=3600,
    )
    return time.perf_counter() - began, done.stdout.split()


def main() -> None:
    """Write, read, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megabytes", type=int, nargs="+", default=[50, 250, 1000])
    parser.add_argument("--folder", type=Path, default=None)
    asked = parser.parse_args()
    _, (start_kib,) = timed(STARTED, Path("-"))
    table = Table(title="Reading a recorded log (CSV), one process")
    for column in ("MB", "s", "MB/s", "peak MiB", "pulls", "hours of log", "polars whole: s", "its peak MiB"):
        table.add_column(column, justify="right")
    with tempfile.TemporaryDirectory(dir=asked.folder) as folder:
        for size in asked.megabytes:
            path = Path(folder) / "log.csv"
            stream_csv(size * MB, path)
            megabytes = path.stat().st_size / MB
            seconds, (peak, pulls, duration, _) = timed(OURS, path)
            peer_seconds, (peer_peak, _) = timed(PEER, path)
            table.add_row(
                f"{megabytes:.0f}",
                f"{seconds:.1f}",
                f"{megabytes / seconds:.0f}",
                f"{int(peak) / 1024:.0f}",
                pulls,
                f"{int(duration) / 3600:.1f}",
                f"{peer_seconds:.1f}",
                f"{int(peer_peak) / 1024:.0f}",
            )
            path.unlink()
    console = Console(width=110)
    console.print(table)
    console.print(f"Started, knowledge base loaded and nothing read: {int(start_kib) / 1024:.0f} MiB.")


if __name__ == "__main__":
    main()
