"""Examples in docstrings run and give what they say."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest

import misfire

MODULES = [m.name for m in pkgutil.walk_packages(misfire.__path__, "misfire.") if "__main__" not in m.name]


@pytest.mark.parametrize("name", MODULES)
def test_examples(name: str) -> None:
    found = doctest.DocTestFinder(exclude_empty=True).find(importlib.import_module(name))
    for test in (t for t in found if t.examples):
        assert doctest.DocTestRunner(verbose=False).run(test).failed == 0, test.name


@pytest.mark.parametrize("name", ["analyse", "Engine", "Wheel"])
def test_what_one_begins_with_has_an_example(name: str) -> None:
    found = doctest.DocTestFinder().find(getattr(misfire, name), name)
    assert any(t.examples for t in found)
