"""The one-cylinder engine of the recordings against its simulation: pressure in, crank speed out.

Bore, stroke, rod and compression are published. The gas model's constants were fitted once to the pressure channel
of two files (`FIRED` to e0fullload1, `COASTING` to engineoff4; torque-weighted least squares, pressure at bottom
centre taken as 100 kPa), never to the crank. Inertia and coupling of the load come from the coasting records, half
orders only, where neither wheel errors nor the reciprocating mass act: modelled gas work over measured speed energy,
order by order, is 0.024 kg m2 at 10 Hz, 0.018 at 20 Hz and 0.020 above 28 Hz, which is what a small inertia on a
spring at 15 Hz beside the engine's gives (least squares over six files and three orders). What the pickup adds once
a turn comes from the fast coasting record, and its phase is held against the pickup's own voltage. The values come from
pressure and coasting alone; the form of the model was chosen with the fired waves in view, so they are no blind test.

`python tests/simulate/test_one_cylinder.py` prints measured beside simulated.
"""

import gzip
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from misfire.engine import Engine, Wheel
from misfire.simulate import Combustion, Driveline, Phase, Scenario, ToothErrors, prepared_engine, simulate
from misfire.simulate.gas import GasModel, pressure_pa
from misfire.simulate.mechanics import Cylinder

FOLDER = Path(__file__).parents[2] / ".." / "shared" / "recordings" / "one_cylinder_60-2"
pytestmark = pytest.mark.skipif(not FOLDER.is_dir(), reason="the one-cylinder recordings are not here")

TDC_AFTER_GAP_DEG = 243.5  # manifest.csv
VOLT_PER_BAR = 0.077
ENGINE_KG_M2 = 0.0203
LOAD_KG_M2, LOAD_HZ = 0.00174, 15.2  # the load's inertia, and its frequency against a crank that stands
LOAD_DAMPING = 0.05  # assumed
RECIPROCATING_KG = 0.25  # assumed: usual for a piston of this bore
GRID_DEG = np.arange(-354.0, 360.0, 6.0)
PHI_DEG = np.arange(-360.0, 361.0)
FIRED_KPA, COASTING_KPA = 92.35, 101.9
FIRED = GasModel(
    compression_exponent=1.25, expansion_exponent=1.342, inlet_closes_deg=-165.0, exhaust_opens_deg=160.6,
    blowdown_deg=17.2, exhaust_kpa=139.0, heat_mj_per_m3=1.559, burn_start_deg=-10.6, burn_deg=63.2,
)  # fmt: skip
COASTING = GasModel(
    compression_exponent=1.25, expansion_exponent=1.314, inlet_closes_deg=-165.0, exhaust_opens_deg=175.0,
    blowdown_deg=40.0, exhaust_kpa=110.3,
)  # fmt: skip
FULL = ("e0fullload1", "e0fullload2", "e0fullload3", "e5fullload1", "e5fullload2", "e5fullload3")
# start speed of the simulated coast-down [1/min], so that its mean is the file's
SLOW = {"engineoff": 1250, "engineoff3": 1500, "engineoff5": 1500}
COAST = {**SLOW, "engineoff4": 1500, "engineoff6": 1500, "engineoff2": 2700}


@cache
def samples(name):
    """Time [s], crank [V], pressure [V]."""
    with gzip.open(FOLDER / f"{name}.csv.gz", "rt") as f:
        return np.loadtxt(f, delimiter=",", skiprows=1).T


@cache
def crank_edges(name):
    t, v, _ = samples(name)
    i = np.flatnonzero((v[:-1] < 0.0) & (v[1:] >= 0.0))
    return t[i] - v[i] * (t[i + 1] - t[i]) / (v[i + 1] - v[i])


def truth_rows(name):
    rows = (FOLDER / "truth_per_cycle.csv").read_text().splitlines()
    head = rows[0].split(",")
    kept = [dict(zip(head, r.split(","), strict=True)) for r in rows[1:] if r.startswith(f"{name},")]
    return np.array([float(r["tdc_time_s"]) for r in kept]), np.array([float(r["imep_bar"]) for r in kept])


def numbered(edges):
    """Angle after the first tooth [deg] of every edge between whole gaps."""
    step = np.diff(edges)
    gap = np.flatnonzero(step > 2.4 * np.median(step))
    angle, time = [], []
    for turn, (a, b) in enumerate(pairwise(gap)):
        if b - a == 58:
            time.append(edges[a + 1 : b + 1])
            angle.append(360.0 * turn + 6.0 * np.arange(58))
    return np.concatenate(angle), np.concatenate(time)


def energy(angle, time):
    """w^2/2 [(rad/s)^2] from four-tooth spans that touch neither gap neighbour, at their middle angle."""
    span = 4
    width = np.radians(angle[span:] - angle[:-span])
    place = angle % 360.0
    # the two teeth next to the gap stay out: their edges move with speed
    good = (
        (angle[span:] - angle[:-span] < 6.0 * span + 1.0) & (place[:-span] >= 12.0) & (place[span:] <= 336.0)
    )
    w = width / (time[span:] - time[:-span])
    middle = 0.5 * (angle[span:] + angle[:-span])
    return middle[good], 0.5 * w[good] ** 2


def wave(edges, tdc_s):
    """Mean wave of w^2/2 over a cycle by angle from firing TDC, its slow trend taken out; NaN at the gap."""
    angle, time = numbered(edges)
    middle, e = energy(angle, time)
    waves = []
    for tdc in tdc_s:
        at = np.interp(tdc, time, angle)
        at = np.round((at - TDC_AFTER_GAP_DEG) / 360.0) * 360.0 + TDC_AFTER_GAP_DEG
        phi = middle - at
        one = (phi > -357.0) & (phi < 357.0)
        if one.sum() > 80:
            trend = np.polyval(np.polyfit(phi[one], e[one], 1), phi[one])
            row = np.full(len(GRID_DEG), np.nan)
            place = np.round((phi[one] - GRID_DEG[0]) / 6.0).astype(int)
            inside = (place >= 0) & (place < len(row))
            row[place[inside]] = (e[one] - trend)[inside]
            waves.append(row)
    out = np.full(len(GRID_DEG), np.nan)
    stack = np.array(waves)
    known = np.sum(np.isfinite(stack), axis=0) > len(stack) / 2
    out[known] = np.nanmean(stack[:, known], axis=0)
    return out


def half_difference(w):
    """Half the difference of a wave and itself a turn later: wheel errors and inertia ripple fall out."""
    return 0.5 * (w[:59] - w[60:])


def load_pct(kpa):
    return (kpa - 15.0) / 0.85


def small_engine():
    base = Engine.from_order([1], bore_mm=67.7, stroke_mm=55.0, rod_mm=84.2, compression_ratio=8.5)
    e = prepared_engine(base, Wheel.regular(60, 2, first_tooth_after_tdc1_deg=360.0 - TDC_AFTER_GAP_DEG))
    return replace(e, reciprocating_mass_kg=RECIPROCATING_KG, rotating_inertia_kg_m2=ENGINE_KG_M2)


def simulated(*, rpm, kpa, fired, teeth=None, stiff=False):
    """A run of the small engine, held at a speed or coasting from it."""
    step = (
        Phase(duration_s=3.0, rpm=rpm, load_pct=load_pct(kpa), gear_m=1.0)
        if fired
        else Phase(duration_s=0.5, rpm=rpm, mode="free", fuel_cut=True, load_pct=load_pct(kpa), gear_m=1.0)
    )
    load = Driveline(
        vehicle_kg=LOAD_KG_M2,
        natural_hz=0.0 if stiff else LOAD_HZ * np.sqrt(1.0 + LOAD_KG_M2 / ENGINE_KG_M2),
        damping=LOAD_DAMPING,
        road_n=0.0,
        drag_n_s2_m2=0.0,
    )
    return simulate(
        Scenario(
            engine=small_engine(),
            driveline=load,
            programme=(step,),
            gas=FIRED if fired else COASTING,
            combustion=Combustion(cov_full=0.04, cov_idle=0.04),
            teeth=teeth or ToothErrors(),
            accessory_nm=0.3,
        )
    )


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
