"""The engine: cylinders, firing order, companions, crank wheel, cam and marks.

Angles are crank degrees, 0 = firing top dead centre (TDC) of cylinder 1, growing in the direction of
rotation, 0..720 for a cycle. Wheel position 0 is the first tooth after the (longest) gap.
"""

from __future__ import annotations

import difflib
import itertools
import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from misfire.errors import InputError

FloatArray = npt.NDArray[np.float64]

CYCLE_DEG = 720.0
TURN_DEG = 360.0

_KEYS: dict[str, dict[str, tuple[float, float] | None]] = {
    "engine": {
        "name": None,
        "cylinders": (1, 16),
        "firing_order": None,
        "firing_tdc_deg": None,
        "bore_mm": (20, 300),
        "stroke_mm": (20, 400),
        "rod_mm": (40, 800),
        "compression_ratio": (4, 30),
        "reciprocating_mass_kg": (0.02, 20),
        "rotating_inertia_kg_m2": (0.0005, 50),
    },
    "wheel": {
        "positions": (2, 720),
        "missing_positions": None,
        "first_tooth_after_tdc1_deg": (0, 360),
        "tooth_angles_deg": None,
        "counted_edge": None,
    },
    "cam": {"edges_after_tdc1_deg": None},
    "cylinder1": {"mark_after_tdc1_deg": (-720, 720), "marks_per_cycle": (1, 2)},
}


@dataclass(frozen=True)
class Wheel:
    """A crank wheel: nominal tooth positions in one turn.

    Attributes
    ----------
    positions : int
        Tooth positions in a turn, the missing ones counted.
    missing : tuple of int
        Position numbers without a tooth; position 0 is the first tooth after the longest gap.
    first_tooth_after_tdc1_deg : float or None
        Crank angle [deg, 0..360) of position 0 after TDC of cylinder 1; None when not known.
    angles_deg : tuple of float or None
        Angles [deg] of the teeth of an irregular wheel after the first one; None for a regular wheel.
    counted_edge : str
        "rising" or "falling", the edge of a sampled waveform that marks a tooth; "both" when the angles are
        those of both edges of every tooth; "" when not given.
    """

    positions: int
    missing: tuple[int, ...] = ()
    first_tooth_after_tdc1_deg: float | None = None
    angles_deg: tuple[float, ...] | None = None
    counted_edge: str = ""

    @property
    def tooth_positions(self) -> npt.NDArray[np.int64]:
        """Position numbers that carry a tooth, ascending; shape (teeth,)."""
        if self.angles_deg is not None:
            return np.arange(len(self.angles_deg), dtype=np.int64)
        gone = set(self.missing)
        return np.array([p for p in range(self.positions) if p not in gone], dtype=np.int64)

    @property
    def tooth_angles_deg(self) -> FloatArray:
        """Nominal angle [deg] of every tooth after the first; shape (teeth,)."""
        if self.angles_deg is not None:
            return np.array(self.angles_deg, dtype=float) - self.angles_deg[0]
        return np.asarray(self.tooth_positions * (TURN_DEG / self.positions), dtype=float)

    @property
    def teeth(self) -> int:
        """Number of teeth, that is edges in a turn."""
        return len(self.angles_deg) if self.angles_deg is not None else self.positions - len(self.missing)

    @property
    def pitch_deg(self) -> float:
        """Angle [deg] from one position to the next of a regular wheel, the median for an irregular one."""
        if self.angles_deg is None:
            return TURN_DEG / self.positions
        a = self.tooth_angles_deg
        return float(np.median(np.diff(np.append(a, TURN_DEG))))

    @property
    def label(self) -> str:
        """The trade's short form: 60-2, 36-1, 24 (evenly toothed), 36-2+2 is written as 36-4."""
        if self.angles_deg is not None:
            return f"irregular, {self.teeth} teeth"
        return f"{self.positions}-{len(self.missing)}" if self.missing else f"{self.positions}"

    @classmethod
    def regular(cls, positions: int, missing: int = 0, **kw: Any) -> Wheel:
        """A wheel with one gap of `missing` teeth in front of position 0."""
        return cls(positions, tuple(range(positions - missing, positions)), **kw)

    @classmethod
    def from_label(cls, text: str) -> Wheel:
        """Read "60-2", "36-1" or "24". Raises InputError when the text is no such label.

        >>> wheel = Wheel.from_label("60-2")
        >>> wheel.teeth, wheel.missing, wheel.pitch_deg
        (58, (58, 59), 6.0)
        """
        parts = text.strip().split("-")
        try:
            numbers = [int(p) for p in parts]
        except ValueError:
            numbers = []
        if len(numbers) not in (1, 2) or not 2 <= numbers[0] <= 720:
            raise InputError(
                f"wheel '{text}': write positions and missing teeth, for example 60-2, 36-1 or 24"
            )
        missing = numbers[1] if len(numbers) == 2 else 0
        if not 0 <= missing < numbers[0]:
            raise InputError(f"wheel '{text}': {missing} missing teeth do not fit {numbers[0]} positions")
        return cls.regular(numbers[0], missing)


@dataclass(frozen=True)
class Engine:
    """An engine layout; see the module for the angle convention.

    Attributes
    ----------
    firing_order : tuple of int
        Cylinder numbers in the order they fire, cylinder 1 first.
    firing_tdc_deg : tuple of float
        Firing TDC [deg, 0..720) by cylinder number: index 0 is cylinder 1.
    wheel : Wheel or None
        None when it is to be found in the log.
    cam_edges_deg : tuple of float or None
        Cam edges [deg, 0..720) after TDC 1.
    mark_after_tdc1_deg, marks_per_cycle
        The mark of cylinder 1 in the log, None when there is none.
    """

    firing_order: tuple[int, ...]
    firing_tdc_deg: tuple[float, ...]
    wheel: Wheel | None = None
    cam_edges_deg: tuple[float, ...] | None = None
    mark_after_tdc1_deg: float | None = None
    marks_per_cycle: int = 1
    name: str = ""
    bore_mm: float | None = None
    stroke_mm: float | None = None
    rod_mm: float | None = None
    compression_ratio: float | None = None
    reciprocating_mass_kg: float | None = None
    rotating_inertia_kg_m2: float | None = None
    notes: tuple[str, ...] = field(default=())

    @property
    def cylinders(self) -> int:
        """Number of cylinders."""
        return len(self.firing_order)

    @property
    def event_deg(self) -> FloatArray:
        """Firing TDCs [deg] in firing order, starting with cylinder 1 at 0; shape (cylinders,)."""
        return np.array([self.firing_tdc_deg[c - 1] for c in self.firing_order])

    @property
    def interval_deg(self) -> float:
        """Mean crank angle [deg] between firings."""
        return CYCLE_DEG / self.cylinders

    @property
    def even_firing(self) -> bool:
        """True when all firing intervals are equal within 1 deg."""
        steps = np.diff(np.append(self.event_deg, CYCLE_DEG))
        return bool(np.ptp(steps) < 1.0)

    @property
    def companions(self) -> dict[int, int]:
        """Cylinder -> the one whose firing TDC is 360 deg away; empty when no two share a crank angle.

        >>> Engine.from_order([1, 3, 4, 2]).companions
        {1: 4, 2: 3, 3: 2, 4: 1}
        >>> Engine.from_order([1, 2, 4, 5, 3]).companions
        {}
        """
        out: dict[int, int] = {}
        for a in range(1, self.cylinders + 1):
            for b in range(1, self.cylinders + 1):
                off = (self.firing_tdc_deg[a - 1] - self.firing_tdc_deg[b - 1]) % CYCLE_DEG
                if a != b and abs(off - TURN_DEG) < 1.0:
                    out[a] = b
        return out

    def with_wheel(self, wheel: Wheel) -> Engine:
        """The same engine with another wheel."""
        return replace(self, wheel=wheel)

    @classmethod
    def from_order(
        cls, order: Sequence[int], firing_tdc_deg: Sequence[float] | None = None, **kw: Any
    ) -> Engine:
        """An engine from its firing order; evenly firing unless `firing_tdc_deg` (by cylinder number) is given.

        Raises InputError when the order does not name every cylinder once or the angles do not follow it.

        >>> Engine.from_order([1, 3, 4, 2]).firing_tdc_deg
        (0.0, 540.0, 180.0, 360.0)
        """
        n = len(order)
        if sorted(order) != list(range(1, n + 1)):
            raise InputError(
                f"firing order {'-'.join(map(str, order))}: name every cylinder from 1 to {n} once"
            )
        k = list(order).index(1)
        turned = tuple(order[k:]) + tuple(order[:k])
        if firing_tdc_deg is None:
            by_cyl = [0.0] * n
            for i, c in enumerate(turned):
                by_cyl[c - 1] = i * CYCLE_DEG / n
        else:
            by_cyl = [float(x) for x in firing_tdc_deg]
            if len(by_cyl) != n or not all(0 <= x < CYCLE_DEG for x in by_cyl):
                raise InputError(f"firing_tdc_deg: give {n} angles from 0 to below 720, by cylinder number")
            if by_cyl[0] != 0.0:
                raise InputError("firing_tdc_deg: cylinder 1 is the zero of the angles, write 0 for it")
            if [c for _, c in sorted((x, i + 1) for i, x in enumerate(by_cyl))] != list(turned):
                raise InputError("firing_tdc_deg does not follow firing_order; correct one of the two")
        return cls(turned, tuple(by_cyl), **kw)

    @classmethod
    def from_mapping(cls, data: Mapping[str, Any], where: str = "engine") -> Engine:
        """Build from parsed TOML. Raises InputError that names the key, its value and the range."""
        _check_keys(data, where)
        e = dict(data.get("engine", {}))
        order = e.get("firing_order")
        if order is None and e.get("cylinders") == 1:
            order = [1]
        if order is None:
            raise InputError(
                f"{where}: [engine] firing_order is missing, for example firing_order = [1, 3, 4, 2]"
            )
        if not isinstance(order, list) or not all(isinstance(c, int) for c in order):
            raise InputError(
                f"{where}: firing_order must be a list of cylinder numbers, for example [1, 3, 4, 2]"
            )
        if "cylinders" in e and e["cylinders"] != len(order):
            raise InputError(f"{where}: cylinders = {e['cylinders']} but firing_order names {len(order)}")
        kw: dict[str, Any] = {
            k: float(e[k])
            for k in (
                "bore_mm",
                "stroke_mm",
                "rod_mm",
                "compression_ratio",
                "reciprocating_mass_kg",
                "rotating_inertia_kg_m2",
            )
            if k in e
        }
        kw["name"] = str(e.get("name", ""))
        if "wheel" in data:
            kw["wheel"] = _wheel_from(data["wheel"], where)
        if "cam" in data and "edges_after_tdc1_deg" in data["cam"]:
            kw["cam_edges_deg"] = tuple(
                _angles(data["cam"]["edges_after_tdc1_deg"], f"{where}: [cam]", CYCLE_DEG)
            )
        if "cylinder1" in data:
            kw["mark_after_tdc1_deg"] = float(data["cylinder1"].get("mark_after_tdc1_deg", 0.0))
            kw["marks_per_cycle"] = int(data["cylinder1"].get("marks_per_cycle", 1))
        tdc = e.get("firing_tdc_deg")
        if tdc is not None:
            tdc = _angles(tdc, f"{where}: firing_tdc_deg", CYCLE_DEG)
        return cls.from_order(order, tdc, **kw)

    @classmethod
    def load(cls, source: str | Path) -> Engine:
        """Read an engine file, or a shipped layout by its name. Raises InputError."""
        text = str(source)
        path = Path(text)
        if text in layout_names():
            return cls.from_mapping(tomllib.loads(_layout_file(text).read_text("utf-8")), text)
        if not path.exists():
            near = difflib.get_close_matches(text, layout_names(), 1)
            hint = f"did you mean {near[0]}?" if near else f"shipped layouts: {', '.join(layout_names())}"
            raise InputError(f"engine '{text}': no such file and no such layout; {hint}")
        if not path.is_file():
            raise InputError(f"engine '{text}': not a file; give an engine file (TOML) or a layout name")
        try:
            if path.stat().st_size > 1_000_000:
                raise InputError(f"{text}: larger than 1 MB, not an engine file; give the TOML file")
            data = tomllib.loads(path.read_text("utf-8-sig"))
        except (OSError, UnicodeDecodeError) as err:
            raise InputError(
                f"{text}: cannot be read as text ({type(err).__name__}); give an engine file (TOML)"
            ) from err
        except (ValueError, RecursionError) as err:
            raise InputError(f"{text}: not valid TOML ({err}); correct that line") from err
        return cls.from_mapping(data, text)


def _layout_file(name: str) -> Any:
    return resources.files("misfire").joinpath("engines", f"{name}.toml")


def layout_names() -> list[str]:
    """Names of the shipped layouts, sorted."""
    folder = resources.files("misfire").joinpath("engines")
    return sorted(p.name.removesuffix(".toml") for p in folder.iterdir() if p.name.endswith(".toml"))


def _check_keys(data: Mapping[str, Any], where: str) -> None:
    for section, body in data.items():
        if section not in _KEYS:
            raise InputError(f"{where}: unknown section [{section}]{_near(section, list(_KEYS))}")
        if not isinstance(body, Mapping):
            raise InputError(f"{where}: {section} must be a section, written [{section}]")
        for key, value in body.items():
            if key not in _KEYS[section]:
                raise InputError(
                    f"{where}: unknown key '{key}' in [{section}]{_near(key, list(_KEYS[section]))}"
                )
            limits = _KEYS[section][key]
            if limits is None:
                continue
            whole = key in ("cylinders", "positions", "marks_per_cycle")
            good = isinstance(value, int if whole else (int, float)) and not isinstance(value, bool)
            if not good or not math.isfinite(value) or not limits[0] <= value <= limits[1]:
                kind = "a whole number" if whole else "a number"
                raise InputError(
                    f"{where}: {key} = {value!r}: give {kind} from {limits[0]:g} to {limits[1]:g}"
                )


def _near(word: str, known: list[str]) -> str:
    hit = difflib.get_close_matches(word, known, 1, 0.6)
    return f"; did you mean '{hit[0]}'?" if hit else f"; known are {', '.join(known)}"


def _angles(value: Any, where: str, below: float) -> list[float]:
    if (
        not isinstance(value, list)
        or not value
        or not all(
            isinstance(x, (int, float)) and not isinstance(x, bool) and math.isfinite(x) and 0 <= x < below
            for x in value
        )
    ):
        raise InputError(f"{where}: give a list of angles from 0 to below {below:g} degrees")
    return [float(x) for x in value]


def _wheel_from(w: Mapping[str, Any], where: str) -> Wheel:
    first = w.get("first_tooth_after_tdc1_deg")
    first = None if first is None else float(first) % TURN_DEG
    edge = w.get("counted_edge", "")
    if edge not in ("", "rising", "falling", "both"):
        raise InputError(f'{where}: counted_edge = {edge!r}: write "rising", "falling" or "both"')
    if edge == "both" and "tooth_angles_deg" not in w:
        raise InputError(
            f'{where}: counted_edge = "both" needs tooth_angles_deg with the angles of both edges of every tooth'
        )
    if "tooth_angles_deg" in w:
        a = _angles(w["tooth_angles_deg"], f"{where}: tooth_angles_deg", TURN_DEG)
        if len(a) < 2 or any(y <= x for x, y in itertools.pairwise(a)):
            raise InputError(f"{where}: tooth_angles_deg must be at least two angles, growing")
        return Wheel(len(a), (), first, tuple(a), edge)
    if "positions" not in w:
        raise InputError(f"{where}: [wheel] positions is missing, for example positions = 60")
    n = int(w["positions"])
    gone = w.get("missing_positions", [])
    if (
        not isinstance(gone, list)
        or not all(isinstance(p, int) and 0 <= p < n for p in gone)
        or len(set(gone)) >= n
    ):
        raise InputError(f"{where}: missing_positions must be a list of positions from 0 to {n - 1}")
    if 0 in gone:
        raise InputError(
            f"{where}: missing_positions names 0, but position 0 is the first tooth after the gap"
        )
    return Wheel(n, tuple(sorted(set(gone))), first, None, edge)
