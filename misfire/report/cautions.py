"""What to mind before acting, chosen by what the reader is about to do.

Carbon monoxide: NIOSH publication 96-118a. Free-revving, catalyst: restated from workshop safety texts.
The rest is our own advice and said to be that in the page's source list.
"""

from __future__ import annotations

from collections.abc import Iterable

SAVE = (
    "Save freeze frame, counts and codes before anything is cleared. "
    "Clearing also resets the readiness monitors."
)
CATALYST = (
    "A misfire feeds fuel to a hot catalyst: stop if the warning lamp flashes, and do not park over "
    "anything "
    "that burns."
)
COIL = "Never pull a coil lead on a running engine."
NO_LEARN = "Do no full-throttle pattern learn while a true misfire is present."
REVVING = (
    "Before free-revving: parking brake set, drive wheels blocked, hands, hair and clothing clear of "
    "fans, belts "
    "and pulleys. Release the throttle as soon as the engine begins to slow."
)
GAS = (
    "Carbon monoxide gathers within minutes, and open doors, windows or fans do not make it safe. "
    "Run the engine outdoors or with exhaust extraction."
)
CABLES = "Never disconnect live starter or battery cables."
ROAD = "On the road one person drives and a second one runs the recorder."
MANUAL = "The vehicle's service manual, local rules and licensed practice come first."

EVERY = (SAVE, CATALYST, COIL, NO_LEARN, REVVING, GAS, CABLES, ROAD, MANUAL)

_BY_CAUSE = {
    "misfire": (SAVE, CATALYST, COIL, NO_LEARN, GAS, ROAD),
    "weak_cylinder": (SAVE, COIL, GAS, ROAD),
    "crank_pattern": (SAVE, NO_LEARN, REVVING, GAS, CABLES),
    "sensor_signal": (SAVE, CABLES, GAS),
    "driveline": (SAVE, ROAD),
}


def cautions_for(causes: Iterable[str]) -> list[str]:
    """Cautions for these causes in a fixed order; without a cause those for recording again."""
    wanted: set[str] = {MANUAL}
    for c in causes:
        wanted.update(_BY_CAUSE.get(c, ()))
    if len(wanted) == 1:
        wanted.update((SAVE, GAS, ROAD))
    return [c for c in EVERY if c in wanted]
