# SPDX-License-Identifier: GPL-3.0-or-later
"""Sets up both test environments and runs every check; non-zero when one of them fails.

Each pytest runs on all cores. The other steps run beside them, one after the other, and are shown after them; they come
first where a core is wanted by both, since the window has limits in seconds. On the older Blender a fifth of the random
cases run, no test that is marked ``once``, and of tests that rest on no Blender the first case, unless it measures
against gmsh.

python3 scripts/test.py                  everything
python3 scripts/test.py --only pytest    only the steps whose names hold a word
python3 scripts/test.py -k EXPRESSION    pytest's own choice of tests
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from _environment import ENVIRONMENTS, REPOSITORY, SetUpError, guarded, prepare
from _interpreter import BLENDERS, InterpreterError


def main() -> int:
    parser = argparse.ArgumentParser(description="Set up both test environments and run every check.")
    parser.add_argument("--only", metavar="WORD", default="", help="only the steps whose names contain this word")
    parser.add_argument("-k", metavar="EXPRESSION", help="only the tests that match, in pytest's own terms")
    options = parser.parse_args()

    report = Report()
    pythons = {blender.version: report.environment(blender.version) for blender in BLENDERS}
    newest = pythons[BLENDERS[0].version]
    # Whoever is done takes tests from the other, so that all are done at once; those of a module mostly stay together.
    chosen_tests = ["-k", options.k] if options.k else []
    pytest = ["-m", "pytest", "--numprocesses", "auto", "--dist", "worksteal", *chosen_tests]
    fewer = ["-m", "not once", "--hypothesis-profile", "few", "--first-cases"]
    tests: list[Step] = [
        (f"pytest on bpy {version}", python, pytest if python == newest else [*pytest, *fewer])
        for version, python in pythons.items()
    ]
    others: list[Step] = [
        ("ruff check", newest, ["-m", "ruff", "check"]),
        ("ruff format", newest, ["-m", "ruff", "format", "--check"]),
        ("mypy", newest, ["-m", "mypy"]),
        ("window", newest, ["scripts/window_check.py"]),
        ("extension", newest, ["scripts/build_extension.py", "--out", "build"]),
        ("attacks", newest, ["scripts/attack.py", "--count", "40", "--seconds", "1"]),
    ]
    with ThreadPoolExecutor(1) as pool:
        beside = [pool.submit(report.step, *step, beside=True) for step in others if options.only in step[0]]
        for step in tests:
            if options.only in step[0]:
                report.step(*step)
        for done in beside:
            print(done.result(), end="", flush=True)
    return report.close()


GIVING_WAY = ["nice"] if shutil.which("nice") else []
"""What a command begins with that leaves the cores to others."""

Step = tuple[str, Path | None, Sequence[str]]
"""Its name, the Python that runs it, and what that is given."""


class Report:
    """Runs steps, says how each went, and keeps count."""

    def __init__(self) -> None:
        self.results: list[tuple[str, str, float]] = []

    def environment(self, version: str) -> Path | None:
        """The Python of the test environment for a Blender; None, and a failed step, when it cannot be had."""
        blender = next(blender for blender in BLENDERS if blender.version == version)
        started = time.monotonic()
        try:
            python = prepare(blender, "test")
        except (SetUpError, InterpreterError) as problem:
            print(problem, flush=True)
            python = None
        self._note(f"environment for bpy {version}", python is not None, started)
        return python

    def step(self, name: str, python: Path | None, arguments: Sequence[str], beside: bool = False) -> str:
        """Runs a step; what it says is shown as it comes, or handed back where it runs ``beside`` others."""
        heading = f"\n── {name}\n"
        if not beside:
            print(heading, end="", flush=True)
        started, said, passed = time.monotonic(), "", False
        if python is not None:
            out, errors = (subprocess.PIPE, subprocess.STDOUT) if beside else (None, None)
            done = subprocess.run(
                [*([] if beside else GIVING_WAY), python, *arguments],
                cwd=REPOSITORY,
                env=_surroundings(),
                stdout=out,
                stderr=errors,
                text=True,
            )
            said, passed = done.stdout or "", done.returncode == 0
        self._note(name, passed, started)
        return heading + said

    def close(self) -> int:
        print()
        for name, verdict, seconds in self.results:
            print(f"{verdict:6}  {seconds:6.1f} s  {name}")
        failed = [name for name, verdict, _ in self.results if verdict != "ok"]
        print(f"Failed: {', '.join(failed)}." if failed else f"All {len(self.results)} steps passed.", flush=True)
        return 1 if failed else 0

    def _note(self, name: str, passed: bool, started: float) -> None:
        self.results.append((name, "ok" if passed else "FAILED", time.monotonic() - started))


def _surroundings() -> dict[str, str]:
    """The environment of a step: what Python has compiled is kept for the next, beside the environments, even where the
    shell wants none kept. Pytest takes half of its time to compile the tests, and many tests start Pythons."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return {**kept, "PYTHONPYCACHEPREFIX": str(ENVIRONMENTS / "compiled")}


if __name__ == "__main__":
    sys.exit(guarded(main))
