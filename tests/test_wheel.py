"""The wheel as users get it: all files in it, and the demonstration runs with the source tree out of reach."""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]

# refuses to open or list anything of the source tree, whoever asks
GUARD = """
import os, sys
root, environment = os.environ["SOURCE_TREE"] + os.sep, os.path.abspath(sys.prefix) + os.sep
def inside(path):  # an environment kept in the tree is no part of it
    path = os.path.abspath(path) + os.sep
    return path.startswith(root) and not path.startswith(environment)
def watch(event, args):
    if event in ("open", "os.listdir", "os.scandir") and args and isinstance(args[0], str) and inside(args[0]):
        raise RuntimeError(f"the source tree was touched: {args[0]}")
sys.path[:] = [p for p in sys.path if not inside(p)]
sys.meta_path[:] = [f for f in sys.meta_path if "editable" not in type(f).__module__ + getattr(f, "__name__", "")]
sys.addaudithook(watch)
"""


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The built wheel; needs the build backend, no network."""
    if importlib.util.find_spec("hatchling") is None:
        pytest.skip("hatchling is not installed: pip install -e '.[test]'")
    out = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "--no-build-isolation", "--no-index", "-w", str(out), str(ROOT)]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    (made,) = out.glob("misfire-*.whl")
    return made


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel unpacked in a folder of its own, as pip does."""
    site = tmp_path_factory.mktemp("site")
    with zipfile.ZipFile(wheel) as z:
        z.extractall(site)
    return site


def run(site: Path, folder: Path, code: str) -> subprocess.CompletedProcess[str]:
    env = {**os.environ, "PYTHONPATH": str(site), "SOURCE_TREE": str(ROOT)}
    command = [sys.executable, "-P", "-c", GUARD + code]
    return subprocess.run(command, cwd=folder, env=env, capture_output=True, text=True, check=False)


def test_every_file_of_the_package_is_in_the_wheel_and_nothing_else(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as z:
        names = {n for n in z.namelist() if ".dist-info/" not in n}
    tree = {p.relative_to(ROOT).as_posix() for p in (ROOT / "misfire").rglob("*") if p.is_file()}
    tree = {n for n in tree if "__pycache__" not in n}
    demo = {f"misfire/demo_data/{p.name}" for p in (ROOT / "datasets" / "demo").iterdir() if p.is_file()}
    assert len(tree) > 100
    assert tree - names == set()
    assert names - tree - demo == set()
    assert {n for n in demo if n.endswith((".gz", ".csv", ".json", ".toml"))} - names == set()


def test_the_guard_sees_the_source_tree(installed: Path, tmp_path: Path) -> None:
    done = run(installed, tmp_path, f"open({str(ROOT / 'pyproject.toml')!r})")
    assert "the source tree was touched" in done.stderr


def test_every_module_is_imported_from_the_wheel(installed: Path, tmp_path: Path) -> None:
    code = """
import importlib, pkgutil, misfire
names = [m.name for m in pkgutil.walk_packages(misfire.__path__, "misfire.") if not m.name.endswith("__main__")]
for name in names: importlib.import_module(name)
for name in misfire.__all__: getattr(misfire, name)
from importlib.metadata import entry_points, version
assert version("misfire") == misfire.__version__
(script,) = [e for e in entry_points(group="console_scripts") if e.name == "misfire" and e.dist._path.parent.samefile(sys.argv[1])]
script.load()
print(len(names), misfire.__file__)
"""
    done = run(installed, tmp_path, code.replace("sys.argv[1]", repr(str(installed))))
    assert done.returncode == 0, done.stderr
    count, where = done.stdout.split(maxsplit=1)
    assert int(count) > 100
    assert Path(where.strip()).is_relative_to(installed)


def test_the_demonstration_and_the_shipped_data(installed: Path, tmp_path: Path) -> None:
    code = """
from misfire.cli import main
for words in (["demo", "--json", "demo.json"], ["engines"], ["simulate", "healthy_i4", "--out", "log"]):
    sys.argv = ["misfire", *words]
    try: main()
    except SystemExit as end: assert not end.code, (words, end.code)
"""
    done = run(installed, tmp_path, code)
    assert done.returncode == 0, done.stderr
    result = json.loads((tmp_path / "demo.json").read_text("utf-8"))
    causes = {f["cause"]: f["cylinders"] for f in result["verdict"]["findings"]}
    assert causes == {"crank_pattern": [3, 4]}
    for name in ("demo_before.html", "demo_compare.html", "demo_two_faults.html", "log/log.csv"):
        assert (tmp_path / name).stat().st_size > 10_000
    assert "inline6" in done.stdout
