# SPDX-License-Identifier: GPL-3.0-or-later
"""What holds for the whole repository: who may import what, what no file may name, that Blender takes the result."""

from __future__ import annotations

import ast
import graphlib
import json
import os
import re
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).parent.parent
ADDON = REPOSITORY / "addon"
BLENDERS_OWN = {"bpy", "bmesh", "gpu", "gpu_extras", "blf", "bl_ui", "mathutils", "freestyle", "aud", "imbuf", "idprop"}
ROOMS = ("geometry", "fields", "trade", "takeoff", "shaping", "families", "review", "bench", "files")
"""In the order in which the house is walked: each may use only those before it."""
UNKNOWN = {"files": {"bench"}}
"""Rooms that lie before one, and of which it knows nothing for all that."""
TOOLS = {("files", "atomic"), ("files", "errors"), ("files", "texts"), ("geometry", "names")}
"""Modules that use no room, so that every room may use them: whatever is written is written by the first two, and names
go into sentences by the last."""

MODULES = sorted(path for path in ADDON.rglob("*.py"))
OUTSIDE_UI = [path for path in MODULES if "ui" not in path.relative_to(ADDON).parts]


def _id(path: Path) -> str:
    return str(path.relative_to(REPOSITORY))


def _module(path: Path) -> tuple[str, ...]:
    """The dotted name, split at the dots; of a package's ``__init__`` the package's."""
    parts = path.relative_to(REPOSITORY).with_suffix("").parts
    return parts[:-1] if parts[-1] == "__init__" else parts


def _imports(path: Path) -> list[tuple[str, ...]]:
    """Every module that a file imports, anywhere in it, split at the dots; those of the add-on start with "addon"."""
    package = path.relative_to(REPOSITORY).parent.parts
    modules = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            modules += [tuple(alias.name.split(".")) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            start = package[: len(package) - node.level + 1] if node.level else ()
            module = (*start, *(node.module.split(".") if node.module else ()))
            modules += [(*module, alias.name) for alias in node.names]
    return modules


def test_only_ui_imports_blender():
    assert not [(_id(path), module) for path in OUTSIDE_UI for module in _imports(path) if module[0] in BLENDERS_OWN]


def test_a_room_knows_only_the_rooms_before_it():
    strange = []
    for path in OUTSIDE_UI:
        room, *module = path.relative_to(ADDON).with_suffix("").parts[:2]
        if room not in ROOMS:
            continue
        rooms = set() if (room, *module) in TOOLS else {*ROOMS[: ROOMS.index(room) + 1]} - UNKNOWN.get(room, set())
        used = [imported[1:3] for imported in _imports(path) if imported[0] == "addon" and len(imported) > 1]
        strange += [(_id(path), ".".join(own)) for own in used if own[0] not in rooms and own not in TOOLS]
    assert not strange


def test_no_modules_import_each_other_in_a_circle():
    modules = {_module(path): path for path in MODULES}
    graph = {}
    for module, path in modules.items():
        used = {imported if imported in modules else imported[:-1] for imported in _imports(path)}
        graph[module] = used & modules.keys() - {module}
    graphlib.TopologicalSorter(graph).prepare()  # names the circle


def test_no_two_modules_have_the_same_name():
    """But for the families' folders, which are alike inside."""
    places: dict[str, set[str]] = {}
    for path in MODULES:
        if path.stem != "__init__":
            room, *inner = path.relative_to(ADDON).parts
            places.setdefault(path.stem, set()).add(room if room == "families" and len(inner) > 1 else _id(path))
    assert not {name: sorted(where) for name, where in places.items() if len(where) > 1}


def test_no_public_class_or_type_has_two_meanings():
    places: dict[str, list[str]] = {}
    for path in MODULES:
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ClassDef):
                name = node.name
            elif isinstance(node, ast.Assign) and isinstance(node.value, ast.Subscript | ast.BinOp):
                name = ast.unparse(node.targets[0])
            else:
                continue
            if name[:1].isupper() and not name.isupper():
                places.setdefault(name, []).append(_id(path))
    assert not {name: where for name, where in places.items() if len(where) > 1}


IMPORT_ALL_BUT_UI = """
import importlib, json, sys
from pathlib import Path

class Refuse:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in BLENDERS_OWN:
            raise ImportError(f"{name} is not for the rooms below the window")

BLENDERS_OWN = set(json.loads(sys.argv[1]))
sys.meta_path.insert(0, Refuse())
for name in json.loads(sys.argv[2]):
    importlib.import_module(name)
assert not BLENDERS_OWN & set(sys.modules)
"""


def test_everything_outside_ui_loads_without_blender():
    names = [".".join(path.relative_to(REPOSITORY).with_suffix("").parts) for path in OUTSIDE_UI]
    arguments = [json.dumps(sorted(BLENDERS_OWN)), json.dumps(names)]
    command = [sys.executable, "-c", IMPORT_ALL_BUT_UI, *arguments]
    done = subprocess.run(command, cwd=REPOSITORY, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def _files() -> list[Path]:
    """All files that are, or would be, in the repository."""
    command = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    listed = subprocess.run(command, cwd=REPOSITORY, check=True, capture_output=True, text=True).stdout
    return [path for name in listed.split("\0") if name and (path := REPOSITORY / name).is_file()]


def _text(path: Path) -> str:
    return path.read_bytes().decode("utf-8", errors="replace")


REGISTRY_HOSTS = [
    ".".join(parts)
    for parts in (
        ("pypi", "org"),
        ("pythonhosted", "org"),
        ("npmjs", "org"),
        ("deb", "debian", "org"),
        ("proxy", "golang", "org"),
        ("crates", "io"),
    )
]
MACHINE_PATH = re.compile(r"(?<![\w.~$})-])/(?:work|root|home|opt|tmp|Users)/\w")


def test_no_file_names_a_package_registry_or_a_path_of_one_machine():
    files = _files()
    assert len(files) > 20
    texts = {_id(path): _text(path) for path in files}
    assert not [(name, host) for name, text in texts.items() for host in REGISTRY_HOSTS if host in text]
    assert not [(name, match[0]) for name, text in texts.items() if (match := MACHINE_PATH.search(text))]


def test_every_python_file_names_its_licence_first():
    assert not [
        _id(path)
        for path in _files()
        if path.suffix == ".py" and not _text(path).startswith("# SPDX-License-Identifier: GPL-3.0-or-later\n")
    ]


def test_project_and_manifest_agree():
    project = tomllib.loads(_text(REPOSITORY / "pyproject.toml"))["project"]
    manifest = tomllib.loads(_text(ADDON / "blender_manifest.toml"))
    assert manifest["version"] == project["version"]
    assert manifest["id"] == project["name"]
    assert manifest["license"] == [f"SPDX:{project['license']}"]


@pytest.mark.parametrize("kernel", ["manifold3d", "cascadio"])
def test_both_blenders_run_the_same_kernels(kernel):
    locks = sorted((REPOSITORY / "scripts" / "locks").glob("*.txt"))
    kernels = {re.search(rf"^{kernel}==\S+", _text(lock), re.MULTILINE)[0] for lock in locks}
    assert len(locks) == 4 and len(kernels) == 1


@pytest.fixture(scope="module")
def archive(tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("extension")
    command = [sys.executable, "scripts/build_extension.py", "--here", "--out", str(out)]
    done = subprocess.run(command, cwd=REPOSITORY, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    (zip_file,) = out.glob("*.zip")
    return zip_file


INSTALL = """
import sys
from pathlib import Path
import bpy
bpy.ops.extensions.package_install_files(repo="user_default", filepath=sys.argv[1], enable_on_install=True)
import bl_ext.user_default.ferrule as ferrule
print(ferrule.__file__)
wheels = Path(bpy.utils.user_resource("EXTENSIONS"), ".local")
print(*sorted(wheels.glob("**/manifold3d*.*")), *wheels.glob("**/tomlkit/api.py"), sep="\\n")
sys.path.insert(0, str(next(wheels.glob("**/cascadio")).parent))
import cascadio._core
print(cascadio._core.__file__)
bpy.ops.preferences.addon_disable(module="bl_ext.user_default.ferrule")
"""


def test_the_built_extension_installs_with_its_wheels(archive, tmp_path):
    done = subprocess.run(
        [sys.executable, "-c", INSTALL, str(archive)],
        env={**os.environ, "BLENDER_USER_RESOURCES": str(tmp_path)},
        cwd=tmp_path,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0 and "Traceback" not in done.stderr, done.stdout + done.stderr
    assert str(tmp_path / "extensions" / "user_default" / "ferrule") in done.stdout
    for module in (r"manifold3d\..*(so|pyd)", r"tomlkit.api\.py", r"cascadio._core\.\S*(so|pyd)"):
        assert re.search(rf"\.local.*site-packages.{module}$", done.stdout, re.MULTILINE), done.stdout


def test_an_extension_is_small_enough_and_holds_one_wheel_of_cascadio_for_every_python(archive):
    assert archive.stat().st_size < 50e6
    with zipfile.ZipFile(archive) as extension:
        assert {"LICENSE", "licences/LGPL-2.1.txt", "licences/OCCT-exception-1.0.txt"} <= set(extension.namelist())
        (name,) = (name for name in extension.namelist() if name.startswith("wheels/cascadio"))
        with extension.open(name) as file, zipfile.ZipFile(file) as wheel:
            modules = {
                module for module in wheel.namelist() if module.startswith("cascadio/_core.") and module[-1] != "i"
            }
            record = wheel.read(next(path for path in wheel.namelist() if path.endswith("/RECORD"))).decode()
            assert {line.split(",")[0] for line in record.splitlines()} == set(wheel.namelist())
    assert "cp311.cp312-cp311.abi3" in name and len(modules) == 2
