"""`python -m tests.benchmarks.simulator`: simulated time over processor time, one core, 60 teeth, 3000/min.

Aims: at least 100 for the rigid engine in neutral and 20 for every driveline with crank torsion.
"""

from __future__ import annotations

import time

from misfire.engine import Wheel
from misfire.simulate import Driveline, Phase, Scenario, Torsion, prepared_engine, simulate

CASES: dict[str, tuple[Driveline | None, float]] = {
    "rigid, neutral": (None, 100.0),
    "clutch and one spring": (Driveline(), 20.0),
    "two springs": (Driveline(damper_nm_rad=1200.0), 20.0),
    "converter": (Driveline(coupling="converter", gearbox_kg_m2=0.03), 20.0),
    "converter, lock-up, lash, two springs": (
        Driveline(
            coupling="converter", gearbox_kg_m2=0.03, damper_nm_rad=1200.0, lockup_nm=250.0, lash_deg=10.0
        ),
        20.0,
    ),
}


def seconds_per_second(drive: Driveline | None, runs: int = 3) -> float:
    """Simulated time over processor time [1], the best of `runs`."""
    engine = prepared_engine("inline4", Wheel.regular(60))
    step = Phase(duration_s=20.0, rpm=3000, load_pct=50, gear_m=0.0 if drive is None else 0.06)
    more = {} if drive is None else {"driveline": drive, "torsion": Torsion(natural_hz=350.0)}
    best = 0.0
    for _ in range(runs):
        began = time.process_time()
        done = simulate(Scenario(engine=engine, programme=(step,), **more))  # type: ignore[arg-type]
        best = max(best, float(done.recording.crank_s[-1]) / (time.process_time() - began))
    return best


def main() -> None:
    """Print the table; what misses its aim says so."""
    print("| case | times real time | aim |")
    print("|---|---|---|")
    for name, (drive, aim) in CASES.items():
        got = seconds_per_second(drive)
        print(f"| {name} | {got:.0f} | {aim:.0f}{'' if got > aim else ' (missed)'} |")


if __name__ == "__main__":
    main()
