"""The samples, loaded by path because tests are no package."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def samples() -> ModuleType:
    path = Path(__file__).with_name("samples.py")
    spec = importlib.util.spec_from_file_location("report_samples", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
