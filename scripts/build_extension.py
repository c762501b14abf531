# SPDX-License-Identifier: GPL-3.0-or-later
"""Writes the extension that Blender installs: one zip with manifold3d's wheels for every platform and tomlkit's one.

    python3 scripts/build_extension.py [--out DIR]

Wheels are fetched by the hashes in the lock file and kept in build/wheels.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib.util
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from _environment import REPOSITORY, SetUpError, enter, guarded, lock_file
from _interpreter import BLENDERS

ADDON = REPOSITORY / "addon"
WHEELS = REPOSITORY / "build" / "wheels"
PYTHONS = ("3.11", "3.13", "3.14")
"""Of Blender 4.5 to 5.0, of 5.1 and 5.2, and of Linux distributions' own builds of 5.2."""
PLATFORMS = {
    "windows-x64": "win_amd64",
    "windows-arm64": "win_arm64",
    "macos-x64": "macosx_11_0_x86_64",
    "macos-arm64": "macosx_11_0_arm64",
    "linux-x64": "manylinux_2_28_x86_64",
}
"""Blender's name for each platform, and the newest of pip's tags for it that may be taken."""


def main() -> int:
    parser = argparse.ArgumentParser(description="Write the extension that Blender installs.")
    parser.add_argument("--out", type=Path, default=REPOSITORY / "build", metavar="DIR", help="output folder (build)")
    out = parser.parse_args().out
    enter()
    print("Collecting the wheels of manifold3d and tomlkit ...", flush=True)
    try:
        wheels = [_wheel("manifold3d", platform, python) for platform in PLATFORMS.values() for python in PYTHONS]
        wheels.append(_wheel("tomlkit", "any", PYTHONS[0]))
        archive = _build(wheels, out)
    except (OSError, subprocess.CalledProcessError) as error:
        raise SetUpError(f"The extension was not written: {error}") from error
    size = archive.stat().st_size / 1e6
    print(f"{archive} ({size:.1f} MB, for {', '.join(PLATFORMS)})")
    print("In Blender: Edit > Preferences > Get Extensions > Install from Disk, or drag the zip into the window.")
    return 0


def _wheel(package: str, platform: str, python: str) -> Path:
    """A package's wheel for one of pip's platforms and a Python; "any" is the platform of pure Python."""
    pin, folder = _pin(package), WHEELS / f"{platform}-{python}"
    wheels = [wheel for wheel in folder.glob("*.whl") if hashlib.sha256(wheel.read_bytes()).hexdigest() in pin]
    return wheels[0] if wheels else _fetch(pin, platform, python, folder)


def _pin(package: str) -> str:
    """A package's entry in the lock file: its version and the hashes of all its wheels."""
    lines = lock_file(BLENDERS[0], "run").read_text(encoding="utf-8").splitlines()
    first = next(number for number, line in enumerate(lines) if line.startswith(f"{package}=="))
    last = next(number for number in range(first, len(lines)) if not lines[number].endswith("\\"))
    return "\n".join(lines[first : last + 1]) + "\n"


def _fetch(pin: str, platform: str, python: str, folder: Path) -> Path:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    requirement = folder / "requirement.txt"
    requirement.write_text(pin, encoding="utf-8")
    command = [sys.executable, "-m", "pip", "download", "-qq", "--disable-pip-version-check", "--require-hashes"]
    command += ["--no-deps", "--only-binary", ":all:", "--platform", platform, "--python-version", python]
    subprocess.run([*command, "--dest", folder, "--requirement", requirement], check=True)
    return next(folder.glob("*.whl"))


def _build(wheels: list[Path], out: Path) -> Path:
    """Packs add-on, licence and wheels with the packer that comes with Blender, and has it check the result."""
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=out) as scratch:
        source = Path(scratch, "ferrule")
        shutil.copytree(ADDON, source, ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(REPOSITORY / "LICENSE", source)
        (source / "wheels").mkdir()
        for wheel in wheels:
            shutil.copy(wheel, source / "wheels")
        manifest = source / "blender_manifest.toml"
        manifest.write_text(_lists(wheels) + manifest.read_text(encoding="utf-8"), encoding="utf-8")
        _blender_packer("build", "--source-dir", source, "--output-dir", scratch)
        archive = next(Path(scratch).glob("*.zip"))
        _blender_packer("validate", archive)
        return archive.replace(out / archive.name)


def _lists(wheels: list[Path]) -> str:
    """What only a packed extension's manifest says, as TOML to put before the rest."""
    platforms = ", ".join(f'"{name}"' for name in PLATFORMS)
    paths = "".join(f'  "./wheels/{wheel.name}",\n' for wheel in wheels)
    return f"platforms = [{platforms}]\nwheels = [\n{paths}]\n"


def _blender_packer(*arguments: str | Path) -> None:
    """Runs the command behind `blender --command extension`, which the bpy module has no other way to."""
    module = importlib.util.find_spec("bpy")
    assert module is not None and module.origin is not None
    (packer,) = Path(module.origin).parent.glob("*/scripts/addons_core/bl_pkg/cli/blender_ext.py")
    done = subprocess.run([sys.executable, packer, *arguments], capture_output=True, text=True)
    if done.returncode:
        raise SetUpError(f"Blender's packer refuses the extension:\n{done.stdout}{done.stderr}")


if __name__ == "__main__":
    sys.exit(guarded(main))
