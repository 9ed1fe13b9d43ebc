"""Cases of the wheel, the controller's memory, the sensor, fuel cut, naming, lengths and file forms."""

from __future__ import annotations

from dataclasses import replace

from .common import CLEAR, CRUISE, HALL, PULL, REVS, STEADY, TOUR, VR, found
from .drive import Drive, Misfire, Stretch
from .job import Case, Expect


def wheels() -> list[Case]:
    """The wheel is off, the cylinders fire; or both."""
    out = []
    big = replace(HALL, runout_deg=0.6)
    for k, name in enumerate(("inline4", "inline6", "v8", "v6")):
        wheel = replace(big, runout_deg=(1.6, 0.8, 0.5, 0.8)[k])
        out.append(
            Case(
                f"p_runout_{name}",
                "wheel error",
                Drive(name, TOUR, seed=500 + k),
                wheel,
                found(("crank_pattern", None, "wheel")),
            )
        )
        sweep = (*(s for s in TOUR if s.kind != "cut"), Stretch("drive", 6, 2700, 1500))
        out.append(
            Case(
                f"p_sweep_{name}",
                "wheel error",
                Drive(name, sweep, seed=510 + k),
                wheel,
                found(("crank_pattern", None, "wheel")),
            )
        )
        out.append(
            Case(
                f"p_small_{name}",
                "wheel error",
                Drive(name, TOUR, seed=520 + k),
                replace(HALL, runout_deg=0.02),
                CLEAR,
            )
        )
    bent = replace(HALL, steps_deg=((10, 22, 1.2),))
    out.append(
        Case(
            "p_bent_inline4",
            "wheel error",
            Drive("inline4", TOUR, seed=530),
            bent,
            found(("crank_pattern", None, "wheel")),
        )
    )
    out.append(
        Case(
            "p_and_dead_inline6",
            "wheel error",
            Drive("inline6", TOUR, (Misfire(2, 1.0),), seed=531),
            replace(HALL, runout_deg=0.8),
            found(("crank_pattern", None, "wheel"), ("misfire", (2,), "one")),
        )
    )
    out.append(
        Case(
            "p_and_random_v8",
            "wheel error",
            Drive("v8", TOUR, (Misfire(4, 0.08),), seed=532),
            replace(HALL, runout_deg=0.5),
            found(("crank_pattern", None, "wheel"), ("misfire", (4,), "one")),
        )
    )
    out.append(
        Case(
            "p_one_speed_inline4",
            "one speed",
            Drive("inline4", STEADY, seed=533),
            replace(HALL, runout_deg=2.5),
            Expect(status=("undetermined",)),
        )
    )
    out.append(
        Case(
            "p_one_speed_inline6",
            "one speed",
            Drive("inline6", STEADY, seed=534),
            replace(HALL, runout_deg=1.2),
            Expect(status=("undetermined",)),
        )
    )
    out.append(
        Case(
            "p_odd_inline5",
            "wheel error",
            Drive("inline5", TOUR, seed=535),
            replace(HALL, runout_deg=0.9),
            found(("crank_pattern", None, "wheel")),
        )
    )
    out.append(
        Case(
            "p_oddfire_v6",
            "wheel error",
            Drive("v6_oddfire", TOUR, seed=536),
            replace(HALL, runout_deg=0.9),
            found(("crank_pattern", None, "wheel")),
        )
    )
    return out


def stored() -> list[Case]:
    """The controller accuses cylinders that fire."""
    fine = Drive("inline4", TOUR, seed=11)
    hit = Drive("inline4", TOUR, (Misfire(1, 0.05),), seed=101)
    both = ("crank_pattern", (2, 3), "stored")
    return [
        Case("s_counts_inline4", "stored pattern", fine, VR, found(both), counts=((1, 0), (2, 210), (3, 190), (4, 0))),
        Case("s_codes_inline4", "stored pattern", fine, VR, found(both), args=("--codes", "P0300,P0302,P0303")),
        Case("s_counts_v8", "stored pattern", Drive("v8", TOUR, seed=16), HALL, found(("crank_pattern", (5, 8), "stored")), counts=tuple((c, 160 if c in (5, 8) else 0) for c in range(1, 9))),
        Case("s_zero_inline4", "stored pattern", fine, VR, CLEAR, counts=tuple((c, 0) for c in range(1, 5))),
        Case("s_true_inline4", "stored pattern", hit, HALL, found(("misfire", (1,), "one")), counts=((1, 20), (2, 0), (3, 0), (4, 0))),
        Case("s_both_inline4", "stored pattern", hit, HALL, found(("misfire", (1,), "one"), both), counts=((1, 20), (2, 180), (3, 170), (4, 0))),
        Case("s_not_run_inline4", "stored pattern", fine, VR, CLEAR, counts=tuple((c, 0) for c in range(1, 5)), monitor="no"),
        Case("s_wheel_counts_inline6", "stored pattern", Drive("inline6", TOUR, seed=501), replace(HALL, runout_deg=0.8), found(("crank_pattern", None, "wheel")), counts=tuple((c, 150 if c in (3, 4) else 0) for c in range(1, 7))),
    ]  # fmt: skip


def signals() -> list[Case]:
    """The sensor's own faults."""
    fine = Drive("inline4", TOUR, seed=11)
    six = Drive("inline6", TOUR, seed=13)
    bad = Drive("inline6", TOUR, (Misfire(2, 0.08),), seed=540)
    two = ("sensor_signal", None, None)
    return [
        Case(
            "e_few_inline4",
            "signal",
            fine,
            replace(VR, lost=5e-5, extra=5e-5),
            replace(CLEAR, may=("sensor_signal",)),
        ),
        Case(
            "e_few_misfire_inline6",
            "signal",
            bad,
            replace(HALL, lost=5e-5, extra=5e-5),
            found(("misfire", (2,), "one"), may=("sensor_signal",)),
        ),
        Case("e_many_inline4", "signal", fine, replace(VR, extra=0.01), found(two, unusable=1.0, recall=0)),
        Case("e_lost_inline6", "signal", six, replace(HALL, lost=0.01), found(two, unusable=1.0, recall=0)),
        Case(
            "e_late_burst_inline6",
            "signal",
            six,
            replace(HALL, extra=0.02, extra_from_s=18.0),
            found(two, unusable=1.0, recall=0),
        ),
        Case(
            "e_drift_inline4",
            "signal",
            fine,
            replace(HALL, drift_deg=1.5),
            found(two, unusable=1.0, may=("crank_pattern",)),
        ),
        Case(
            "e_drift_inline6",
            "signal",
            six,
            replace(HALL, drift_deg=0.8),
            found(two, unusable=1.0, may=("crank_pattern",)),
        ),
        Case(
            "e_hum_inline4",
            "signal",
            Drive("inline4", CRUISE, seed=550),
            replace(VR, starter_hz=147.0, starter_deg=0.05),
            replace(CLEAR, status=("clear", "undetermined", "found"), may=("sensor_signal",), unusable=1.0),
        ),
        Case(
            "e_jitter_inline4", "signal", fine, replace(HALL, jitter_deg=0.03), replace(CLEAR, unusable=0.6)
        ),
        Case(
            "e_coarse_clock_v8",
            "signal",
            Drive("v8", TOUR, seed=16),
            HALL,
            replace(CLEAR, unusable=0.6),
            form="tick",
            clock_hz=250e3,
        ),
    ]


def cuts() -> list[Case]:
    """Fuel cut in gear, told or not, told late or early."""
    fine = Drive("inline4", TOUR, seed=11)
    six = Drive("inline6", TOUR, seed=13)
    hit = Drive("inline6", TOUR, (Misfire(2, 0.08),), seed=540)
    map_only = ("map_kpa", "speed_rpm")
    return [
        Case("f_bare_inline4", "fuel cut", fine, HALL, CLEAR, channels=None),
        Case("f_bare_inline6", "fuel cut", six, VR, CLEAR, channels=None),
        Case("f_bare_v8", "fuel cut", Drive("v8", TOUR, seed=16), HALL, CLEAR, channels=None),
        Case("f_bare_misfire_inline6", "fuel cut", hit, HALL, found(("misfire", (2,), "one")), channels=None),
        Case("f_late_inline4", "fuel cut", fine, HALL, CLEAR, cut_late_s=0.3),
        Case("f_early_inline4", "fuel cut", fine, HALL, CLEAR, cut_late_s=-0.3),
        Case("f_late_v8", "fuel cut", Drive("v8", TOUR, seed=16), HALL, CLEAR, cut_late_s=0.4),
        Case("f_map_inline6", "fuel cut", six, HALL, CLEAR, channels=map_only),
        Case("f_bare_inline3", "fuel cut", Drive("inline3", TOUR, seed=10), HALL, CLEAR, channels=None),
        Case("f_bare_revs_inline4", "fuel cut", Drive("inline4", REVS, seed=70), HALL, CLEAR, channels=None),
        Case(
            "f_dead_bare_inline4",
            "fuel cut",
            Drive("inline4", PULL, (Misfire(3, 1.0),), seed=222),
            HALL,
            found(("misfire", (3,), "one")),
            channels=None,
        ),
    ]


def naming() -> list[Case]:
    """What a technician leaves out."""
    hit = Drive("inline4", TOUR, (Misfire(1, 0.06),), seed=101)
    six = Drive("inline6", TOUR, (Misfire(2, 0.08),), seed=540)
    cut3 = Drive(
        "inline4", (Stretch("idle", 26, 850),), (Misfire(3, 1.0, 1.0, 9.0, 16.0), Misfire(1, 0.06)), seed=600
    )
    whole = ("misfire", None, None)
    return [
        Case("n_offset_cam_inline4", "naming", hit, HALL, found(whole, named=False), offset=False, cam=(70.0,)),
        Case("n_offset_mark_inline4", "naming", hit, HALL, found(("misfire", (1,), "one"), phase="measured"), offset=False, cam=(), mark=-10.0),
        Case("n_offset_waste_inline4", "naming", hit, HALL, found(whole, named=False), offset=False, cam=(), mark=-10.0, waste=True),
        Case("n_nowheel_mark_inline6", "naming", six, VR, found(("misfire", (2,), "one"), phase="measured"), wheel_given=False, cam=(), mark=-8.0),
        Case("n_nowheel_bare_inline6", "naming", six, HALL, found(whole, named=False), wheel_given=False, cam=()),
        Case("n_layout_v8", "naming", Drive("v8", TOUR, (Misfire(4, 0.08),), seed=532), HALL, found(whole, named=False), engine_arg="v8", cam=()),
        Case("n_nophase_inline4", "naming", hit, HALL, found(("misfire", (1, 4), None), phase="unknown", named=False), cam=()),
        Case("n_mark_known_inline4", "naming", hit, HALL, found(("misfire", (1,), "one"), phase="measured"), cam=(), mark=-10.0),
        Case("n_known_cut_inline4", "naming", cut3, HALL, found(("misfire", (1,), "one"), recall=0.0), cam=(), offset=False, args=("--known-cut", "3@9.0-16.0"), channels=None),
        Case("n_known_cut_offset_inline4", "naming", cut3, HALL, found(("misfire", (1,), "one"), recall=0.0), cam=(), args=("--known-cut", "3@9.0-16.0"), channels=None),
        Case("n_wrong_wheel_inline4", "naming", hit, HALL, Expect(code=2), args=("--wheel", "36-1")),
        Case("n_wrong_offset_inline4", "naming", hit, HALL, Expect(code=2), args=("--first-tooth", "30")),
        Case("n_bare_single", "naming", Drive("single", (Stretch("idle", 20, 1200),), seed=19), HALL, CLEAR, offset=False, cam=(), channels=None),
        Case("n_bare_odd_v6", "naming", Drive("v6_oddfire", TOUR, (Misfire(4, 0.1),), seed=610), HALL, found(whole, named=False), offset=False, cam=()),
        Case("n_bare_healthy_inline3", "naming", Drive("inline3", TOUR, seed=10), HALL, CLEAR, offset=False, cam=(), channels=None),
    ]  # fmt: skip


def lengths_and_forms() -> list[Case]:
    """Short logs, pooled logs, other columns, sampled signals."""
    fine = Drive("inline4", TOUR, seed=11)
    short = Drive("inline4", (Stretch("idle", 10, 800),), seed=700)
    hit = Drive("inline4", TOUR, (Misfire(1, 0.06),), seed=101)
    some = tuple(Drive("inline4", (Stretch("idle", 9, 900),), seed=710 + k) for k in range(3))
    pool = tuple(
        Drive("inline4", (Stretch("idle", 9, 900),), (Misfire(2, 0.08),), seed=720 + k) for k in range(3)
    )
    undecided = Expect(status=("undetermined",))
    return [
        Case("l_short_inline4", "short log", short, HALL, undecided),
        Case("l_short_v8", "short log", Drive("v8", (Stretch("idle", 10, 700),), seed=701), HALL, undecided),
        Case("l_short_dead_inline4", "short log", Drive("inline4", (Stretch("idle", 10, 800),), (Misfire(2, 1.0),), seed=702), HALL, Expect(status=("undetermined", "found"), may=("misfire",))),
        Case("l_none", "short log", fine, HALL, Expect(code=3), clip_s=(2.0, 2.09), channels=None),
        Case("l_pool_healthy", "pooled", some[0], HALL, CLEAR, more_drives=some[1:], channels=None),
        Case("l_pool_misfire", "pooled", pool[0], HALL, found(("misfire", (2,), "one")), more_drives=pool[1:], channels=None),
        Case("l_tick32", "forms", hit, HALL, found(("misfire", (1,), "one")), form="tick32", clock_hz=20e6),
        Case("l_tick", "forms", hit, HALL, found(("misfire", (1,), "one")), form="tick", clock_hz=4e6, start=100.0),
        Case("l_time_s", "forms", hit, HALL, found(("misfire", (1,), "one")), form="time_s", start=1000.0),
        Case("l_period_us", "forms", hit, HALL, found(("misfire", (1, 4), None), named=False, phase="unknown"), form="period_us", cam=(), channels=None),
        Case("l_wav_vr", "forms", hit, VR, found(("misfire", (1, 4), None), named=False), samples="wav", cam=(), channels=None),
        Case("l_csv_hall", "forms", hit, HALL, found(("misfire", (1, 4), None), named=False), samples="csv", cam=()),
    ]  # fmt: skip
