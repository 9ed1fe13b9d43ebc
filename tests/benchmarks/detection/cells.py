"""The map: what a cell is, which cells there are, and the scenario of each.

Ranges are those of the trade. Everything that an engine maker chooses and the tool does not know (phasing
of the wheel, inertia, burn, driveline) is drawn anew for every cell from its seed.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np

from misfire.engine import Engine, Wheel
from misfire.simulate import (
    Clock,
    Combustion,
    Driveline,
    Misfires,
    Phase,
    Scenario,
    ToothErrors,
    prepared_engine,
)
from misfire.simulate.driver import Driver, load_of
from misfire.simulate.gas import GasModel, WorkTables
from misfire.simulate.motion import cylinder_of

# worked with while the estimator was changed; the second list is only ever judged on
DEVELOPED_ON = ("inline3", "inline4", "v6", "v8")
JUDGED_ON = ("three_b", "boxer4", "inline5", "inline6", "v6_oddfire", "v8_b")
WHEELS = ("60-2", "36-1", "24-1")
SPEEDS_RPM = (600.0, 800.0, 1100.0, 1600.0, 2300.0, 3200.0, 4200.0, 5200.0, 6500.0)
LOADS = (0.0, 0.15, 0.4, 1.0)  # 0 = turns itself without outer load, 1 = full charge
CLOCKS_US = (0.2, 1.0, 4.0)
LEAST_IN_GEAR_RPM = 1000.0
FULL_LOAD_FROM_RPM = 1300.0  # below it no brake holds a small engine steady at full charge
ORDERS = {"three_b": (1, 2, 3), "v8_b": (1, 5, 4, 2, 6, 3, 7, 8)}
RATE, PARTIAL_RATE = 0.03, 0.01


@dataclass(frozen=True)
class Cell:
    """One operating point of one engine; `seed` draws what the tool cannot know."""

    engine: str
    wheel: str
    rpm: float
    load: float
    gear: bool
    clock_us: float
    seed: int

    @property
    def name(self) -> str:
        """A line's label."""
        where = "gear" if self.gear else "neutral"
        return f"{self.engine} {self.wheel} {self.rpm:.0f} load {self.load:g} {where} {self.clock_us:g} us #{self.seed}"


def every_cell(engines: tuple[str, ...], seed: int) -> list[Cell]:
    """The whole map, each cell with its own seed."""
    axes = itertools.product(engines, WHEELS, SPEEDS_RPM, LOADS, (False, True), CLOCKS_US)
    out = []
    for i, (e, w, rpm, load, gear, clock) in enumerate(axes):
        low = rpm < LEAST_IN_GEAR_RPM
        if not (low and gear) and not (rpm < FULL_LOAD_FROM_RPM and load > 0.5):
            out.append(Cell(e, w, rpm, load, gear, clock, 100_000 * seed + i))
    return out


def some_cells(engines: tuple[str, ...], count: int, seed: int) -> list[Cell]:
    """A random subset without repetition; 0 = all."""
    whole = every_cell(engines, seed)
    if count <= 0 or count >= len(whole):
        return whole
    pick = np.random.default_rng([611, seed]).choice(len(whole), count, replace=False)
    return [whole[i] for i in sorted(pick.tolist())]


def scenario(cell: Cell, events: int) -> Scenario:
    """The cell's log: steady speed, random misfires (3 %) and half burns (1 %) in every cylinder."""
    rng = np.random.default_rng([612, cell.seed])
    order = ORDERS.get(cell.engine)
    layout: Engine | str = Engine.from_order(order, name=cell.engine) if order else cell.engine
    wheel = replace(
        Wheel.from_label(cell.wheel),
        first_tooth_after_tdc1_deg=float(np.round(rng.uniform(0.0, 359.0), 1)),
    )
    engine = prepared_engine(layout, wheel)
    inertia = (engine.rotating_inertia_kg_m2 or 0.15) * float(rng.uniform(0.7, 1.5))
    engine = replace(
        engine,
        rotating_inertia_kg_m2=inertia,
        stroke_mm=float(rng.uniform(76, 96)),
        reciprocating_mass_kg=float(rng.uniform(0.4, 0.65)),
    )
    gas = GasModel(burn_start_deg=float(rng.uniform(-24, -12)), burn_deg=float(rng.uniform(46, 70)))
    line = Driveline(
        natural_hz=float(rng.uniform(3, 8)),
        damping=float(rng.uniform(0.04, 0.15)),
        vehicle_kg=float(rng.uniform(1000, 2200)),
    )
    gear_m = float(rng.uniform(0.03, 0.08)) if cell.gear else 0.0
    seconds = events * 120.0 / engine.cylinders / cell.rpm
    draft = Scenario(
        engine=engine,
        programme=(Phase(duration_s=seconds, rpm=cell.rpm, load_pct=30.0, gear_m=gear_m),),
        name=cell.name,
        seed=cell.seed,
        gas=gas,
        driveline=line,
        combustion=Combustion(cov_full=0.012, cov_idle=0.06),
        misfires=(Misfires(rate=RATE), Misfires(rate=PARTIAL_RATE, remaining=0.5)),
        teeth=ToothErrors(sd_deg=0.02),
        clock=Clock(hz=1e6 / cell.clock_us, jitter_us=0.3, cam=True),
    )
    mode = "governed" if cell.load == 0.0 and not cell.gear else "hold"
    least = no_load_pct(draft, cell.rpm)
    load = least + cell.load * (100.0 - least)
    step = Phase(duration_s=seconds, rpm=cell.rpm, load_pct=load, gear_m=gear_m, mode=mode)
    return draft.but(programme=(step,))


def no_load_pct(s: Scenario, rpm: float) -> float:
    """Load [%] at which the engine just turns itself."""
    cylinder = cylinder_of(s)
    tables = WorkTables(s.gas, cylinder, np.arange(-360.0, 362.0, 2.0))
    return load_of(Driver(s, cylinder, tables, np.random.default_rng(0)).no_load_kpa(rpm * np.pi / 30.0))
