"""Codes and counts of a cylinder that the engine does not have are refused, not passed over."""

from __future__ import annotations

from pathlib import Path

import pytest

from misfire.cli.options import check_cylinders
from misfire.engine import Engine
from misfire.errors import InputError


def test_codes() -> None:
    four = Engine.load("inline4")
    check_cylinders(four, ("P0300", "P0304", "P0313", "P0315", "P0363"), None)
    with pytest.raises(InputError, match="P0305 names cylinder 5"):
        check_cylinders(four, ("P0300", "P0305"), None)


def test_counts(tmp_path: Path) -> None:
    file = tmp_path / "counts.csv"
    file.write_text("cylinder,misfires\n1,0\n9,4\n")
    with pytest.raises(InputError, match="cylinder 9"):
        check_cylinders(Engine.load("inline4"), (), str(file))
