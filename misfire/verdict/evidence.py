"""What the judgement rests on: counts and means per cylinder, the signal, the pattern."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from misfire.engine import Engine
from misfire.evidence import Kinds, Lines, Stopped

Label = int | str


@dataclass(frozen=True)
class Steady:
    """What one place lacks in every firing, misfires left out.

    `lost` is the mean lost work, `sd` its standard error, `least` the smallest mean of any stretch of like speed and
    time, `mate` the median of the place that shares its teeth, its misfires in it (NaN without one). With the phase
    unknown the label stands for two places: the one that lacks more.
    """

    lost: float
    sd: float
    least: float
    mate: float
    firings: int


@dataclass(frozen=True)
class CylinderEvidence:
    """What was counted for one cylinder (or place, or pair when the phase is unknown); lost work is a share of normal
    work, `judged_around` the share of its firings near its misfires that could be judged, `stopped` where it goes dead."""

    cylinder: Label
    firings: int
    misfires: int
    partial: int
    uncorrected: int
    false_uncorrected: int  # counted by the uncorrected monitor although the cylinder fired
    false_from_rpm: float | None
    mean_lost_work: float
    steady: Steady
    unusable: int
    reported: int | None
    either: int = 0  # firings that are full misfires or partial burns, the size of a full one not known
    judged_around: float = 1.0  # share of its firings near its misfires that could be judged
    stopped: Stopped | None = None
    kinds: Kinds = field(default_factory=Kinds)  # firings that stand apart


@dataclass(frozen=True)
class Evidence:
    """Everything that the judgement rests on; `worst_tooth` is a position and its error [deg]."""

    engine: Engine
    cylinders: Sequence[CylinderEvidence]
    phase: str
    named: bool
    usable_turns: int
    turns: int
    extra_edges: int
    lost_edges: int
    resyncs: int
    turns_set_aside: int
    pattern_from: str
    pattern_stable: bool | None
    pattern_drift_deg: float
    worst_tooth: tuple[int, float] | None
    ambiguous: Sequence[Label]  # companions down together, wheel or work
    ambiguous_lost: float
    unusable_share: float
    motoring_share: float
    speed_ratio: float
    codes: tuple[str, ...] = ()
    counts_given: bool = False
    monitor_ran: bool | None = None
    nothing_fired: bool = False
    engine_doubt: str = ""  # what of the motion speaks against the engine given
    notes: list[str] = field(default_factory=list)
    lines: Lines = field(default_factory=Lines)
