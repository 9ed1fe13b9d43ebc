"""The cases of the second engine, by group. Truth is what was put in; expectations are the contract's."""

from __future__ import annotations

from dataclasses import replace

from .cases_faults import cuts, lengths_and_forms, naming, signals, stored, wheels
from .common import ALL, CLEAR, COMPANION, CRUISE, HALL, IDLE, PULL, REVS, ROUGH, STEADY, TOUR, VR, W36, found
from .drive import Drive, Misfire, Stretch
from .gas import LAYOUTS
from .job import Case, Expect


def healthy() -> list[Case]:
    """Nothing wrong: nothing may be found."""
    out = []
    for k, name in enumerate(ALL):
        wheel = (HALL, VR, W36)[k % 3]
        if name != "single":
            out.append(Case(f"h_tour_{name}", "healthy", Drive(name, TOUR, seed=10 + k), wheel, CLEAR))
        else:
            out.append(
                Case(
                    f"h_cruise_{name}",
                    "healthy",
                    Drive(name, (Stretch("idle", 20, 1200),), seed=19),
                    wheel,
                    CLEAR,
                )
            )
    for k, name in enumerate(("inline4", "v8", "inline3", "v6_oddfire")):
        out.append(
            Case(f"h_idle_{name}", "healthy", Drive(name, IDLE, seed=30 + k), (VR, HALL)[k % 2], CLEAR)
        )
        out.append(
            Case(f"h_cruise_{name}", "healthy", Drive(name, CRUISE, seed=40 + k), (HALL, W36)[k % 2], CLEAR)
        )
    for k, name in enumerate(("inline4", "inline6", "v8")):
        out.append(
            Case(
                f"h_rough_{name}",
                "rough road",
                Drive(name, ROUGH, seed=50 + k),
                HALL,
                replace(CLEAR, unusable=0.9),
            )
        )
        cold = Drive(name, (Stretch("idle", 24, 1050),), seed=60 + k, cov=0.20, cold=True)
        out.append(
            Case(
                f"h_cold_{name}",
                "cold idle",
                cold,
                VR,
                replace(CLEAR, status=("clear", "undetermined"), unusable=1.0),
            )
        )
        out.append(Case(f"h_revs_{name}", "healthy", Drive(name, REVS, seed=70 + k), VR, CLEAR))
    return out


def random_misfires() -> list[Case]:
    """Two to fifteen per cent of one cylinder's firings."""
    out = []
    for k, name in enumerate(ALL):
        n = len(LAYOUTS[name].order)
        cylinder = (k * 2) % n + 1
        rate = (0.15, 0.05, 0.10, 0.03, 0.08)[k % 5]
        stretches = (
            TOUR
            if name != "single"
            else (Stretch("idle", 20, 1200), Stretch("free", 3, 1200, 2000), Stretch("free", 6, 2000))
        )
        out.append(
            Case(
                f"r_{name}", "random misfire", Drive(name, stretches, (Misfire(cylinder, rate),), seed=100 + k),
                (HALL, VR, W36)[k % 3], found(("misfire", (cylinder,), "one")),
            )
        )  # fmt: skip
    for k, (name, rate) in enumerate((("inline4", 0.02), ("inline6", 0.04), ("v8", 0.04), ("inline3", 0.10))):
        out.append(
            Case(
                f"r_idle_{name}",
                "random misfire",
                Drive(name, IDLE, (Misfire(2, rate * 2),), seed=120 + k),
                VR,
                found(("misfire", (2,), "one")),
            )
        )
        out.append(
            Case(
                f"r_steady_{name}",
                "random misfire",
                Drive(name, STEADY, (Misfire(3, rate),), seed=130 + k),
                HALL,
                found(("misfire", (3,), "one")),
            )
        )
    several = (Misfire(1, 0.08), Misfire(3, 0.08), Misfire(4, 0.05))
    out.append(
        Case(
            "r_several_inline6",
            "random misfire",
            Drive("inline6", TOUR, several, seed=140),
            HALL,
            found(("misfire", (1, 3, 4), "several")),
        )
    )
    every = tuple(Misfire(c, 0.06) for c in range(1, 5))
    out.append(
        Case(
            "r_whole_inline4",
            "random misfire",
            Drive("inline4", TOUR, every, seed=141),
            VR,
            found(("misfire", (1, 2, 3, 4), "whole_engine")),
        )
    )
    out.append(
        Case("r_cold_inline4", "random misfire", Drive("inline4", (Stretch("idle", 24, 1050),), (Misfire(4, 0.12),), seed=142, cov=0.10, cold=True), VR,
             found(("misfire", (4,), "one"), recall=0.6))
    )  # fmt: skip
    rough = tuple(replace(s, rough_nm=8.0) for s in CRUISE)
    out.append(
        Case(
            "r_rough_inline4",
            "random misfire",
            Drive("inline4", rough, (Misfire(1, 0.10),), seed=143),
            HALL,
            found(("misfire", (1,), "one"), recall=0.4, unusable=0.9),
        )
    )
    return out


def dead() -> list[Case]:
    """One cylinder gives nothing at all."""
    out = []
    for k, name in enumerate(x for x in ALL if x != "single"):
        n = len(LAYOUTS[name].order)
        cylinder = (k + 1) % n + 1
        for label, stretches in (
            ("tour", PULL),
            ("idle", IDLE),
        ):
            if label == "idle" and k % 2:
                continue
            out.append(
                Case(f"d_{label}_{name}", "dead cylinder", Drive(name, stretches, (Misfire(cylinder, 1.0),), seed=200 + k), (VR, HALL, W36)[k % 3],
                     found(("misfire", (cylinder,), "one")))
            )  # fmt: skip
    out.append(
        Case(
            "d_steady_inline4",
            "dead cylinder",
            Drive("inline4", STEADY, (Misfire(3, 1.0),), seed=220),
            HALL,
            found(("misfire", (3,), "one")),
        )
    )
    out.append(
        Case(
            "d_half_inline6",
            "dead cylinder",
            Drive("inline6", TOUR, (Misfire(5, 1.0, start_s=11.0),), seed=221),
            HALL,
            found(("misfire", (5,), "one")),
        )
    )
    out.append(
        Case(
            "d_p0363_inline4",
            "dead cylinder",
            Drive("inline4", PULL, (Misfire(3, 1.0),), seed=222),
            HALL,
            Expect(status=("undetermined",)),
            args=("--codes", "P0300,P0303,P0363"),
        )
    )
    return out


def companions() -> list[Case]:
    """A shared coil: both cylinders, random or dead."""
    out = []
    for k, (name, pair) in enumerate(COMPANION.items()):
        both = tuple(Misfire(c, 0.10) for c in pair)
        out.append(
            Case(
                f"c_random_{name}",
                "companions",
                Drive(name, TOUR, both, seed=300 + k),
                (HALL, VR)[k % 2],
                found(("misfire", pair, "companions")),
            )
        )
        total = tuple(Misfire(c, 1.0) for c in pair)
        if name in ("inline4", "boxer4"):
            stretches = (
                Stretch("drive", 6, 1200, 2200),
                Stretch("drive", 6, 2200),
                Stretch("cut", 7, floor_rpm=1300),
                Stretch("drive", 4, 1300, 1600),
            )
        else:
            stretches = TOUR
        out.append(
            Case(
                f"c_dead_{name}",
                "companions",
                Drive(name, stretches, total, seed=310 + k),
                HALL,
                found(("misfire", pair, "companions")),
            )
        )
    out.append(
        Case(
            "c_random_steady_inline4",
            "companions",
            Drive("inline4", STEADY, (Misfire(2, 0.1), Misfire(3, 0.1)), seed=320),
            HALL,
            found(("misfire", (2, 3), "companions")),
        )
    )
    return out


def weak() -> list[Case]:
    """Part of one cylinder's work is missing all the time, or some of the time."""
    out = []
    for k, (name, lost) in enumerate(
        (("inline4", 0.5), ("v8", 0.5), ("inline5", 0.4), ("inline6", 0.35), ("v6_oddfire", 0.45))
    ):
        out.append(
            Case(f"w_{name}", "weak cylinder", Drive(name, TOUR, (Misfire(3, 1.0, lost),), seed=400 + k), (HALL, VR)[k % 2],
                 found(("weak_cylinder", (3,), None), false_share=0.01, partial_cylinder=3))
        )  # fmt: skip
    out.append(
        Case(
            "w_partial_inline4",
            "weak cylinder",
            Drive("inline4", TOUR, (Misfire(2, 0.12, 0.5),), seed=410),
            HALL,
            replace(CLEAR, partial_cylinder=2, false_share=0.003),
        )
    )
    out.append(
        Case(
            "w_mild_inline4",
            "weak cylinder",
            Drive("inline4", TOUR, (Misfire(2, 1.0, 0.08),), seed=411),
            HALL,
            CLEAR,
        )
    )
    return out


def all_cases() -> list[Case]:
    """Every case once."""
    groups = (
        healthy,
        random_misfires,
        dead,
        companions,
        weak,
        wheels,
        stored,
        signals,
        cuts,
        naming,
        lengths_and_forms,
    )
    return [case for group in groups for case in group()]
