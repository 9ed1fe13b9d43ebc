"""What the answer of a comparison is made from, and what it is made into."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from misfire.comparison.judge import Answer, Change
from misfire.comparison.names import Label

Kind = Literal["found", "uncorrected", "reported"]


@dataclass(frozen=True)
class FreezeFrame:
    """The condition stored with the code, and the firings judged there after the work.

    `load_unknown`: the speed was driven, but no load was logged with it.
    """

    speed_rpm: float
    load_pct: float
    firings_after: int
    driven: bool
    load_unknown: bool

    def to_dict(self) -> dict[str, Any]:
        """For the result."""
        return {
            "speed_rpm": self.speed_rpm,
            "load_pct": self.load_pct,
            "firings_after": self.firings_after,
            "driven": self.driven,
        }

    @property
    def advice(self) -> str:
        """What to record."""
        if self.load_unknown and not self.driven:
            return (
                f"the load (load_pct, --channels-after): {self.speed_rpm:.0f} rpm was driven, whether at "
                f"{self.load_pct:.0f} % load is not known"
            )
        return (
            f"a drive at the freeze-frame condition: {self.speed_rpm:.0f} rpm (within 375 rpm) and "
            f"{self.load_pct:.0f} % load (within 20 %), at least 200 firings"
        )


@dataclass(frozen=True)
class Evidence:
    """What the overall answer is made from; every mapping is by cylinder number.

    `raw` holds the answers from the numbers alone, `answers` those after the condition that the monitor ran.
    `false_raw` holds the answers for counts on firings that burned. `accused` lists the cylinders with a firm
    misfire finding in a log after. `totals_only` names the sides whose controller counts are the totals of a
    driving cycle. `usable_turns` before and after. With logs that name places, `changes` and `answers` go by
    the controller's cylinder numbers and `found` by places.
    """

    kind: Kind
    changes: Mapping[Label, Change]
    raw: Mapping[Label, Answer]
    answers: Mapping[Label, Answer]
    false_changes: Mapping[Label, Change]
    false_raw: Mapping[Label, Answer]
    found: Mapping[Label, Change]
    found_raw: Mapping[Label, Answer]
    accused: frozenset[Label]
    pattern: Mapping[str, Any]
    wheel_before: bool
    wheel_after: bool
    monitor_ran: bool | None
    reported_one_side: str
    totals_only: tuple[str, ...]
    freeze_frame: FreezeFrame | None
    usable_turns: tuple[float, float]


@dataclass
class Overall:
    """Answer, headline, reasons and what to record."""

    answer: str
    headline: str
    reasons: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    cylinders: list[Label] = field(default_factory=list)
