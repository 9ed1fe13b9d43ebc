"""Break the core at one place at a time and see whether the tests of that room notice.

    python -m tests.mutation                 # all places, a table, exit 1 below 95 % caught
    python -m tests.mutation --only decide   # places whose file holds this text

Each run works in a copy in the system's temporary folder, never in this tree. A place counts as caught only when a
test fails; a run that does not begin, or does not end in time, is shown as such and is not counted as caught.
"""

from __future__ import annotations

import argparse
import os
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.mutation.places import PLACES, Place

ROOT = Path(__file__).resolve().parents[2]
PARTS = ("misfire", "tests", "datasets", "examples", "pyproject.toml", "README.md", "DEVELOPERS.md")
LEAST_CAUGHT = 0.95
LIMIT_S = 300.0


def copy_tree(folder: Path) -> Path:
    """The project in a folder of its own, the recordings beside it as they are beside this one."""
    home = folder / "project"
    home.mkdir()
    for name in PARTS:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, home / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(source, home / name)
    shared = ROOT.parent / "shared"
    if shared.is_dir():
        (folder / "shared").symlink_to(shared)
    return home


def arguments(tests: str) -> list[str]:
    """The words that pytest gets: options as they are, paths under tests/."""
    words, out = shlex.split(tests), []
    for before, word in zip(["", *words], words, strict=False):
        plain = word.startswith(("-", "tests")) or before.startswith("-")
        out.append(word if plain else f"tests/{word}")
    return out


def run_tests(home: Path, tests: str, limit_s: float = LIMIT_S) -> tuple[str, float]:
    """("caught" | "survived" | "broken" | "late", seconds): the first failing test ends the run."""
    words = arguments(tests)
    env = {**os.environ, "PYTHONPATH": str(home), "PYTHONDONTWRITEBYTECODE": "1", "OPENBLAS_NUM_THREADS": "1"}
    began = time.monotonic()
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-x",
        "-p",
        "no:cacheprovider",
        f"--basetemp={home.parent / 'bt'}",
    ]
    try:
        code = subprocess.run(
            [*command, *words], cwd=home, env=env, timeout=limit_s, check=False,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        ).returncode  # fmt: skip
    except subprocess.TimeoutExpired:
        return "late", limit_s
    # pytest: 0 all passed, 1 a test failed; anything else never judged the code
    return {0: "survived", 1: "caught"}.get(code, "broken"), time.monotonic() - began


def mutate(home: Path, place: Place) -> tuple[str, float]:
    """Change one place in the copy, run its tests, put it back."""
    path = home / "misfire" / place.file
    text = path.read_text("utf-8")
    if text.count(place.old) != 1:
        return "moved", 0.0
    path.write_text(text.replace(place.old, place.new), "utf-8")
    try:
        return run_tests(home, place.tests)
    finally:
        path.write_text(text, "utf-8")


def main() -> int:
    """Run, print the table, and say by the exit code whether enough was caught."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__.splitlines()[0])
    parser.add_argument("--only", default="", help="only places whose file holds this text")
    only = parser.parse_args().only
    places = [p for p in PLACES if only in p.file]
    with tempfile.TemporaryDirectory() as name:
        home = copy_tree(Path(name))
        every = sorted({w for p in places for w in arguments(p.tests) if w.startswith("tests")})
        found, took = run_tests(home, " ".join(every), 20 * LIMIT_S)
        if found != "survived":
            print(f"{' '.join(every)}: {found} before anything was changed; mend that first", file=sys.stderr)
            return 2
        print(f"nothing changed, all these tests: passed, {took:.0f} s", flush=True)
        rows = []
        for p in places:
            found, took = mutate(home, p)
            rows.append(found)
            print(
                f"{found:9} {took:5.0f} s  {p.file:20} {' '.join(p.old.split())[:50]:50} -> {' '.join(p.new.split())[:50]}",
                flush=True,
            )
    caught = rows.count("caught")
    print(f"{caught} of {len(rows)} caught ({100 * caught / max(len(rows), 1):.1f} %)")
    return 0 if caught >= LEAST_CAUGHT * len(rows) else 1


if __name__ == "__main__":
    sys.exit(main())
