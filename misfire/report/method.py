"""How the answer was reached and whence the equations come: text of the page's last part."""

from __future__ import annotations

METHOD = (
    "The time between crank edges gives the speed; the change of kinetic energy from one firing to the "
    "next gives the work "
    "of that firing. Lost work is that work set against what is normal at the same speed and load: 0 is "
    "normal, 1 is none.",
    "A tooth out of place changes the time of a segment by the same share at every speed and in every "
    "turn. A missing "
    "combustion changes it by a share that falls with the square of speed, and comes once in two turns. "
    "Cylinders and wheel "
    "are fitted together, because in steady running one dead cylinder shifts all others.",
    "A firing is counted as a misfire only where the noise of the log allows a decision. What cannot be "
    "decided is shown as "
    "not usable and is never counted. Intervals of rates are 95 % intervals.",
    "What this cannot show: the pattern that the controller has stored is not in a tooth-timing log. "
    "That counts were false "
    "shows only in the controller's own counts or codes for cylinders that the log shows firing.",
)

SOURCES = (
    "Segment roughness and angular acceleration: SAE 930399 (1993), cited from memory.",
    "Scaling with speed of lost work, tooth error and clock step: derived from the energy of a rigid "
    "crankshaft.",
    "Counting windows of 200 and 1000 turns: California 13 CCR 1968.2 (e)(3), restated; the floors of 5 "
    "% and 1 % from "
    "memory.",
    "Firings needed to exclude a rate: (1 - rate)^n < 0.05, derived.",
    "Carbon monoxide: NIOSH publication 96-118a. Free-revving and catalyst: restated workshop safety "
    "texts. Coil leads, "
    "battery cables, two persons on the road: our own advice.",
)
