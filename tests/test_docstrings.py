"""The package is walked: every public name is told, every number has its unit and every array its shape.

Units stand in the name (`_deg`, `_s`, ...) or beside the name in a docstring of the function, its class or its module; a
name that says it is a pure number (a share, a ratio) needs none. Shapes stand in one of these docstrings too.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "misfire"
UNITS = {
    "deg", "rad", "s", "ms", "us", "c", "bits", "turns", "rpm", "hz", "pct", "j", "nm", "nms", "n",
    "kg", "m", "mm", "m2", "m3", "kpa", "pa", "bar", "v", "kmh", "px", "m_s", "rad_s", "rad_s2",
    "kg_m2", "nm_rad", "n_s2_m2", "per_s",
}  # fmt: skip
# a probability is p or p_..., an error probability alpha or beta, lost work a share of the normal one
PURE = (
    "share", "ratio", "fraction", "factor", "damping", "alpha", "beta", "p", "power", "confidence", "rate", "dispersion",
    "exponent", "lost",
)  # fmt: skip
ARRAY = re.compile(r"FloatArray|IntArray|BoolArray|SampleArray|ArrayLike|NDArray|ndarray")
FLOAT = re.compile(r"(?<![\w.\[])float\b")
# a unit in square brackets, a range, or the word that makes it a pure number
TOLD = re.compile(
    r"\[[^\]]+\]|\d\.\.\d|0 .{0,20}to 1|probability|probabilities|chance|pixels|degrees|share|ratio|factor|constants|number of|relative|lost work",
    re.IGNORECASE,
)


def named_with_unit(name: str) -> bool:
    """Whether a name carries its unit or says that it has none."""
    words = name.split("_")
    tails = {"_".join(words[i:]) for i in range(1, len(words))} | {w for w in words[1:]}
    return (
        bool(tails & UNITS)
        or name in ("rpm", "hz", "kpa", "minutes", "turns", "p")
        or any(w in PURE for w in words)
    )


def told_beside(name: str, text: str) -> bool:
    """Whether a docstring speaks of the name and gives a unit, range or shape close to it."""
    for hit in re.finditer(rf"(?<!\w){re.escape(name)}(?!\w)", text):
        if TOLD.search(text[max(hit.start() - 120, 0) : hit.end() + 240]):
            return True
    return False


def parameters(node: ast.FunctionDef | ast.ClassDef) -> Iterator[tuple[str, str]]:
    """Name and annotation of a function's parameters, or of a dataclass' public fields."""
    if isinstance(node, ast.FunctionDef):
        a = node.args
        for p in (*a.posonlyargs, *a.args, *a.kwonlyargs):
            if p.annotation is not None:
                yield p.arg, ast.unparse(p.annotation)
        return
    for item in node.body:
        if isinstance(item, ast.AnnAssign) and isinstance(item.target, ast.Name):
            yield item.target.id, ast.unparse(item.annotation)


def faults(source: str) -> list[str]:
    """What a module leaves unsaid, one line each."""
    tree = ast.parse(source)
    module = ast.get_docstring(tree) or ""
    out = [] if module else ["module: no docstring"]

    def look(node: ast.FunctionDef | ast.ClassDef, inside: str, around: str) -> None:
        if node.name.startswith("_"):
            return
        name = f"{inside}{node.name}"
        own = ast.get_docstring(node) or ""
        if not own:
            out.append(f"{name}: no docstring")
        text = f"{own}\n{around}"
        for p, annotation in parameters(node):
            if p.startswith("_"):
                continue
            if ARRAY.search(annotation):
                if "shape" not in text:
                    out.append(f"{name}: the shape of {p} is not told")
            elif FLOAT.search(annotation) and not named_with_unit(p) and not told_beside(p, text):
                out.append(f"{name}: the unit of {p} is not told")
        if isinstance(node, ast.ClassDef):
            for item in node.body:
                if isinstance(item, ast.FunctionDef):
                    look(item, f"{name}.", text)

    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            look(node, "", module)
    return out


MODULES = sorted(p.relative_to(PACKAGE).as_posix() for p in PACKAGE.rglob("*.py"))


def test_the_walk_sees_the_package() -> None:
    assert len(MODULES) > 100


@pytest.mark.parametrize("name", MODULES)
def test_public_names_units_and_shapes(name: str) -> None:
    found = faults((PACKAGE / name).read_text("utf-8"))
    if name.startswith("cli/"):
        # options of a command carry a help text, which test_usage holds them to
        found = [f for f in found if "no docstring" in f]
    assert found == []


@pytest.mark.parametrize(
    ("source", "fault"),
    [
        ("x = 1", "module: no docstring"),
        ('"""M."""\ndef f(): ...', "f: no docstring"),
        ('"""M."""\nclass A:\n    """A."""\n    def g(self): ...', "A.g: no docstring"),
        ('"""M."""\ndef f(speed: float):\n    """Of `speed`."""', "f: the unit of speed is not told"),
        ('"""M."""\ndef f(time_s: FloatArray):\n    """Of times."""', "f: the shape of time_s is not told"),
        ('"""M."""\nclass A:\n    """A."""\n    speed: float', "A: the unit of speed is not told"),
    ],
)
def test_the_walk_bites(source: str, fault: str) -> None:
    assert faults(source) == [fault]


@pytest.mark.parametrize(
    "source",
    [
        '"""M."""\ndef f(speed: float):\n    """At `speed` [rad/s]."""',
        '"""M."""\ndef f(speed_rad_s: float, share: float, _x: float = 0):\n    """F."""',
        '"""Arrays have shape (events,)."""\ndef f(x: FloatArray):\n    """F."""',
        '"""M."""\ndef _f(speed: float): ...',
    ],
)
def test_what_is_told_passes(source: str) -> None:
    assert faults(source) == []
