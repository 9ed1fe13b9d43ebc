"""Fixtures of the readers' tests."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.intake.sensor import Crank


@pytest.fixture
def crank() -> Crank:
    return Crank()


@pytest.fixture(scope="session")
def recordings() -> Path:
    """The real recordings beside the project; the test is skipped where they are absent."""
    folder = Path(__file__).resolve().parents[3] / "shared" / "recordings"
    if not folder.is_dir():
        pytest.skip("the real recordings are not beside the project")
    return folder
