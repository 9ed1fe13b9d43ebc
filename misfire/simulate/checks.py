"""Refuses scenarios whose values do not fit the engine or the model, with one line that says what to change."""

from __future__ import annotations

import math

from misfire.errors import InputError
from misfire.simulate.scenario import Driveline, Phase, Scenario

MODES = ("hold", "governed", "free")
COUPLINGS = ("clutch", "converter")
MISFIRE_KINDS = ("random", "every", "burst", "dead", "coil", "list")
FAULT_KINDS = (
    "lost", "lost_tooth", "extra", "extra_spark", "extra_hum", "shift_spark", "hum", "jitter",
)  # fmt: skip


def check(s: Scenario) -> None:
    """Raise InputError where a value does not fit the engine or the model."""
    where = f"scenario {s.name}"
    if s.engine.wheel is None or s.engine.stroke_mm is None:
        raise InputError(
            f"{where}: the engine lacks a wheel or dimensions; build it with misfire.simulate.prepared_engine"
        )
    if s.seed < 0:
        raise InputError(f"{where}: seed = {s.seed}; give a whole number from 0 up")
    if not s.programme:
        raise InputError(f"{where}: the programme is empty; give at least one [[programme]] step")
    for i, p in enumerate(s.programme):
        at = f"{where}: programme step {i + 1}"
        if p.mode not in MODES:
            raise InputError(f"{at}: mode = {p.mode!r}; write one of {', '.join(MODES)}")
        if not (math.isfinite(p.duration_s) and 0.0 < p.duration_s <= 36000.0):
            raise InputError(f"{at}: duration_s = {p.duration_s!r}; give seconds from 0 to 36000")
        if p.rpm is None and (p.mode != "free" or i == 0):
            raise InputError(f"{at}: rpm is missing; give the target speed")
        for v in (p.rpm, p.rpm_end, p.until_rpm):
            if v is not None and not 30.0 <= v <= 20000.0:
                raise InputError(f"{at}: {v!r} rpm; give 30 to 20000")
        if p.load_pct is None and p.mode != "governed":
            raise InputError(f'{at}: load_pct is missing; only mode = "governed" finds it itself')
        for v in (p.load_pct, p.load_end_pct):
            if v is not None and not 0.0 <= v <= 120.0:
                raise InputError(f"{at}: load_pct = {v!r}; give 0 to 120")
        _check_coupling(s.driveline, p, at)
    _check_ranges(s, where)
    for m in s.misfires:
        if m.kind not in MISFIRE_KINDS:
            raise InputError(f"{where}: misfires kind = {m.kind!r}; write one of {', '.join(MISFIRE_KINDS)}")
        _known_cylinders(s, m.cylinders, f"{where}: misfires")
        if m.kind == "coil" and not s.engine.companions:
            raise InputError(f"{where}: kind = 'coil' needs companions, this engine has none")
        if not 0.0 <= m.rate <= 1.0 or m.every < 1 or m.length < 1:
            raise InputError(f"{where}: misfires: rate 0 to 1, every and length at least 1")
    for f in s.faults:
        if f.kind not in FAULT_KINDS:
            raise InputError(f"{where}: faults kind = {f.kind!r}; write one of {', '.join(FAULT_KINDS)}")
        _known_cylinders(s, f.cylinders, f"{where}: faults")
    if s.teeth.errors_deg and len(s.teeth.errors_deg) != s.engine.wheel.positions:
        raise InputError(
            f"{where}: teeth errors_deg has {len(s.teeth.errors_deg)} values, "
            f"the wheel has {s.engine.wheel.positions} positions"
        )
    if s.clock.hz <= 0 or s.clock.jitter_us < 0:
        raise InputError(f"{where}: clock hz must be above 0 and jitter_us at least 0")
    if s.controller.pattern not in ("right", "none", "stale"):
        raise InputError(f"{where}: controller pattern = {s.controller.pattern!r}; right, none or stale")
    if s.controller.form not in ("energy", "segment_time"):
        raise InputError(f"{where}: controller form = {s.controller.form!r}; energy or segment_time")
    if abs(720.0 / s.step_deg - round(720.0 / s.step_deg)) > 1e-9 or not 0.1 <= s.step_deg <= 6.0:
        raise InputError(f"{where}: step_deg = {s.step_deg!r}; give a divisor of 720 from 0.1 to 6")
    for name in ("cylinder_factors", "leaks"):
        words = getattr(s.combustion, name)
        strange = next((c for c in words if not str(c).isdecimal()), None)
        if strange is not None:
            raise InputError(
                f"{where}: {name}: {strange!r} is no cylinder number; write for example {{ 3 = 0.5 }}"
            )
        _known_cylinders(s, tuple(int(c) for c in words), f"{where}: {name}")
    for c, share in s.combustion.leaks.items():
        if not 0.0 <= share <= 0.95:
            raise InputError(f"{where}: leaks: cylinder {c} = {share!r}; give a share from 0 to 0.95")


_DRIVELINE_RANGE = {
    "natural_hz": (0.0, 200.0),
    "damping": (0.0, 5.0),
    "damper_nm_rad": (0.0, 1e6),
    "damper_damping": (0.0, 5.0),
    "converter_nm": (1.0, 1e5),
    "converter_ratio": (1.0, 5.0),
    "lockup_nm": (0.0, 1e5),
    "lockup_rpm": (0.0, 20000.0),
    "lockup_from_s": (0.0, 36000.0),
    "lash_deg": (0.0, 180.0),
    "road_n": (0.0, 1e6),
    "drag_n_s2_m2": (0.0, 100.0),
    "starter_kg_m2": (0.0, 100.0),
}


# a tooth that stands further from its place than this is another tooth's
_TOOTH_DEG = 45.0
_TOOTH_SIZES = (
    "sd_deg", "wobble_deg", "gap_shift_deg", "gap_shift_deg_per_1000", "spot_deg", "drift_deg_per_min",
    "speed_deg_per_1000",
)  # fmt: skip


def _check_teeth(s: Scenario, where: str) -> None:
    sizes = {name: getattr(s.teeth, name) for name in _TOOTH_SIZES}
    sizes |= {f"bent {k}": v for k, v in s.teeth.bent.items()}
    sizes |= {f"errors_deg[{k}]": v for k, v in enumerate(s.teeth.errors_deg)}
    for name, value in sizes.items():
        if not -_TOOTH_DEG <= value <= _TOOTH_DEG:
            raise InputError(
                f"{where}: teeth {name} = {value!r}; give degrees from -{_TOOTH_DEG:g} to {_TOOTH_DEG:g}"
            )
    if not 1.0 <= s.teeth.radius_mm <= 1000.0 or not abs(s.teeth.runout_mm) <= 0.5 * s.teeth.radius_mm:
        raise InputError(f"{where}: teeth radius_mm 1 to 1000, runout_mm at most half of it")


def _check_ranges(s: Scenario, where: str) -> None:
    _check_teeth(s, where)
    for name, (low, high) in _DRIVELINE_RANGE.items():
        value = getattr(s.driveline, name)
        if not low <= value <= high:
            raise InputError(f"{where}: driveline {name} = {value!r}; give {low:g} to {high:g}")
    if not 0.0 <= s.torsion.natural_hz <= 5000.0 or not 0.0 <= s.torsion.damping < 1.0:
        raise InputError(f"{where}: torsion natural_hz 0 to 5000, damping 0 to below 1")


def _check_coupling(d: Driveline, p: Phase, at: str) -> None:
    if d.coupling not in COUPLINGS:
        raise InputError(f"{at}: driveline coupling = {d.coupling!r}; write one of {', '.join(COUPLINGS)}")
    if not 0.0 <= p.gear_m <= 1.0:
        raise InputError(f"{at}: gear_m = {p.gear_m!r}; give metres a radian of the crank, 0 to 1")
    for v in (p.clutch_nm, p.clutch_end_nm):
        if v is not None and not 0.0 <= v <= 1e5:
            raise InputError(f"{at}: clutch torque {v!r}; give N m from 0 to 100000")
    if p.vehicle_kmh is not None and not 0.0 <= p.vehicle_kmh <= 400.0:
        raise InputError(f"{at}: vehicle_kmh = {p.vehicle_kmh!r}; give 0 to 400")
    if p.gear_m == 0.0 and (p.clutch_nm is not None or p.vehicle_kmh is not None):
        raise InputError(
            f"{at}: clutch_nm and vehicle_kmh are for a step in gear; give gear_m, for example 0.05"
        )
    if p.clutch_end_nm is not None and p.clutch_nm is None:
        raise InputError(f"{at}: clutch_end_nm without clutch_nm; give both")
    if p.gear_m > 0.0 and (d.vehicle_kg <= 0.0 or d.gearbox_kg_m2 <= 0.0):
        raise InputError(f"{at}: driveline vehicle_kg and gearbox_kg_m2 must be above 0 in gear")
    if d.lockup_nm > 0.0 and (d.coupling != "converter" or d.damper_nm_rad <= 0.0):
        raise InputError(
            f'{at}: driveline lockup_nm goes with coupling = "converter" and damper_nm_rad above 0, for example 1200'
        )
    if not d.loose(p):
        return
    if d.natural_hz <= 0.0:
        raise InputError(
            f"{at}: a clutch that slips, a converter or lash_deg needs driveline natural_hz above 0"
        )
    if d.coupling == "converter" and p.clutch_nm is not None:
        raise InputError(f'{at}: clutch_nm does not go with driveline coupling = "converter"; leave one out')
    if d.coupling == "clutch" and d.damper_nm_rad <= 0.0:
        raise InputError(
            f"{at}: a clutch that slips, or lash_deg, needs driveline damper_nm_rad above 0, for example 1200"
        )


def _known_cylinders(s: Scenario, cylinders: tuple[int, ...], where: str) -> None:
    for c in cylinders:
        if not 1 <= c <= s.engine.cylinders:
            raise InputError(f"{where}: cylinder {c}; the engine has 1 to {s.engine.cylinders}")
