"""Processor time of a run: one core, 60 teeth, 3000/min."""

import time

import pytest

from misfire.engine import Wheel
from misfire.simulate import Driveline, Phase, Scenario, Torsion, prepared_engine, simulate


def seconds_per_second(gear_m, **kw):
    """Simulated time over processor time, the best of three."""
    engine = prepared_engine("inline4", Wheel.regular(60))

    def scenario(duration_s):
        step = Phase(duration_s=duration_s, rpm=3000, load_pct=50, gear_m=gear_m)
        return Scenario(engine=engine, programme=(step,), **kw)

    simulate(scenario(1.0))
    best = 0.0
    for _ in range(3):
        began = time.process_time()
        done = simulate(scenario(20.0))
        best = max(best, float(done.recording.crank_s[-1]) / (time.process_time() - began))
    return best


def test_rigid_engine():
    assert seconds_per_second(0.0) > 100.0


@pytest.mark.parametrize(
    ("drive", "least"),
    [
        (Driveline(), 20.0),
        (Driveline(damper_nm_rad=1200.0), 20.0),
        # step by step, so the slowest: 47 to 56 on the machine it was written on
        (Driveline(coupling="converter", gearbox_kg_m2=0.03), 20.0),
        # and with all that it can hold: 33
        (
            Driveline(
                coupling="converter", gearbox_kg_m2=0.03, damper_nm_rad=1200.0, lockup_nm=250.0, lash_deg=10.0
            ),
            20.0,
        ),
    ],
)
def test_driveline_and_torsion(drive, least):
    assert seconds_per_second(0.06, driveline=drive, torsion=Torsion(natural_hz=350.0)) > least
