"""What a simulated log is made of: frozen descriptions with keyword arguments."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass, field
from typing import Any

from misfire.engine import Engine, Wheel
from misfire.simulate.gas import GasModel


@dataclass(frozen=True, kw_only=True)
class Phase:
    """One step of the driver's programme.

    Attributes
    ----------
    duration_s : float
        Longest time [s] in this step.
    rpm, rpm_end : float or None
        Target speed at its start and end; `rpm_end` None keeps it level. Not used by mode "free".
    load_pct, load_end_pct : float or None
        Charge; None in mode "governed" only: the governor finds what holds the speed without outer load.
    mode : str
        "hold": a brake or road load holds the speed; "governed": no outer load, charge is governed;
        "free": load is given and speed is what results (revving up, coasting down).
    fuel_cut : bool
        No fuel: every event is motoring.
    until_rpm : float or None
        The step also ends when the speed passes this value.
    gear_m : float
        Wheel radius over overall gear ratio [m/rad of the crank]; 0 = neutral. The vehicle is then coupled.
    starter : bool
        The starter motor is engaged (its armature adds inertia).
    rough_nm : float
        Standard deviation [N m] of the road torque noise at the crank.
    judder_nm, judder_hz : float
        Amplitude [N m] at the crank and frequency [Hz] of a driveline that swings by itself: a clutch or converter that
        judders, whatever the speed.
    clutch_nm, clutch_end_nm : float or None
        Torque capacity [N m] of the clutch at the start and end of the step: it slips above that. None: shut.
    vehicle_kmh : float or None
        Vehicle speed [km/h] at the start of a step in gear; None: as it was, or as the crank's speed asks.
    """

    duration_s: float
    rpm: float | None = None
    rpm_end: float | None = None
    load_pct: float | None = None
    load_end_pct: float | None = None
    mode: str = "hold"
    fuel_cut: bool = False
    until_rpm: float | None = None
    gear_m: float = 0.0
    starter: bool = False
    rough_nm: float = 0.0
    judder_nm: float = 0.0
    judder_hz: float = 6.0
    clutch_nm: float | None = None
    clutch_end_nm: float | None = None
    vehicle_kmh: float | None = None


@dataclass(frozen=True, kw_only=True)
class Misfires:
    """A cause of missing combustion.

    kind "random": each firing of `cylinders` with probability `rate`; "every": each `every`-th firing;
    "burst": runs of `length` firings that begin with probability `rate`; "dead": all of them; "coil": the
    same random draw takes the cylinder and its companion in one cycle; "list": the firings whose
    zero-based number in that cylinder is in `firings`. `remaining` is the share of heat that is left (0 = full
    misfire, 0.5 = partial burn), `late_deg` moves what is left later, `stretch` is the ratio by which it burns longer.
    """

    kind: str = "random"
    cylinders: tuple[int, ...] = ()
    rate: float = 0.0
    every: int = 10
    length: int = 5
    firings: tuple[int, ...] = ()
    remaining: float = 0.0
    late_deg: float = 0.0
    stretch: float = 1.0
    from_s: float = 0.0
    to_s: float = math.inf
    from_rpm: float = 0.0
    to_rpm: float = math.inf
    from_load_pct: float = -math.inf
    to_load_pct: float = math.inf


@dataclass(frozen=True, kw_only=True)
class Combustion:
    """Scatter of combustion: standard deviation of heat over its mean (COV), and of burn phase.

    `cov_full` and `cov_idle` are that ratio at full and at no load, `correlation` that of a cylinder's successive
    cycles (-1..1), `cylinder_factors` the share of normal heat by cylinder, `after_misfire` the share of
    charge that the cycle after a misfire has more. `leaks`: by cylinder the share of the charge that is lost through a
    leak between inlet closing and exhaust opening at 1000/min, fuel on or off; less at speed (see `leak`).
    """

    cov_full: float = 0.012
    cov_idle: float = 0.06
    correlation: float = 0.0
    phase_sd_deg: float = 1.2
    cylinder_factors: dict[str, float] = field(default_factory=dict)
    leaks: dict[str, float] = field(default_factory=dict)
    after_misfire: float = 0.03


@dataclass(frozen=True, kw_only=True)
class ToothErrors:
    """Geometry as sensed: errors [deg] of the edges, positive = the edge comes late.

    `errors_deg` by wheel position (missing ones included), or random with `sd_deg`; `runout_mm` off centre
    at `radius_mm`; `wobble_deg` once a turn too, in proportion to speed (amplitude at 1000/min): the gap to the
    pickup is smallest `wobble_at_deg` after the first tooth, where the wheel seems fastest; `bent` position ->
    error [deg]; `gap_shift_deg` the shift of the first tooth after the gap at 1000/min (late on real pickups) and
    `gap_shift_deg_per_1000` its change; `spot_deg` a magnetised spot around
    `spot_position`, `spot_width` [positions] wide, between `spot_from_s` and `spot_to_s`; `drift_deg_per_min`
    lets a random pattern of that standard deviation grow with time; `speed_deg_per_1000` with speed.
    """

    errors_deg: tuple[float, ...] = ()
    sd_deg: float = 0.0
    runout_mm: float = 0.0
    radius_mm: float = 50.0
    runout_at_deg: float = 0.0
    wobble_deg: float = 0.0
    wobble_at_deg: float = 0.0
    bent: dict[str, float] = field(default_factory=dict)
    gap_shift_deg: float = 0.0
    gap_shift_deg_per_1000: float = 0.0
    spot_deg: float = 0.0
    spot_position: int = 20
    spot_width: float = 3.0
    spot_from_s: float = 0.0
    spot_to_s: float = math.inf
    drift_deg_per_min: float = 0.0
    speed_deg_per_1000: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Fault:
    """A fault of the signal between `from_s` and `to_s`.

    "lost": edges with probability `rate`; "lost_tooth": edge of `position` with probability `rate`; "extra":
    `per_s` false edges a second; "extra_spark": with probability `rate` a burst of `count` false edges within
    `width_us` after the spark at `angle_deg` of `cylinders` (all if empty); "extra_hum": false edges at `hz`, or
    `per_turn` times a crank turn (alternator), with probability `rate`; "shift_spark": the edges within
    `width_us` after the spark come `amplitude_us` late; "hum": edges move by `amplitude_us` sin(2 pi `hz` t), or
    with `per_turn` periods a crank turn; "jitter": `amplitude_us` more.
    """

    kind: str
    from_s: float = 0.0
    to_s: float = math.inf
    rate: float = 1.0
    position: int = 0
    per_s: float = 1.0
    count: int = 1
    angle_deg: float = -15.0
    width_us: float = 300.0
    amplitude_us: float = 10.0
    hz: float = 400.0
    per_turn: float = 0.0
    cylinders: tuple[int, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Clock:
    """Timer and log format: `tick` writes timer counts at `hz`, otherwise time_us; jitter on every edge."""

    hz: float = 20e6
    jitter_us: float = 0.3
    tick: bool = False
    counter_bits: int = 0
    period: bool = False
    cam: bool = False
    cylinder1: bool = True


@dataclass(frozen=True, kw_only=True)
class Driveline:
    """Path from crank to vehicle when in gear: springs, dampers and inertias seen at the crank.

    Attributes
    ----------
    vehicle_kg : float
        With the phase's `gear_m` it gives the vehicle's inertia at the crank.
    natural_hz, damping : float
        Slow mode [Hz], engine against vehicle on shafts and tyres, in the gear of the phase; 0 couples rigidly.
    damper_nm_rad, damper_damping : float
        Damper spring [N m/rad] of the clutch, between crank and gearbox, and its damping ratio; 0: one spring only.
    gearbox_kg_m2 : float
        Inertia [kg m^2] between the two springs.
    coupling : str
        "clutch" or "converter".
    converter_nm, converter_ratio : float
        Pump torque [N m] at 2000/min with the turbine standing, and stall torque ratio.
    lockup_nm, lockup_rpm, lockup_from_s : float
        Capacity [N m] of a lock-up clutch across the converter, reached half a second after it shuts, through the
        damper spring; 0: none. It shuts from this crank speed on (opens 10 % below) and not before this time [s].
    lash_deg : float
        Play [deg at the crank] of the shafts from stop to stop; 0: none.
    road_n, drag_n_s2_m2 : float
        Road load [N] and drag [N s^2/m^2] of the vehicle.
    starter_kg_m2 : float
        Starter armature at the crank.
    """

    vehicle_kg: float = 1400.0
    natural_hz: float = 5.0
    damping: float = 0.08
    damper_nm_rad: float = 0.0
    damper_damping: float = 0.1
    gearbox_kg_m2: float = 0.015
    coupling: str = "clutch"
    converter_nm: float = 120.0
    converter_ratio: float = 2.0
    lockup_nm: float = 0.0
    lockup_rpm: float = 0.0
    lockup_from_s: float = 0.0
    lash_deg: float = 0.0
    road_n: float = 180.0
    drag_n_s2_m2: float = 0.4
    starter_kg_m2: float = 0.7

    def loose(self, phase: Phase) -> bool:
        """Whether crank and vehicle may turn at different speeds in this step, other than by a spring's twist."""
        return self.slips(phase) or (phase.gear_m > 0.0 and self.lash_deg > 0.0)

    def slips(self, phase: Phase) -> bool:
        """Whether crank and gearbox may turn at different mean speeds in this step."""
        return phase.gear_m > 0.0 and (self.coupling == "converter" or phase.clutch_nm is not None)


@dataclass(frozen=True, kw_only=True)
class Torsion:
    """First elastic mode of the crankshaft; 0 Hz switches it off. `front`: the wheel sits at the pulley."""

    natural_hz: float = 0.0
    damping: float = 0.02
    front: bool = True


@dataclass(frozen=True, kw_only=True)
class Controller:
    """The engine controller's monitor.

    `pattern` "right": it stored the true wheel; "none": it takes the wheel as perfect; "stale": it stored
    another wheel (`stale_sd_deg`, or the explicit `stale_errors_deg`). `monitor` False: suspended, reads 0.
    `threshold` is the lost work above which an event counts. `form` "energy": differences of 1/2 J w^2;
    "segment_time": segment roughness (T2 - T1)/T1^3, the same to first order. `limp_after` counts of one cylinder make the
    controller shut that injector off (0 = never).
    """

    enabled: bool = False
    monitor: bool = True
    pattern: str = "right"
    stale_sd_deg: float = 0.1
    stale_errors_deg: tuple[float, ...] = ()
    threshold: float = 0.5
    form: str = "energy"
    limp_after: int = 0


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """Everything a simulated log depends on; `friction` is a factor on the tfmep form. The same scenario gives the same bytes."""

    engine: Engine
    programme: tuple[Phase, ...]
    name: str = "scenario"
    title: str = ""
    seed: int = 1
    gas: GasModel = field(default_factory=GasModel)
    combustion: Combustion = field(default_factory=Combustion)
    misfires: tuple[Misfires, ...] = ()
    teeth: ToothErrors = field(default_factory=ToothErrors)
    faults: tuple[Fault, ...] = ()
    clock: Clock = field(default_factory=Clock)
    driveline: Driveline = field(default_factory=Driveline)
    torsion: Torsion = field(default_factory=Torsion)
    controller: Controller = field(default_factory=Controller)
    friction: float = 1.0
    accessory_nm: float = 4.0
    coolant_c: float = 85.0
    channel_hz: float = 10.0
    step_deg: float = 2.0

    def __post_init__(self) -> None:
        """Check what would otherwise give a silent wrong answer; raise InputError."""
        from misfire.simulate.checks import check

        check(self)

    @classmethod
    def steady(
        cls,
        engine: Engine | str = "inline4",
        *,
        rpm: float = 3000.0,
        load_pct: float = 50.0,
        duration_s: float = 20.0,
        wheel: Wheel | None = None,
        **kw: Any,
    ) -> Scenario:
        """One speed and load; every other field by keyword."""
        return cls(
            engine=prepared_engine(engine, wheel),
            programme=(Phase(duration_s=duration_s, rpm=rpm, load_pct=load_pct),),
            **kw,
        )

    def but(self, **changes: Any) -> Scenario:
        """The same scenario with some fields changed."""
        return dataclasses.replace(self, **changes)


def prepared_engine(engine: Engine | str, wheel: Wheel | None = None) -> Engine:
    """An engine with everything the simulator needs: 60-2 wheel, dimensions and a mark where not given."""
    e = Engine.load(engine) if isinstance(engine, str) else engine
    w = wheel or e.wheel or Wheel.regular(60, 2)
    if w.first_tooth_after_tdc1_deg is None:
        w = dataclasses.replace(w, first_tooth_after_tdc1_deg=120.0)
    cam = e.cam_edges_deg if e.cam_edges_deg is not None else (70.0,)
    mark = e.mark_after_tdc1_deg if e.mark_after_tdc1_deg is not None else -10.0
    return dataclasses.replace(
        e,
        wheel=w,
        cam_edges_deg=cam,
        mark_after_tdc1_deg=mark,
        bore_mm=e.bore_mm or 86.0,
        stroke_mm=e.stroke_mm or 86.0,
        rod_mm=e.rod_mm or 143.0,
        compression_ratio=e.compression_ratio or 10.3,
        reciprocating_mass_kg=e.reciprocating_mass_kg or 0.52,
        rotating_inertia_kg_m2=e.rotating_inertia_kg_m2 or 0.10 + 0.015 * e.cylinders,
    )
