"""How to record a log, for those who stand beside the car."""

from __future__ import annotations

RECORDING_GUIDE = (
    "Sensor with two wires, sine-like (variable reluctance): its voltage at 100 kS/s or more, through a differential, "
    "attenuated, high-impedance input.",
    "Sensor with three wires, square (Hall): its voltage at 500 kS/s, or a digital input; to sensor ground.",
    "Tooth times of a logger: a timer of 1 us or finer, written with all its digits.",
    "A cam signal or a mark of cylinder 1 (coil or injector) beside the crank: without it two companions, 360 deg "
    "apart, cannot be told apart.",
    "Back-probe the connector; never pierce insulation. Laptop on battery, leads away from coils.",
    "Drive: a minute of idle; two steady speeds at least a factor 1.5 apart at like load; a coast-down in fuel cut, in "
    "gear, from about 3000 to 1500 rpm; two starts.",
    "Several short records (half a minute to two minutes) rather than one long one.",
    "Write down: firing order, ignition type (coil on plug, waste spark, distributor), codes, freeze frame, and the "
    "controller's misfire counts with the time of each reading; before anything is cleared.",
    "Outdoors or with exhaust extraction; one person drives, a second records.",
)
