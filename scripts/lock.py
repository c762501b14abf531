# SPDX-License-Identifier: GPL-3.0-or-later
"""Rewrites scripts/locks/*.txt from the short lists beside them: exact versions, with hashes for every platform.

python3 scripts/lock.py             keeps the locked versions that the lists still allow
python3 scripts/lock.py --upgrade   takes the newest versions that the lists allow
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import venv
from pathlib import Path

from _environment import LOCKS, Purpose, lock_file
from _interpreter import BLENDERS, Blender


def main() -> int:
    parser = argparse.ArgumentParser(description="Rewrite the lock files from their lists.")
    parser.add_argument("--upgrade", action="store_true", help="take the newest versions that the lists allow")
    upgrade = parser.parse_args().upgrade
    with tempfile.TemporaryDirectory() as scratch:
        venv.create(scratch, with_pip=True)
        programs = Path(scratch, "Scripts" if os.name == "nt" else "bin")
        subprocess.run([programs / "python", "-m", "pip", "install", "--quiet", "uv"], check=True)
        for blender in BLENDERS:
            _lock(programs / "uv", blender, "run", ["run.in"], upgrade)
            # The test lock repeats the run lock's versions, so that one environment can grow into the other.
            run = lock_file(blender, "run").name
            _lock(programs / "uv", blender, "test", ["run.in", "test.in", "--constraints", run], upgrade)
    return 0


def _lock(uv: Path, blender: Blender, purpose: Purpose, lists: list[str], upgrade: bool) -> None:
    target = lock_file(blender, purpose)
    command = [str(uv), "pip", "compile", "--quiet", "--universal", "--python-version", blender.python]
    command += ["--generate-hashes", "--no-header", "--no-annotate", "--no-emit-index-url", "--no-emit-find-links"]
    command += ["--output-file", target.name, f"bpy-{blender.version}.in", *lists]
    command += ["--upgrade"] if upgrade else []
    subprocess.run(command, check=True, cwd=LOCKS, env={**os.environ, "UV_PYTHON_DOWNLOADS": "never"})
    pins = target.read_text(encoding="utf-8")
    target.write_text(f"# Written by scripts/lock.py; edit the .in files instead.\n{pins}", encoding="utf-8")
    print(f"{target.name}: {pins.count('==')} packages")


if __name__ == "__main__":
    sys.exit(main())
