"""Names and values of the standards: SAE J2012 / ISO 15031-6 codes, SAE J1979 responses (both restated)."""

from __future__ import annotations

import pytest

from misfire.errors import InputError
from misfire.intake.service01 import service01_value
from misfire.triage import code_name

CIRCUIT = ("malfunction", "range or performance", "low", "high", "intermittent")


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("P0300", "random multiple"),
        *[(f"P{300 + c:04d}", f"cylinder {c}") for c in range(1, 13)],
        ("P0313", "low fuel"),
        ("P0314", "single cylinder not specified"),
        ("P0315", "crankshaft position system variation not learned"),
        ("P0316", "startup first 1000 revolutions"),
        *[(f"P{335 + k:04d}", f"crankshaft position sensor A circuit {w}") for k, w in enumerate(CIRCUIT)],
        *[(f"P{340 + k:04d}", f"camshaft position sensor A circuit {w}") for k, w in enumerate(CIRCUIT)],
        *[(f"P{16 + k:04d}", "crankshaft camshaft correlation") for k in range(4)],
        ("P0363", "misfire detected fueling disabled"),
    ],
)
def test_short_names(code: str, words: str) -> None:
    name = (code_name(code) or "").replace(",", "").replace(":", "").split()
    assert set(words.split()) <= set(name)


@pytest.mark.parametrize(
    ("line", "name", "value", "within"),
    [
        ("41 0C 1A F8", "speed_rpm", 1726.0, 0.0),
        ("41 04 80", "load_pct", 50.196, 5e-4),
        ("41 05 7B", "coolant_c", 83.0, 0.0),
        ("42 0C 00 1A F8", "speed_rpm", 1726.0, 0.0),  # the same value in a freeze frame
    ],
)
def test_service_01(line: str, name: str, value: float, within: float) -> None:
    """$0C 1A F8 = 1726 rpm; $04 80 = 50.196 %; $05 7B = 83 C (derived from the formulas)."""
    found = service01_value(line)
    assert found is not None
    assert found[0] == name
    assert abs(found[1] - value) <= within


@pytest.mark.parametrize("line", ["", "no data", "7F 01 12", "41 0C 1A", "42 0C 00 1A"])
def test_service_01_refuses(line: str) -> None:
    with pytest.raises(InputError, match=r"service|copy the response whole"):
        service01_value(line)


def test_service_01_leaves_other_values_alone() -> None:
    assert service01_value("41 0D 32") is None
