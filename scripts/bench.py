# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs the benchmarks in scripts/benchmarks and prints their rows. Compare the ratios, which hold from run to run.

    python3 scripts/bench.py [NAME ...]

A benchmark is a module there with a function `run() -> list[str]`, the rows to print.
"""

from __future__ import annotations

import argparse
import importlib
import sys
from pathlib import Path

from _environment import enter, guarded

BENCHMARKS = Path(__file__).parent / "benchmarks"


def main() -> int:
    known = sorted(path.stem for path in BENCHMARKS.glob("*.py") if not path.stem.startswith("_"))
    parser = argparse.ArgumentParser(description="Run the benchmarks.")
    parser.add_argument(
        "names", nargs="*", metavar="NAME", help=f"benchmarks to run (default: all of {', '.join(known)})"
    )
    names = parser.parse_args().names or known
    unknown = sorted(set(names) - set(known))
    if unknown:
        parser.error(f"no benchmark named {', '.join(unknown)}; there are {', '.join(known)}")
    enter("test")
    for name in names:
        print(f"\n── {name}", flush=True)
        for row in importlib.import_module(f"benchmarks.{name}").run():
            print(row, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(guarded(main))
