"""Scenarios from TOML: the shipped library and files of one's own."""

from __future__ import annotations

import dataclasses
import difflib
import math
import tomllib
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any, get_type_hints

from misfire.engine import Engine
from misfire.errors import InputError
from misfire.simulate.gas import GasModel
from misfire.simulate.scenario import (
    Clock,
    Combustion,
    Controller,
    Driveline,
    Fault,
    Misfires,
    Phase,
    Scenario,
    ToothErrors,
    Torsion,
    prepared_engine,
)

_TABLES: dict[str, type] = {
    "gas": GasModel, "combustion": Combustion, "teeth": ToothErrors, "clock": Clock,
    "driveline": Driveline, "torsion": Torsion, "controller": Controller,
}  # fmt: skip
_LISTS: dict[str, type] = {"programme": Phase, "misfires": Misfires, "faults": Fault}
_ENGINE_TABLES = ("wheel", "cam", "cylinder1", "engine")
_SCALARS = ("title", "seed", "layout", "friction", "accessory_nm", "coolant_c", "channel_hz", "step_deg")


def scenario_from_mapping(data: Mapping[str, Any], name: str) -> Scenario:
    """Build from parsed TOML: `layout` names a shipped engine, or an [engine] section describes one.

    Raises InputError that names the key and the nearest known one.
    """
    known = [*_TABLES, *_LISTS, *_ENGINE_TABLES, *_SCALARS]
    kw: dict[str, Any] = {"name": name}
    for key, value in data.items():
        if key not in known:
            raise InputError(f"{name}: unknown key '{key}'{_near(key, known)}")
        if key in _TABLES:
            kw[key] = _build(_TABLES[key], value, f"{name}: [{key}]")
        elif key in _LISTS:
            if not isinstance(value, list):
                raise InputError(f"{name}: {key} is a list of steps, written [[{key}]]")
            kw[key] = tuple(_build(_LISTS[key], v, f"{name}: [[{key}]]") for v in value)
        elif key in _SCALARS and key != "layout":
            want = str if key == "title" else int if key == "seed" else float
            kw[key] = _value(value, want, f"{name}: {key}")
    described = {k: data[k] for k in _ENGINE_TABLES if k in data}
    if "engine" in described:
        engine = Engine.from_mapping(described, name)
    else:
        engine = Engine.load(str(data.get("layout", "inline4")))
        if described:
            part = Engine.from_mapping({**described, "engine": {"firing_order": [1]}}, name)
            engine = dataclasses.replace(
                engine,
                wheel=part.wheel or engine.wheel,
                cam_edges_deg=part.cam_edges_deg if "cam" in described else engine.cam_edges_deg,
                mark_after_tdc1_deg=part.mark_after_tdc1_deg
                if "cylinder1" in described
                else engine.mark_after_tdc1_deg,
                marks_per_cycle=part.marks_per_cycle if "cylinder1" in described else engine.marks_per_cycle,
            )
    if "programme" not in kw:
        raise InputError(f"{name}: the programme is missing; give at least one [[programme]] step")
    return Scenario(engine=prepared_engine(engine), **kw)


def _build(kind: type, body: Any, where: str) -> Any:
    if not isinstance(body, Mapping):
        raise InputError(f"{where}: must be a section with keys")
    hints = get_type_hints(kind)
    kw = {}
    for key, value in body.items():
        if key not in hints:
            raise InputError(f"{where}: unknown key '{key}'{_near(key, list(hints))}")
        kw[key] = _value(value, hints[key], f"{where}: {key}")
    try:
        return kind(**kw)
    except TypeError as err:
        raise InputError(f"{where}: {str(err).split('__init__() ')[-1]}") from err


def _value(value: Any, hint: Any, where: str) -> Any:
    text = str(hint)
    bad = InputError(f"{where} = {value!r}: not what is expected ({text.replace('<class ', '').strip('>')})")
    if isinstance(value, bool):
        if hint is bool:
            return value
        raise bad
    if text.startswith("tuple"):
        if not isinstance(value, list) or not all(isinstance(v, (int, float)) for v in value):
            raise bad
        return tuple(value)
    if text.startswith("dict"):
        if not isinstance(value, Mapping) or not all(isinstance(v, (int, float)) for v in value.values()):
            raise bad
        return {str(k): float(v) for k, v in value.items()}
    if hint is str or hint is int:
        if not isinstance(value, hint):
            raise bad
        return value
    if "float" in text and isinstance(value, (int, float)):
        if math.isnan(value):
            raise bad
        return float(value)
    raise bad


def _near(word: str, known: list[str]) -> str:
    hit = difflib.get_close_matches(word, known, 1, 0.6)
    return f"; did you mean '{hit[0]}'?" if hit else f"; known are {', '.join(sorted(known))}"


def scenario_names() -> list[str]:
    """Names of the shipped scenarios, sorted."""
    folder = resources.files("misfire").joinpath("simulate", "scenarios")
    return sorted(p.name.removesuffix(".toml") for p in folder.iterdir() if p.name.endswith(".toml"))


def scenario_text(name: str | None) -> str:
    """The TOML text of a shipped scenario; None: the page that explains every key. Raises InputError."""
    if name is not None and name not in scenario_names():
        raise InputError(f"scenario '{name}': no such shipped scenario{_near(name, scenario_names())}")
    file = "README.md" if name is None else f"{name}.toml"
    return resources.files("misfire").joinpath("simulate", "scenarios", file).read_text("utf-8")


def load_scenario(source: str | Path) -> Scenario:
    """A shipped scenario by name, or one from a TOML file. Raises InputError."""
    text = str(source)
    if text in scenario_names():
        file = resources.files("misfire").joinpath("simulate", "scenarios", f"{text}.toml")
        return scenario_from_mapping(tomllib.loads(file.read_text("utf-8")), text)
    path = Path(text)
    if not path.is_file():
        raise InputError(
            f"scenario '{text}': no such file and no such scenario{_near(text, scenario_names())}"
        )
    try:
        if path.stat().st_size > 1_000_000:
            raise InputError(f"{text}: larger than 1 MB, not a scenario file; give the TOML file")
        data = tomllib.loads(path.read_text("utf-8-sig"))
    except (OSError, UnicodeDecodeError) as err:
        raise InputError(f"{text}: cannot be read as text; give a scenario file (TOML)") from err
    except (ValueError, RecursionError) as err:
        raise InputError(f"{text}: not valid TOML ({err}); correct that line") from err
    return scenario_from_mapping(data, path.stem)
