"""Per firing event: what its combustion added to the crank's speed energy."""

from misfire.grid import Grid, make_grid, time_noise_s
from misfire.work.alternate import mean_work
from misfire.work.events import AFTER_DEG, BEFORE_DEG, Apparent, Events, Teeth, measure, measure_turns
from misfire.work.filters import (
    COMPRESSION_SHARE,
    HARMONICS,
    Span,
    event_filters,
    firing_period_deg,
    firing_sorts,
    inertia_lateness_deg,
    inertia_share,
    level_filter,
    masses_unsure,
)
from misfire.work.motion import Motion, Moves
from misfire.work.separation import needed_separation, predicted_separation
from misfire.work.windows import Filter, Laid, Place, apply_filter, places

__all__ = [
    "AFTER_DEG",
    "BEFORE_DEG",
    "COMPRESSION_SHARE",
    "HARMONICS",
    "Apparent",
    "Events",
    "Filter",
    "Grid",
    "Laid",
    "Motion",
    "Moves",
    "Place",
    "Span",
    "Teeth",
    "apply_filter",
    "event_filters",
    "firing_period_deg",
    "firing_sorts",
    "inertia_lateness_deg",
    "inertia_share",
    "level_filter",
    "make_grid",
    "masses_unsure",
    "mean_work",
    "measure",
    "measure_turns",
    "needed_separation",
    "places",
    "predicted_separation",
    "time_noise_s",
]
