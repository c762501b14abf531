# SPDX-License-Identifier: GPL-3.0-or-later
"""Makes a demo assembly, a market stall's frame, and runs the main job on it.

python3 scripts/demo.py [--out DIR]
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from _environment import REPOSITORY, enter, guarded, undisturbed


def main() -> int:
    parser = argparse.ArgumentParser(description="Make the printed parts for a market stall's frame.")
    parser.add_argument(
        "--out", type=Path, default=REPOSITORY / "out" / "demo", metavar="DIR", help="output folder (out/demo)"
    )
    out = parser.parse_args().out
    enter()
    with undisturbed():
        from addon.ui.command_line import DONE, NOT_READY
        from addon.ui.command_line import main as run
        from demo_assembly import write_demo
    out.mkdir(parents=True, exist_ok=True)
    code = run([str(write_demo(out))])
    # A bolt crosses one of the stall's ends, so that it is left out and the job is not complete, as it should be.
    return DONE if code == NOT_READY else code


if __name__ == "__main__":
    sys.exit(guarded(main))
