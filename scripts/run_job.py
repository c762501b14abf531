# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs a job file: from the mesh of an assembly to checked print files.

    python3 scripts/run_job.py JOB.toml

In Blender the same is `blender --command ferrule JOB.toml`.
"""

from __future__ import annotations

import sys

from _environment import enter, guarded, undisturbed


def main() -> int:
    enter()
    with undisturbed():
        from addon.ui.command_line import main as run
    return run(sys.argv[1:])


if __name__ == "__main__":
    sys.exit(guarded(main))
