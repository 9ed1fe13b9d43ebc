"""The one-cylinder engine of the recordings against its simulation: pressure in, crank speed out.

Bore, stroke, rod and compression are published. The gas model's constants were fitted once to the pressure channel
of two files (`FIRED` to e0fullload1, `COASTING` to engineoff4; torque-weighted least squares, pressure at bottom
centre taken as 100 kPa), never to the crank. Inertia and coupling of the load come from the coasting records, half
orders only, where neither wheel errors nor the reciprocating mass act: modelled gas work over measured speed energy,
order by order, is 0.024 kg m2 at 10 Hz, 0.018 at 20 Hz and 0.020 above 28 Hz, which is what a small inertia on a
spring at 15 Hz beside the engine's gives (least squares over six files and three orders). What the pickup adds once
a turn comes from the fast coasting record, and its phase is held against the pickup's own voltage. The values come from
pressure and coasting alone; the form of the model was chosen with the fired waves in view, so they are no blind test.

`python -m tests.simulate.test_one_cylinder` prints measured beside simulated.
"""

from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from misfire.simulate import ToothErrors
from misfire.simulate.gas import pressure_pa
from misfire.simulate.mechanics import Cylinder
from tests.simulate.small_engine import (
    COASTING,
    COASTING_KPA,
    FIRED,
    FIRED_KPA,
    FOLDER,
    GRID_DEG,
    PHI_DEG,
    TDC_AFTER_GAP_DEG,
    VOLT_PER_BAR,
    crank_edges,
    half_difference,
    numbered,
    samples,
    simulated,
    truth_rows,
    wave,
)

pytestmark = pytest.mark.skipif(not FOLDER.is_dir(), reason="the one-cylinder recordings are not here")

FULL = ("e0fullload1", "e0fullload2", "e0fullload3", "e5fullload1", "e5fullload2", "e5fullload3")
# start speed of the simulated coast-down [1/min], so that its mean is the file's
SLOW = {"engineoff": 1250, "engineoff3": 1500, "engineoff5": 1500}
COAST = {**SLOW, "engineoff4": 1500, "engineoff6": 1500, "engineoff2": 2700}


def correlation(a, b):
    both = np.isfinite(a) & np.isfinite(b)
    return float(np.corrcoef(a[both], b[both])[0, 1])


@cache
def measured_wave(name):
    return wave(crank_edges(name), truth_rows(name)[0])


@cache
def model_wave(rpm, fired, wobble=(0.0, 0.0), stiff=False):
    teeth = ToothErrors(wobble_deg=wobble[0], wobble_at_deg=wobble[1])
    kpa = FIRED_KPA if fired else COASTING_KPA
    done = simulated(rpm=rpm, kpa=kpa, fired=fired, teeth=teeth, stiff=stiff)
    return wave(done.recording.crank_s, done.truth.tdc_s)


def mean_rpm(name):
    return 120.0 / float(np.median(np.diff(truth_rows(name)[0])))


def size(real, model):
    """Model over measured, root mean square where both are known."""
    both = np.isfinite(real) & np.isfinite(model)
    return float(np.std(model[both]) / np.std(real[both]))


def once_a_turn(values, place_deg):
    """Complex amplitude of order 1 beside a constant and order 2; NaN left out."""
    good = np.isfinite(values)
    a = np.radians(place_deg[good])
    x = np.column_stack([np.cos(a), np.sin(a), np.ones(len(a)), np.cos(2 * a), np.sin(2 * a)])
    c = np.linalg.lstsq(x, values[good], rcond=None)[0]
    return complex(c[0], c[1])


def found_wobble(name="engineoff2"):
    """Size [deg at 1000/min] and place [deg] of a wobble: what a record shows once a turn beyond the model.

    With an error -A sin(a - a0) the seen w^2/2 is w^2 A cos(a - a0) too high.
    """
    place = (GRID_DEG[:59] + TDC_AFTER_GAP_DEG) % 360.0
    excess = measured_wave(name) - (
        model_wave(2890, True) if name in FULL else model_wave(COAST[name], False)
    )
    rpm = mean_rpm(name)
    part = once_a_turn(0.5 * (excess[:59] + excess[60:]), place) / (rpm * np.pi / 30.0) ** 2
    return float(np.degrees(abs(part))) / (rpm / 1000.0), float(np.degrees(np.angle(part)) % 360.0)


def voltage_phase_deg(name):
    """Where on the wheel [deg after the first tooth] the pickup's peaks are highest: the gap is smallest there."""
    t, v, _ = samples(name)
    edges = crank_edges(name)
    gap = np.flatnonzero(np.diff(edges) > 2.4 * np.median(np.diff(edges)))
    rows = []
    for a, b in pairwise(gap):
        if b - a == 58:
            i = np.searchsorted(t, edges[a + 1 : b + 1])
            rows.append([v[i[k] : i[k + 1]].max() for k in range(57)])
    height = np.median(rows, axis=0)[3:54]
    return float(np.degrees(np.angle(once_a_turn(height, 6.0 * np.arange(3, 54) + 3.0))) % 360.0)


@pytest.fixture(scope="module")
def wobble():
    return found_wobble()


def mean_pressure_bar(name):
    """Mean pressure [bar, 0 at bottom centre before compression] by angle from firing TDC."""
    t, _, p = samples(name)
    angle, time = numbered(crank_edges(name))
    rows = []
    for tdc in truth_rows(name)[0]:
        at = np.interp(tdc, time, angle)
        at = np.round((at - TDC_AFTER_GAP_DEG) / 360.0) * 360.0 + TDC_AFTER_GAP_DEG
        row = np.interp(np.interp(at + PHI_DEG, angle, time, left=np.nan, right=np.nan), t, p) / VOLT_PER_BAR
        if np.all(np.isfinite(row)):
            rows.append(row - np.mean(row[(PHI_DEG > -190) & (PHI_DEG < -170)]))
    return np.mean(rows, axis=0)


def model_pressure_bar(fired):
    gas, kpa = (FIRED, FIRED_KPA) if fired else (COASTING, COASTING_KPA)
    cylinder = Cylinder(bore_m=0.0677, stroke_m=0.055, rod_m=0.0842, compression_ratio=8.5)
    fine = np.arange(-360.0, 360.01, 0.25)
    heat = gas.heat_j(kpa, cylinder.displacement_m3) if fired else 0.0
    return np.interp(PHI_DEG, fine, pressure_pa(gas, cylinder, fine, kpa, heat) / 1e5) - 1.0


# e0fullload1 and engineoff4 were fitted, the others not
@pytest.mark.parametrize(
    ("name", "fired", "rms_bar"),
    [
        ("e0fullload1", True, 0.25), ("e0fullload2", True, 0.35), ("e5fullload3", True, 0.35),
        ("engineoff4", False, 0.12), ("engineoff", False, 0.15), ("engineoff6", False, 0.15),
    ],
)  # fmt: skip
def test_pressure(name, fired, rms_bar):
    """The cycle model on this engine's own pressure: fired peak about 21 bar at 26 deg, motored 13.6 bar."""
    real, model = mean_pressure_bar(name), model_pressure_bar(fired)
    assert np.sqrt(np.mean((real - model) ** 2)) < rms_bar
    assert model.max() == pytest.approx(real.max(), rel=0.06)
    assert abs(PHI_DEG[model.argmax()] - PHI_DEG[real.argmax()]) <= 3.0


@pytest.mark.parametrize("name", list(COAST))
def test_wave_while_coasting(name):
    """Half orders are free of the wheel; slowly coasting the whole wave is nearly free of it too."""
    real, model = measured_wave(name), model_wave(COAST[name], False)
    assert correlation(half_difference(real), half_difference(model)) > 0.985
    assert size(half_difference(real), half_difference(model)) == pytest.approx(1.0, abs=0.1)
    if name != "engineoff2":
        assert correlation(real, model) > 0.95


def test_the_wheel_runs_out_of_true(wobble):
    """The once-a-turn excess peaks where the pickup's voltage is highest: two channels, one cause."""
    for name in ("engineoff", "engineoff4", "engineoff2", "e0fullload1", "e5fullload2"):
        away = (voltage_phase_deg(name) - wobble[1] + 180.0) % 360.0 - 180.0
        assert abs(away) < 20.0


def test_wave_while_coasting_fast():
    """Above 2000/min the pickup's once-a-turn error covers the wave: taken from a fired record, judged on this one."""
    real = measured_wave("engineoff2")
    plain, model = (
        model_wave(COAST["engineoff2"], False, w) for w in ((0.0, 0.0), found_wobble("e0fullload1"))
    )
    assert correlation(real, model) > 0.92
    assert correlation(real, model) > correlation(real, plain) + 0.15


def test_fired_and_coasting_records_show_the_same_wobble(wobble):
    """Two speeds, two torques, one wheel: size and place agree, so it is no error of the modelled torque."""
    for name in FULL:
        size_deg, at_deg = found_wobble(name)
        assert size_deg == pytest.approx(wobble[0], rel=0.1)
        assert abs((at_deg - wobble[1] + 180.0) % 360.0 - 180.0) < 8.0


@pytest.mark.parametrize("name", FULL)
def test_wave_at_full_load(wobble, name):
    """No value here was fitted to a fired crank signal; the model's form was chosen in view of some. With the wheel taken as true it is 0.892 to 0.901."""
    real = measured_wave(name)
    plain, model = model_wave(2890, True), model_wave(2890, True, wobble)
    assert correlation(half_difference(real), half_difference(plain)) > 0.95
    assert correlation(real, model) > 0.95
    assert correlation(real, model) > correlation(real, plain) + 0.05
    assert size(half_difference(real), half_difference(plain)) == pytest.approx(1.0, abs=0.1)


def test_the_load_hangs_on_a_spring():
    """Load fixed to the crank: the slow coasting wave is right and the fired one too small; on a spring both are."""
    slow = size(
        *(half_difference(w) for w in (measured_wave("engineoff4"), model_wave(1500, False, stiff=True)))
    )
    fired = size(
        *(half_difference(w) for w in (measured_wave("e0fullload1"), model_wave(2890, True, stiff=True)))
    )
    soft = size(*(half_difference(w) for w in (measured_wave("e0fullload1"), model_wave(2890, True))))
    assert slow == pytest.approx(1.0, abs=0.05)
    assert fired < 0.92 < soft


def steps(edges, tdc_s):
    """(w_after^2 - w_before^2)/2 over 90 deg windows either side of combustion."""
    angle, time = numbered(edges)
    out = []
    for tdc in tdc_s:
        at = np.interp(tdc, time, angle)
        at = np.round((at - TDC_AFTER_GAP_DEG) / 360.0) * 360.0 + TDC_AFTER_GAP_DEG
        t = np.interp(at + np.array([-180.0, -90.0, 90.0, 180.0]), angle, time, left=np.nan, right=np.nan)
        w = np.pi / 2 / np.diff(t)[[0, 2]]
        out.append(0.5 * (w[1] ** 2 - w[0] ** 2))
    return np.array(out)


def slope(x, y):
    x, y = np.concatenate(x), np.concatenate(y)
    good = np.isfinite(y)
    return float(np.polyfit(x[good], y[good], 1)[0])


def slopes():
    """Measured and simulated slope [(rad/s)^2 per bar]."""
    x, y = [], []
    for path in sorted(FOLDER.glob("e[05]*load?.csv.gz")):
        name = path.name.removesuffix(".csv.gz")
        tdc, imep = truth_rows(name)
        x.append(imep)
        y.append(steps(crank_edges(name), tdc))
    measured = slope(x, y)
    x, y = [], []
    volume = np.pi / 4 * 0.0677**2 * 0.055
    for kpa in (45.0, 60.0, 78.0, FIRED_KPA):
        done = simulated(rpm=2950, kpa=kpa, fired=True)
        x.append(done.truth.work_j / volume / 1e5)
        y.append(steps(done.recording.crank_s, done.truth.tdc_s))
    return measured, slope(x, y)


def test_slope_of_speed_energy_against_imep():
    measured, model = slopes()
    assert model == pytest.approx(measured, rel=0.25)


def table():
    """Measured beside simulated, as lines of text."""
    wheel = found_wobble()
    lines = [f"wobble {wheel[0]:.3f} deg at 1000/min, {wheel[1]:.0f} deg after the first tooth"]
    lines.append("             speed  wave, rms (rad/s)2     model/meas.  correlation")
    lines.append(
        "file         1/min  measured  simulated    half orders  wheel true  with wobble  half orders"
    )
    for name in (*COAST, *FULL):
        fired = name in FULL
        rpm = 2890 if fired else COAST[name]
        real, plain, model = measured_wave(name), model_wave(rpm, fired), model_wave(rpm, fired, wheel)
        half = half_difference(real), half_difference(plain)
        lines.append(
            f"{name:12} {mean_rpm(name):5.0f} {np.nanstd(real):9.0f} {np.nanstd(model):10.0f} {size(*half):14.2f} "
            f"{correlation(real, plain):11.3f} {correlation(real, model):12.3f} {correlation(*half):12.3f}"
        )
    measured, model = slopes()
    lines.append(
        f"slope of speed energy against IMEP, (rad/s)2 per bar: {measured:.0f} measured, {model:.0f} simulated"
    )
    for name, fired in (("e0fullload2", True), ("engineoff6", False)):
        real, model = mean_pressure_bar(name), model_pressure_bar(fired)
        lines.append(
            f"pressure {name}: peak {real.max():.1f} bar at {PHI_DEG[real.argmax()]:.0f} deg measured, "
            f"{model.max():.1f} at {PHI_DEG[model.argmax()]:.0f} simulated"
        )
    return lines


if __name__ == "__main__":
    print("\n".join(table()))
