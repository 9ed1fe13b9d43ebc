"""TDC and the turn of the cycle from the motion and from marks, against simulated engines whose place is known."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from misfire.crank import number_edges
from misfire.engine import Wheel
from misfire.errors import InputError
from misfire.gas import GasShape
from misfire.grid import make_grid, time_at
from misfire.naming import Marks, find_phase
from misfire.phase import find_tdc, mark_angles, mean_wave
from misfire.simulate import Phase, Scenario, prepared_engine, simulate

WHEEL = Wheel.from_label("60-2")


def test_a_steady_acceleration_leaves_no_wave() -> None:
    """Constant torque: w^2/2 grows in a straight line, which the mean wave must not hold."""
    angle = (360.0 * np.arange(60)[:, None] + WHEEL.tooth_angles_deg).ravel()
    torque, w0 = 25.0, 100.0  # [rad/s^2], [rad/s]
    w = np.sqrt(w0**2 + 2.0 * torque * np.radians(angle))
    grid = make_grid(number_edges((w - w0) / torque, WHEEL))
    _, _, wave = mean_wave(grid, np.arange(60), per_cycle=False)
    assert np.max(np.abs(wave)) < 0.01 * torque * 2.0 * np.pi


def test_a_mark_between_two_teeth() -> None:
    angle = (360.0 * np.arange(20)[:, None] + WHEEL.tooth_angles_deg).ravel()
    per_deg = 1.0 / (6.0 * 2000.0)
    crank = number_edges(angle * per_deg, WHEEL)
    at = 360.0 * np.arange(3, 15) + 100.0 + 0.5 * np.arange(12)
    row, found = mark_angles(make_grid(crank), crank, at * per_deg)
    assert row.tolist() == list(range(3, 15))
    np.testing.assert_allclose(found, at % 360.0, atol=1e-6)


def drive(layout: str) -> Scenario:
    steps = (
        Phase(duration_s=8.0, rpm=1300, load_pct=40),
        Phase(duration_s=8.0, rpm=1300, rpm_end=2600, load_pct=50),
    )
    return Scenario(engine=prepared_engine(layout), programme=steps)


@pytest.mark.parametrize(
    "layout", ["inline3", "inline4", "inline5", "inline6", "v6", "v8", "boxer4", "v6_oddfire"]
)
def test_tdc_from_the_motion_alone(layout: str) -> None:
    """Modulo one firing interval (a cycle, where firing is odd), within 6 deg of where it was put (0 to 5.1 measured)."""
    s = drive(layout)
    done = simulate(s)
    e = s.engine
    crank = number_edges(done.recording.crank_s, e.wheel)
    grid = make_grid(crank)
    angle, turn, fit = find_tdc(grid, crank, e, GasShape())
    assert fit > 0.97
    # the same angle in every second turn (or every turn), against the true times of all firing TDCs
    rows = np.arange(4, crank.turns - 4, 2 if turn is not None else 1)
    found = time_at(grid, rows * grid.per_turn, angle + 360.0 * (turn or 0))
    true = done.truth.tdc_s
    at = np.clip(np.searchsorted(true, found), 1, true.size - 1)
    near = np.where(found - true[at - 1] < true[at] - found, true[at - 1], true[at])
    rpm = np.interp(found, true, done.truth.rpm)
    assert np.max(np.abs(found - near) * 6.0 * rpm) < 6.0


@pytest.mark.parametrize("layout", ["inline4", "v6", "v6_oddfire"])
@pytest.mark.parametrize("lost", [0, 1])
def test_marks_tell_which_turn_is_which(layout: str, lost: int) -> None:
    """Rows of the tooth matrix against the true angles, also when the log begins a turn later."""
    done = simulate(drive(layout))
    e, r = done.engine, done.recording
    # a cut in front of the log moves the rows by one turn
    since = 0.0 if not lost else float(r.crank_s[e.wheel.teeth + 5])
    crank = number_edges(r.crank_s[r.crank_s >= since], e.wheel)
    grid = make_grid(crank)
    marks = Marks(cylinder1_s=r.cylinder1_s[r.cylinder1_s >= since])
    phase = find_phase(crank, grid, e, marks, GasShape())
    assert phase.status == "measured"
    assert phase.named
    assert phase.first_deg == pytest.approx(e.wheel.first_tooth_after_tdc1_deg)
    for row in range(8, crank.turns - 8, 7):
        start = crank.time_s[row, 0]
        tdc = done.truth.tdc_s[done.truth.cylinder == 1]
        k = np.searchsorted(tdc, start)
        assert phase.second_turn[row] == ((start - tdc[k - 1]) / (tdc[k] - tdc[k - 1]) > 0.5)


def test_marks_far_from_where_the_engine_file_has_them_are_refused() -> None:
    """Half a turn off is beside both turns of the cycle: the wrong engine file, never a guess."""
    done = simulate(drive("inline4"))
    crank = number_edges(done.recording.crank_s, done.engine.wheel)
    wrong = dataclasses.replace(done.engine, mark_after_tdc1_deg=170.0)
    with pytest.raises(InputError, match=r"cylinder-1 marks stand 180 deg .* correct the engine file"):
        find_phase(crank, make_grid(crank), wrong, Marks(cylinder1_s=done.recording.cylinder1_s), GasShape())
