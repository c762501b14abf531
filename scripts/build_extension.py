# SPDX-License-Identifier: GPL-3.0-or-later
"""Writes the extension that Blender installs: one zip a platform, with the wheels that the add-on needs there.

    python3 scripts/build_extension.py [--out DIR] [--here]
    blender --background --python scripts/build_extension.py [-- [--out DIR] [--here]]

The second way needs no Python beside Blender's own. Wheels are fetched by the hashes in the lock file and kept in
build/wheels.
"""

from __future__ import annotations

import argparse
import base64
import hashlib
import importlib.util
import os
import platform
import shutil
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))  # Blender leaves it out

from _environment import REPOSITORY, SetUpError, enter, guarded, lock_file
from _interpreter import BLENDERS

IN_BLENDER = "bpy" in sys.modules

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
WITHOUT_CASCADIO = {"windows-arm64"}
"""Platforms that it has no wheels for; the add-on reads no STEP there."""


def main() -> int:
    parser = argparse.ArgumentParser(description="Write the extension that Blender installs, one zip a platform.")
    parser.add_argument("--out", type=Path, default=REPOSITORY / "build", metavar="DIR", help="output folder (build)")
    parser.add_argument("--here", action="store_true", help="only for the platform that this runs on")
    arguments = parser.parse_args(_given())
    if not IN_BLENDER:
        enter()
    platforms = [_here()] if arguments.here else list(PLATFORMS)
    print("Collecting the wheels of manifold3d, cascadio and tomlkit ...", flush=True)
    try:
        wheels = [wheel for name in platforms for wheel in _wheels(name)]
        wheels.append(_wheel("tomlkit", "any", PYTHONS[0]))
        archives = _build(platforms, wheels, arguments.out)
    except (OSError, subprocess.CalledProcessError) as error:
        raise SetUpError(f"The extension was not written: {error}") from error
    for archive in archives:
        print(f"{archive} ({archive.stat().st_size / 1e6:.1f} MB)")
    print(
        "In Blender: Edit > Preferences > Get Extensions, the arrow at the upper right, Install from Disk; or drag your"
    )
    print("platform's zip into the window.")
    return 0


def _given() -> list[str]:
    """This script's own arguments; Blender's come before a ``--``."""
    if not IN_BLENDER:
        return sys.argv[1:]
    return sys.argv[sys.argv.index("--") + 1 :] if "--" in sys.argv else []


def _here() -> str:
    """Blender's name for the platform that this runs on."""
    system = {"win32": "windows", "darwin": "macos"}.get(sys.platform, "linux")
    return f"{system}-{'arm64' if platform.machine().lower() in ('arm64', 'aarch64') else 'x64'}"


def _wheels(name: str) -> list[Path]:
    """All that one platform needs beside pure Python."""
    if name not in PLATFORMS:
        raise SetUpError(f"Blender's extensions are built for {', '.join(PLATFORMS)}, not for {name}.")
    tag = PLATFORMS[name]
    wheels = [_wheel("manifold3d", tag, python) for python in PYTHONS]
    if name not in WITHOUT_CASCADIO:
        wheels.append(_merged(_wheel("cascadio", tag, PYTHONS[0]), _wheel("cascadio", tag, PYTHONS[1])))
    return wheels


def _wheel(package: str, tag: str, python: str) -> Path:
    """A package's wheel for one of pip's platforms and a Python; "any" is the platform of pure Python."""
    pin, folder = _pin(package), WHEELS / f"{package}-{tag}-{python}"
    wheels = [wheel for wheel in folder.glob("*.whl") if hashlib.sha256(wheel.read_bytes()).hexdigest() in pin]
    return wheels[0] if wheels else _fetch(pin, tag, python, folder)


def _merged(first: Path, second: Path) -> Path:
    """One wheel out of a Python's own and that of the stable interface for later ones, which hold the same libraries.

    Python prefers the module with its own version's ending. Two wheels would make the extension twice as large. It is
    kept for the next time that this is run with the same wheels.
    """
    made_from = hashlib.sha256(b"".join(path.read_bytes() for path in (first, second, Path(__file__))))
    folder = WHEELS / f"cascadio-merged-{made_from.hexdigest()[:16]}"
    names, tags = first.stem.split("-"), second.stem.split("-")
    if names[-1] != tags[-1]:
        raise SetUpError(f"{first.name} and {second.name} are for different platforms.")
    merged = folder / f"{'-'.join(names[:2])}-{names[2]}.{tags[2]}-{names[3]}.{tags[3]}-{names[4]}.whl"
    if merged.exists():
        return merged
    folder.mkdir(parents=True, exist_ok=True)
    begun = folder / f"{os.getpid()}.part"
    record: list[str] = []
    with zipfile.ZipFile(begun, "w", zipfile.ZIP_DEFLATED) as target:
        for source in (first, second):
            with zipfile.ZipFile(source) as wheel:
                for entry in wheel.infolist():
                    if entry.filename in target.namelist() or entry.filename.endswith("/RECORD"):
                        continue
                    data = wheel.read(entry)
                    if entry.filename.endswith(".dist-info/WHEEL"):
                        data += b"".join(
                            b"Tag: %b\n" % "-".join([*tags[2:4], part]).encode() for part in tags[4].split(".")
                        )
                    target.writestr(entry, data, zipfile.ZIP_DEFLATED)
                    digest = base64.urlsafe_b64encode(hashlib.sha256(data).digest()).rstrip(b"=").decode()
                    record.append(f"{entry.filename},sha256={digest},{len(data)}")
        name = f"{'-'.join(names[:2])}.dist-info/RECORD"
        target.writestr(name, "\n".join([*record, f"{name},,", ""]))
    return begun.replace(merged)


def _pin(package: str) -> str:
    """A package's entry in the lock file: its version and the hashes of all its wheels."""
    lines = lock_file(BLENDERS[0], "run").read_text(encoding="utf-8").splitlines()
    first = next(number for number, line in enumerate(lines) if line.startswith(f"{package}=="))
    last = next(number for number in range(first, len(lines)) if not lines[number].endswith("\\"))
    return "\n".join(lines[first : last + 1]) + "\n"


def _fetch(pin: str, tag: str, python: str, folder: Path) -> Path:
    """The wheel, which comes into the folder whole: another run may be fetching it too."""
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder) as scratch:
        requirement = Path(scratch, "requirement.txt")
        requirement.write_text(pin, encoding="utf-8")
        command = [sys.executable, "-m", "pip", "download", "-qq", "--disable-pip-version-check", "--require-hashes"]
        command += ["--no-deps", "--only-binary", ":all:", "--platform", tag, "--python-version", python]
        subprocess.run([*command, "--dest", scratch, "--requirement", requirement], check=True, env=_with_pip())
        wheel = next(Path(scratch).glob("*.whl"))
        return wheel.replace(folder / wheel.name)


def _with_pip() -> dict[str, str]:
    """The environment in which Python finds pip: its own, or the one that it keeps to install, as Blender's does."""
    if importlib.util.find_spec("pip"):
        return dict(os.environ)
    kept = importlib.util.find_spec("ensurepip")
    wheels = sorted(Path(kept.origin).parent.glob("_bundled/pip-*.whl")) if kept and kept.origin else []
    if not wheels:
        raise SetUpError(f"{sys.executable} comes without pip, which fetches the wheels; install pip for it.")
    return {**os.environ, "PYTHONPATH": str(wheels[-1])}


def _build(platforms: list[str], wheels: list[Path], out: Path) -> list[Path]:
    """Packs add-on, licences and wheels with the packer that comes with Blender, and has it check the results."""
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=out) as scratch:
        source = Path(scratch, "ferrule")
        shutil.copytree(ADDON, source, ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(REPOSITORY / "LICENSE", source)
        shutil.copytree(REPOSITORY / "licences", source / "licences")
        (source / "wheels").mkdir()
        for wheel in wheels:
            shutil.copy(wheel, source / "wheels")
        manifest = source / "blender_manifest.toml"
        manifest.write_text(_lists(platforms, wheels) + manifest.read_text(encoding="utf-8"), encoding="utf-8")
        _blender_packer("build", "--split-platforms", "--source-dir", source, "--output-dir", scratch)
        archives = sorted(Path(scratch).glob("*.zip"))
        for archive in archives:
            _blender_packer("validate", archive)
        return [archive.replace(out / archive.name) for archive in archives]


def _lists(platforms: list[str], wheels: list[Path]) -> str:
    """What only a packed extension's manifest says, as TOML to put before the rest."""
    names = ", ".join(f'"{name}"' for name in platforms)
    paths = "".join(f'  "./wheels/{wheel.name}",\n' for wheel in wheels)
    return f"platforms = [{names}]\nwheels = [\n{paths}]\n"


def _blender_packer(*arguments: str | Path) -> None:
    """Runs the command behind `blender --command extension`, which the bpy module has no other way to."""
    (packer,) = _scripts().glob("addons_core/bl_pkg/cli/blender_ext.py")
    done = subprocess.run([sys.executable, packer, *arguments], capture_output=True, text=True)
    if done.returncode:
        raise SetUpError(f"Blender's packer refuses the extension:\n{done.stdout}{done.stderr}")


def _scripts() -> Path:
    """The folder of Blender's own scripts."""
    if IN_BLENDER:
        import bpy

        return Path(bpy.utils.system_resource("SCRIPTS"))  # type: ignore[attr-defined]
    module = importlib.util.find_spec("bpy")
    assert module is not None and module.origin is not None
    return next(Path(module.origin).parent.glob("*/scripts"))


if __name__ == "__main__":
    sys.exit(guarded(main))
