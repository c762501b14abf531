# SPDX-License-Identifier: GPL-3.0-or-later
"""Does the whole job in a real Blender with a window, as a user would, and photographs each step: the demo in a small
window, other weldments in a large one, with letters of two sizes in both.

    BLENDER=/path/to/blender python3 scripts/window_check.py [--out DIR] [--pictures]

Any Blender from 4.5 on will do. The built extension is installed into clean settings, which do not touch your own.
A photograph shows what of the window the screen has room for. ``--pictures`` puts some into docs/pictures.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

from _environment import REPOSITORY, SetUpError, enter, guarded

TOUR = REPOSITORY / "scripts" / "window_tour.py"
PICTURES = REPOSITORY / "docs" / "pictures"
SHOWN = ("read", "fitted", "holes", "dragged", "refused", "review", "exported", "learned")
"""Photographs that the guide shows."""
PARTS = {"demo": (1280, 720), "weldments": (1920, 1080)}
"""The tour's parts, each in a window of its own size."""
PATIENCE_S = 1800


def main() -> int:
    parser = argparse.ArgumentParser(description="Do the job in a Blender with a window.")
    parser.add_argument("--out", type=Path, default=REPOSITORY / "out" / "window", metavar="DIR", help="where")
    parser.add_argument("--pictures", action="store_true", help="renew docs/pictures")
    arguments = parser.parse_args()
    blender = os.environ.get("BLENDER")
    if not blender:
        print("The window was not checked: set BLENDER to a Blender that can open one.")
        return 0
    enter()
    from demo_assembly import write_demo

    out = arguments.out.absolute()
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir(parents=True)
    _install(blender, out)
    assembly = write_demo(out).with_name("market_stall.stl")
    _write_steps(out)
    parts = [_tour(blender, out, assembly, part) for part in PARTS]
    steps = [step for part in parts for step in part]
    for step in steps:
        print("ok " if step["sound"] else "BAD", step["said"], f"({step['picture']})" if step["picture"] else "")
    if arguments.pictures:
        _renew_pictures(out)
    print(f"Photographs are in {out}")
    ended = all(part and part[-1]["said"].startswith("The tour") for part in parts)
    return 0 if ended and all(step["sound"] for step in steps) else 1


def _install(blender: str, out: Path) -> None:
    """The built extension, into settings of its own."""
    subprocess.run([sys.executable, REPOSITORY / "scripts" / "build_extension.py", "--here", "--out", out], check=True)
    archive = next(out.glob("ferrule-*.zip"))
    command = [blender, "--command", "extension", "install-file", "-r", "user_default", "-e", str(archive)]
    done = subprocess.run(command, env=_settings(out), capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    if done.returncode:
        raise SetUpError(f"Blender did not take the extension: {done.stdout}{done.stderr}")


def _tour(blender: str, out: Path, assembly: Path, part: str) -> list[dict[str, str]]:
    size = map(str, PARTS[part])
    command = [blender, "--enable-event-simulate", "--window-geometry", "0", "0", *size]
    command += ["--python-exit-code", "1", "--python", str(TOUR), "--", str(out), str(assembly), part]
    log_file, record = out / f"{part}.log", out / f"{part}.json"
    with log_file.open("w") as log:
        subprocess.run(command, env=_settings(out), stdout=log, stderr=log, timeout=PATIENCE_S, check=False)
    if not record.exists():
        raise SetUpError(f"The tour did not start; see {log_file}.")
    return json.loads(record.read_text())


def _write_steps(out: Path) -> None:
    """A mitred tube as a STEP file in a folder of its own, and long thin ones in a file that takes some seconds."""
    import gmsh

    (out / "step").mkdir()
    gmsh.initialize()
    try:
        gmsh.option.setNumber("General.Terminal", 0)
        for name, long, count in (("step/tube.step", 400.0, 1), ("long.step", 6000.0, 64)):
            gmsh.clear()
            occ = gmsh.model.occ
            for number in range(count):
                outside, bore = (occ.addCylinder(50.0 * number, 0, 0, 0, 0, long, radius) for radius in (5.0, 4.0))
                waste = occ.addBox(50.0 * number - 20, -20, 0, 40, 40, 40)
                occ.rotate([(3, waste)], 50.0 * number, 0, 0, 0, 1, 0, 0.7)
                occ.translate([(3, waste)], 0, 0, long - 10)
                occ.cut([(3, outside)], [(3, bore), (3, waste)])
            occ.synchronize()
            gmsh.write(str(out / name))
    finally:
        gmsh.finalize()


def _settings(out: Path) -> dict[str, str]:
    return {**os.environ, "BLENDER_USER_RESOURCES": str(out / "settings")}


def _renew_pictures(out: Path) -> None:
    PICTURES.mkdir(parents=True, exist_ok=True)
    for name in SHOWN:
        shutil.copyfile(next(out.glob(f"[0-9][0-9] {name}.png")), PICTURES / f"window_{name}.png")


if __name__ == "__main__":
    sys.exit(guarded(main))
