"""Wheels and drives that several groups of cases share."""

from __future__ import annotations

from dataclasses import replace

from .drive import Stretch
from .job import Expect
from .sensor import Wheel

HALL = Wheel()
VR = Wheel(pickup="vr", jitter_deg=0.006, first_tooth_deg=84.0)
W36 = Wheel(positions=36, missing=(35,), first_tooth_deg=90.0, tooth_sd_deg=0.015)

IDLE = (Stretch("idle", 22, 780),)
CRUISE = (
    Stretch("drive", 5, 1500, 2400), Stretch("drive", 6, 2400), Stretch("drive", 5, 2400, 1700, grade_nm=10),
    Stretch("drive", 5, 1700),
)  # fmt: skip
TOUR = (
    Stretch("idle", 8, 780), Stretch("drive", 8, 900, 2700), Stretch("drive", 4, 2700), Stretch("cut", 9, floor_rpm=1350),
    Stretch("drive", 5, 1350, 1800),
)  # fmt: skip
# takes up the drive at 1500 rpm: an engine with a dead cylinder stalls below
PULL = (Stretch("idle", 8, 780), Stretch("free", 3, 780, 1600), Stretch("drive", 7, 1500, 2700), *TOUR[2:])
STEADY = (Stretch("drive", 18, 2300),)
ROUGH = tuple(replace(s, rough_nm=12.0) for s in CRUISE)
REVS = (
    Stretch("idle", 5, 800), Stretch("free", 2.5, 800, 3000), Stretch("free", 2, 3000), Stretch("freecut", 4, floor_rpm=1500),
    Stretch("free", 3, 1500), Stretch("free", 2.5, 1500, 3000), Stretch("freecut", 4, floor_rpm=1500), Stretch("idle", 4, 900),
)  # fmt: skip
ALL = ("inline3", "inline4", "inline5", "inline6", "v6", "v6_oddfire", "v8", "boxer4", "single")
CLEAR = Expect()
COMPANION = {"inline4": (2, 3), "inline6": (3, 4), "v6": (2, 5), "v8": (5, 8), "boxer4": (3, 4)}


def found(*must: tuple, may: tuple[str, ...] = (), **more: object) -> Expect:
    """Expectation with firm findings."""
    return Expect(status=("found",), must=tuple(must), may=may, **more)  # type: ignore[arg-type]
