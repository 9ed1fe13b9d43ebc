"""What a set of trouble codes already says for this engine's firing order, before anything is recorded.

Short names of the codes: SAE J2012 / ISO 15031-6, restated. What the codes suggest is common practice
without a published source, except where a rule is named.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from misfire.engine import Engine
from misfire.errors import InputError

_NAMES = {
    "P0300": "random or multiple cylinder misfire detected",
    "P0313": "misfire detected with low fuel",
    "P0314": "single cylinder misfire, cylinder not specified",
    "P0315": "crankshaft position system variation not learned",
    "P0316": "misfire detected on startup, first 1000 revolutions",
    "P0363": "misfire detected, fueling disabled",
}
_SENSORS = {"P0335": "crankshaft position sensor A circuit", "P0340": "camshaft position sensor A circuit"}
_FAULTS = ("malfunction", "range or performance", "low", "high", "intermittent")
_CORRELATION = ("P0016", "P0017", "P0018", "P0019")

_CAUTIONS = (
    "Save freeze frame, counts and codes before anything is cleared; clearing also resets the readiness "
    "monitors.",
    "A misfire feeds fuel to a hot catalyst: stop if the warning lamp flashes, and do not park over anything "
    "that burns.",
    "No full-throttle pattern learn while a true misfire is present.",
    "Never pull a coil lead on a running engine, and never disconnect live starter or battery cables.",
    "Carbon monoxide gathers within minutes: run the engine outdoors or with exhaust extraction. Open doors "
    "or fans do not make it safe (NIOSH 96-118a).",
    "Before free-revving: parking brake set, drive wheels blocked, hands, hair and clothing clear of fans "
    "and belts; release the throttle as soon as the engine begins to slow.",
    "On the road one person drives and a second runs the recorder.",
    "The vehicle's service manual, local rules and licensed practice come first.",
)


def code_name(code: str) -> str | None:
    """Short name of a code that bears on misfire detection, None for any other code."""
    if code in _NAMES:
        return _NAMES[code]
    number = int(code[1:]) if re.fullmatch(r"P\d{4}", code) else -1
    if 301 <= number <= 312:
        return f"cylinder {number - 300} misfire detected"
    for first, name in _SENSORS.items():
        step = number - int(first[1:])
        if 0 <= step < len(_FAULTS):
            return f"{name}: {_FAULTS[step]}"
    return "crankshaft and camshaft position correlation" if code in _CORRELATION else None


def triage(codes: Sequence[str], engine: Engine | None) -> dict[str, Any]:
    """What these codes say, what they cannot say, and what to check or record first.

    Parameters
    ----------
    codes : sequence of str
        SAE J2012 codes such as "P0300"; case and repeats do not matter.
    engine : Engine or None
        Only the firing order and angles are used; None: nothing is said about companions.

    Returns
    -------
    dict
        In the form "misfire-triage": codes, picture (signal, companions, one, several, every, unnamed, none),
        accused, companions, headline, says, cannot_say, next_steps, cautions.

    Raises
    ------
    InputError
        No code, something that is no code, or a cylinder that this engine does not have.
    """
    known = _parse(codes, engine)
    accused = sorted(int(c[3:]) for c in known if "P0301" <= c <= "P0312")
    companions = engine.companions if engine else {}
    pairs = sorted({(min(a, b), max(a, b)) for a, b in companions.items() if a in accused and b in accused})
    picture = _picture(known, accused, pairs, engine)
    says = _sensor_words(known)
    says += _accused_words(known, accused, pairs, engine)
    says += _other_words(known)
    strange = [c for c in known if code_name(c) is None]
    if strange:
        says.append(
            f"{', '.join(strange)}: not a misfire, crank or cam code of the general list; read its meaning "
            "in the service manual, a mixture or ignition fault among them may explain the misfire codes."
        )
    return {
        "format": "misfire-triage",
        "version": 1,
        "engine": {"cylinders": engine.cylinders, "firing_order": list(engine.firing_order)}
        if engine
        else None,
        "codes": [
            {"code": c, "meaning": code_name(c), "cylinder": int(c[3:]) if "P0301" <= c <= "P0312" else None}
            for c in known
        ],
        "picture": picture,
        "accused": accused,
        "companions": [list(p) for p in pairs],
        "headline": _headline(picture, accused, pairs, engine is not None),
        "says": says,
        "cannot_say": _cannot_say(known, accused),
        "next_steps": _next_steps(known, picture, accused, engine),
        "cautions": list(_CAUTIONS),
    }


def _parse(codes: Sequence[str], engine: Engine | None) -> list[str]:
    out: list[str] = []
    for text in codes:
        for part in re.split(r"[,;\s]+", text.strip()):
            code = part.upper()
            if not code:
                continue
            if not re.fullmatch(r"[PCBU][0-3][0-9A-F]{3}", code):
                raise InputError(
                    f"code '{part[:20]}': no trouble code; write codes such as P0300 P0302 P0305"
                )
            if engine and "P0301" <= code <= "P0312" and int(code[3:]) > engine.cylinders:
                raise InputError(
                    f"code {code} names cylinder {int(code[3:])}, but the engine has {engine.cylinders} "
                    "cylinders; check --engine or the code"
                )
            if code not in out:
                out.append(code)
    if not out:
        raise InputError("triage: no code given; write codes such as P0300 P0302 P0305")
    return out


def _sensor_codes(codes: Sequence[str]) -> list[str]:
    return [c for c in codes if "P0335" <= c <= "P0344" or c in _CORRELATION]


def _picture(
    codes: Sequence[str], accused: list[int], pairs: list[tuple[int, int]], engine: Engine | None
) -> str:
    if _sensor_codes(codes):
        return "signal"
    if not accused:
        return "unnamed" if any(code_name(c) and c != "P0315" for c in codes) else "none"
    if len(accused) == 1:
        return "one"
    if engine and len(accused) == engine.cylinders:
        return "every"
    return "companions" if len(accused) == 2 and pairs else "several"


def _listed(cylinders: Sequence[int]) -> str:
    words = [str(c) for c in cylinders]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _headline(picture: str, accused: list[int], pairs: list[tuple[int, int]], named: bool) -> str:
    fixed = {
        "signal": "Sensor codes first: the misfire codes rest on a signal that is itself in doubt.",
        "every": "Every cylinder is accused: look for something that all share.",
        "unnamed": "No cylinder is named: the codes alone do not point anywhere yet.",
        "none": "These codes accuse no cylinder of misfiring.",
    }
    if picture in fixed:
        return fixed[picture]
    who = _listed(accused)
    if picture == "companions":
        return (
            f"Cylinders {who} are companions: check the wheel, the pattern and the sensor signal before "
            "buying parts for the cylinders."
        )
    if picture == "one":
        return f"Cylinder {who} alone is accused: a fault of that cylinder is the likelier reading."
    if pairs:
        beside = f", among them the companions {_listed(pairs[0])}"
    else:
        beside = ", no two of them companions" if named else ""
    return f"Cylinders {who} are accused{beside}: record before deciding."


def _sensor_words(codes: Sequence[str]) -> list[str]:
    out = []
    crank = [c for c in codes if "P0335" <= c <= "P0339"]
    cam = [c for c in codes if "P0340" <= c <= "P0344"]
    phase = [c for c in codes if c in _CORRELATION]
    if crank:
        out.append(
            f"{', '.join(crank)}: the crank sensor's own circuit is in doubt. Misfires are counted from that "
            "signal, so settle this before any misfire code; a monitor may also be suspended meanwhile."
        )
    if cam:
        out.append(
            f"{', '.join(cam)}: without a good cam signal the controller may take one turn of the cycle "
            "for the other and name the companion of the cylinder that is meant."
        )
    if phase:
        out.append(
            f"{', '.join(phase)}: crank and cam do not agree. Chain, belt, cam drive or a wheel that has "
            "shifted come before the cylinders."
        )
    if "P0315" in codes:
        out.append(
            "P0315: the crank pattern is not learned. The misfire monitor commonly waits until it is, so "
            "zero counts prove nothing, and counts may be false."
        )
    return out


def _accused_words(
    codes: Sequence[str], accused: list[int], pairs: list[tuple[int, int]], engine: Engine | None
) -> list[str]:
    if not accused:
        return ["P0300 alone: misfires were counted, but on no single cylinder."] if "P0300" in codes else []
    out = []
    if engine is None:
        out.append(
            "Without the firing order it cannot be said which cylinders are companions: give --engine."
        )
    companions = engine.companions if engine else {}
    order = "-".join(map(str, engine.firing_order)) if engine else ""
    for a, b in pairs:
        out.append(
            f"Cylinders {a} and {b} are companions in {order}: their firings lie 360 degrees apart and "
            "share every crank tooth. A wheel error, a stale stored pattern or a disturbed sensor signal "
            "accuses just such two; a shared coil, a head gasket or a shared runner leak fit as well."
        )
    if engine and engine.cylinders == 4 and (2, 3) in pairs:
        out.append(
            "On an inline four 2 and 3 are neighbours too: head gasket and shared runner stand beside a coil."
        )
    alone = [c for c in accused if not any(c in p for p in pairs)]
    if alone and companions:
        other = ", ".join(f"{c} (companion {companions[c]})" for c in alone if c in companions)
        if other:
            out.append(
                f"Accused without its companion: {other}. A wheel or pattern error would accuse both, so a "
                "fault of the cylinder itself is likelier: plug, coil, injector, compression."
            )
    if engine and not companions:
        out.append(
            f"In {order} no two cylinders share a crank angle, so companions cannot tell a wheel error "
            "here; it shows as errors that repeat every turn, which only a recording shows."
        )
    if engine and len(accused) == engine.cylinders and len(accused) > 1:
        out.append(
            "Every cylinder: fuel supply, air leak, mixture or the crank signal rather than single parts."
        )
    if "P0300" in codes and len(accused) > 1:
        out.append(
            "P0300 with cylinder codes: no cylinder had more than 90 % of the misfires counted "
            "(13 CCR 1968.2 (e)(3.1.3)); it is no cylinder of its own."
        )
    return out


def _other_words(codes: Sequence[str]) -> list[str]:
    texts = {
        "P0363": "P0363: the controller has shut injectors off. A recording now shows truly dead cylinders "
        "as a consequence; record with fuel restored before accusing a cylinder.",
        "P0313": "P0313: counted with little fuel in the tank. Fill up and see whether it comes back.",
        "P0314": "P0314: one cylinder misfires, and the controller does not name it.",
        "P0316": "P0316: counted in the first 1000 revolutions after a start: cold running, leaking "
        "injectors, low fuel pressure at start, or coolant in a cylinder fit.",
    }
    return [text for code, text in texts.items() if code in codes]


def _cannot_say(codes: Sequence[str], accused: list[int]) -> list[str]:
    out = [
        "whether any firing truly missed: a code is what the controller counted, not what the cylinder did",
        "which tooth pattern the controller has stored; no recording shows it either, only its counts do",
    ]
    if accused:
        out.append(
            "how often each cylinder was counted, and at which speed and load: read the counts and freeze "
            "frame"
        )
    if any("P0340" <= c <= "P0344" or c in _CORRELATION for c in codes):
        out.append("that the cylinder names are right while the cam signal is in doubt")
    out.append("whether the firing order given is this engine's: check it in the service manual")
    return out


def _next_steps(codes: Sequence[str], picture: str, accused: list[int], engine: Engine | None) -> list[str]:
    steps = [
        "Save freeze frame, all codes and the misfire counts of each cylinder (service $06) before clearing."
    ]
    if "P0313" in codes:
        steps.append("Fill the tank first.")
    if _sensor_codes(codes):
        steps.append(
            "Follow the service manual's test for the sensor code: connector, wiring, air gap, sensor, "
            "wheel; then read again."
        )
    if "P0363" in codes:
        steps.append(
            "Restore fueling as the manual says before recording, or give the shut-off cylinders as known."
        )
    steps.append(
        "Record the crank signal: steady at two speeds a factor 1.5 or more apart, then a coast-down with "
        "fuel cut from about 3000 rpm, with counts read before and after, and judge it with `misfire "
        "analyse`."
    )
    if not (engine and engine.companions) or picture in ("one", "several"):
        steps.append(
            "Put a cylinder-1 mark or the cam signal into the recording, so that cylinders have names."
        )
    if picture == "one":
        steps.append(
            f"Cheapest first on cylinder {accused[0]}: look at plug and connector, then swap coil or plug "
            "with a cylinder that is not accused (not its companion) and compare; injector and compression "
            "after that."
        )
    if picture in ("companions", "several", "signal"):
        steps.append(
            "Look at wheel and sensor: damaged or dirty teeth, air gap, wheel run-out, wiring beside "
            "ignition or starter cables, and any work done on crank, flex plate, gearbox, starter or "
            "sensor since it began."
        )
    if picture == "companions":
        steps.append("If the two share a coil, test or change that before parts of one cylinder.")
    if picture == "every":
        steps.append("Check fuel pressure, air leaks and mixture before any single cylinder's parts.")
    if "P0315" in codes or picture == "companions":
        steps.append(
            "A pattern learn comes after a recording shows that every cylinder fires and the signal is "
            "clean; the vehicle's own procedure decides (`misfire ready` checks the conditions)."
        )
    return steps
