"""Are the conditions for a crank pattern learn met, and do the channels hold a usable fuel-cut coast-down?

The default limits are common practice without a published source; the vehicle's own procedure decides.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from misfire.crank import turn_speed
from misfire.errors import InputError
from misfire.intake.recording import Channels

FloatArray = npt.NDArray[np.float64]

# Accuracy of a pattern learned from a coast-down: 0.0034 deg rms after 40 turns of 3000 -> 2000 rpm,
# 0.0018 after 100 (simulated; 1 us clock). It falls with the square root of the turns.
_ACCURACY_DEG, _ACCURACY_TURNS = 0.0034, 40.0
# The rise of a temperature is fitted over the last two minutes: longer than a thermostat's swing, shorter
# than a warm-up.
_RISE_WINDOW_S = 120.0

_CAUTIONS = (
    "Before free-revving: parking brake set, drive wheels blocked, hands, hair and clothing clear of fans, "
    "belts and pulleys; release the throttle as soon as the engine begins to slow.",
    "Carbon monoxide gathers within minutes: outdoors or with exhaust extraction only. Open doors or fans "
    "do not make it safe (NIOSH 96-118a).",
    "On the road one person drives and a second runs the recorder.",
    "No full-throttle learn while a true misfire is present, and save codes, counts and freeze frame first.",
    "The vehicle's own learn procedure decides: minimum temperatures, release point and repeats differ.",
)


@dataclass(frozen=True)
class ReadyLimits:
    """Limits of the learn conditions.

    Attributes
    ----------
    coolant_min_c, coolant_max_c : float
        Coolant temperature range [deg C].
    transmission_min_c, transmission_max_c : float or None
        Transmission fluid [deg C]; no lowest where the procedure does not ask for it, no highest by default.
    warm_rpm : (float, float)
        Speed range [rpm] of the warm-up; advice, it does not decide.
    coast_turns : float
        Turns that a coast-down must hold to be usable.
    coast_ratio : float
        First speed over last speed of a usable coast-down.
    """

    coolant_min_c: float = 75.0
    coolant_max_c: float = 120.0
    transmission_min_c: float | None = 45.0
    transmission_max_c: float | None = None
    warm_rpm: tuple[float, float] = (2000.0, 3000.0)
    coast_turns: float = 20.0  # 0.005 deg by the accuracy above, and what an analysis learns from
    coast_ratio: float = 1.2

    def __post_init__(self) -> None:
        if not self.coolant_min_c < self.coolant_max_c:
            raise InputError("ready: the lowest coolant temperature must lie below the highest")
        low, high = self.transmission_min_c, self.transmission_max_c
        if low is not None and high is not None and not low < high:
            raise InputError("ready: the lowest transmission temperature must lie below the highest")
        if not 0 < self.warm_rpm[0] < self.warm_rpm[1]:
            raise InputError("ready: give the warm-up speed as a range such as 2000-3000")


def ready(
    channels: Channels,
    coast_downs: Sequence[Mapping[str, Any]] | None = None,
    limits: ReadyLimits | None = None,
) -> dict[str, Any]:
    """Judge the conditions at the end of the record, and the coast-downs in it.

    Parameters
    ----------
    channels : Channels
        coolant_c, transmission_c, speed_rpm, fuel_cut are used, as far as there.
    coast_downs : sequence of dict or None
        Those found in a tooth-timing log (from_s, to_s, from_rpm, to_rpm, turns); None: they are looked
        for in the channels.
    limits : ReadyLimits or None

    Returns
    -------
    dict
        In the form "misfire-ready": conditions (name, value, limit, met, required, minutes_left),
        coast_downs, coast_down_usable, ready, headline, missing, cautions, assumptions. `met` is None for
        what the channels do not show; `ready` speaks of the conditions only.
    """
    limits = limits or ReadyLimits()
    missing: list[str] = []
    conditions = [
        _temperature(channels, "coolant_c", limits.coolant_min_c, limits.coolant_max_c, "coolant", missing)
    ]
    if limits.transmission_min_c is not None:
        conditions.append(
            _temperature(
                channels,
                "transmission_c",
                limits.transmission_min_c,
                limits.transmission_max_c,
                "transmission fluid",
                missing,
            )
        )
    conditions.append(_warmed(channels, limits))
    found = find_coast_downs(channels) if coast_downs is None else [dict(c) for c in coast_downs]
    judged = [_judge(c, limits) for c in found]
    usable = any(c["usable"] for c in judged)
    if not usable:
        missing.append(_coast_advice(channels, coast_downs is None, judged, limits))
    is_ready = all(c["met"] is True for c in conditions if c["required"])
    return {
        "format": "misfire-ready",
        "version": 1,
        "conditions": conditions,
        "coast_downs": judged,
        "coast_down_usable": usable,
        "ready": is_ready,
        "headline": _headline(is_ready, usable, conditions),
        "missing": missing,
        "cautions": list(_CAUTIONS),
        "assumptions": [
            "the limits are common practice without a published source; the vehicle's own procedure decides",
            "temperatures are judged at the end of the record",
            "the accuracy of a coast-down is that of a simulated engine with a 1 us clock",
        ],
    }


def find_coast_downs(channels: Channels) -> list[dict[str, Any]]:
    """Stretches with fuel cut and falling speed.

    The flag holds until the next row. Each stretch runs from its highest speed down to the lowest before the
    speed rises again by more than 5 % (at least 50 rpm). Returns from_s, to_s [s], from_rpm, to_rpm, turns.
    """
    cut, speed = channels.values.get("fuel_cut"), channels.values.get("speed_rpm")
    if cut is None or speed is None or not np.isfinite(speed).any():
        return []
    time = channels.time_s
    known = np.isfinite(cut)
    # Blank cells keep the last value; before the first one nothing is known to be cut.
    last = np.maximum.accumulate(np.where(known, np.arange(time.size), -1))
    on = (last >= 0) & (np.where(known, cut, 0.0)[np.maximum(last, 0)] > 0.5)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(int)))
    good = np.isfinite(speed)
    out: list[dict[str, Any]] = []
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        # The flag of the last row holds up to the next one, whose own flag is already off.
        rows = np.arange(begin, min(end + 1, time.size))
        rows = rows[good[rows]]
        if rows.size < 3:
            continue
        t, w = time[rows], speed[rows]
        top = int(np.argmax(w))
        t, w = t[top:], w[top:]
        rising = w - np.minimum.accumulate(w) > np.maximum(50.0, 0.05 * w)
        stop = int(np.argmax(rising)) if rising.any() else w.size
        low = int(np.argmin(w[:stop]))
        if low < 1:
            continue
        t, w = t[: low + 1], w[: low + 1]
        turns = float(np.sum(0.5 * (w[1:] + w[:-1]) * np.diff(t)) / 60.0)
        out.append(
            {
                "from_s": float(t[0]),
                "to_s": float(t[-1]),
                "from_rpm": float(w[0]),
                "to_rpm": float(w[-1]),
                "turns": round(turns, 1),
            }
        )
    return out


def log_coast_downs(
    crank_s: FloatArray, block: npt.NDArray[np.int64], channels: Channels
) -> list[dict[str, Any]]:
    """Coast-downs of a tooth-timing log, by the fuel_cut flag of channels on the log's clock.

    Parameters
    ----------
    crank_s : array, shape (turns, teeth)
        Edge times [s]; NaN where there is no trusted edge.
    block : array, shape (turns,)
        Runs of turns without a break in the numbering.
    """
    time, rpm = turn_speed(crank_s, block)
    cut = channels.values.get("fuel_cut")
    if cut is None or time.size == 0 or channels.time_s.size == 0:
        return []
    row = np.searchsorted(channels.time_s, time, side="right") - 1
    flag = np.where(row >= 0, cut[np.maximum(row, 0)], np.nan)
    return find_coast_downs(Channels(time, {"fuel_cut": flag, "speed_rpm": rpm}))


def _temperature(
    channels: Channels, name: str, low: float, high: float | None, word: str, missing: list[str]
) -> dict[str, Any]:
    limit = {"min": low} if high is None else {"min": low, "max": high}
    row: dict[str, Any] = {
        "name": name,
        "value": None,
        "limit": limit,
        "met": None,
        "required": True,
        "rise_c_per_min": None,
        "minutes_left": None,
    }
    column = channels.values.get(name)
    good = np.isfinite(column) if column is not None else np.zeros(0, dtype=bool)
    if column is None or not good.any():
        missing.append(f"{word} temperature is not in the channels: log {name}, or look it up on the tester")
        return row
    t, value = channels.time_s[good], column[good]
    now = float(value[-1])
    row["value"] = round(now, 2)
    row["met"] = bool(now >= low and (high is None or now <= high))
    recent = t >= t[-1] - _RISE_WINDOW_S
    if recent.sum() >= 3 and t[-1] - t[recent][0] >= 10.0:
        x = t[recent] - t[recent].mean()
        rise = 60.0 * float(np.sum(x * value[recent]) / np.sum(x * x))
        row["rise_c_per_min"] = round(rise, 2)
        if now < low and rise > 0.05:
            row["minutes_left"] = round((low - now) / rise, 1)
    if now < low:
        left = row["minutes_left"]
        missing.append(
            f"{word} {_both(now)} is below {_both(low)}: "
            + (
                f"about {left:g} minutes at the present rise"
                if left is not None
                else "it is not rising; warm up"
            )
        )
    elif not row["met"] and high is not None:
        missing.append(f"{word} {_both(now)} is above {_both(high)}: let it cool, and find out why")
    return row


def _both(celsius: float) -> str:
    return f"{celsius:.0f} C ({celsius * 9 / 5 + 32:.0f} F)"


def _warmed(channels: Channels, limits: ReadyLimits) -> dict[str, Any]:
    low, high = limits.warm_rpm
    speed = channels.values.get("speed_rpm")
    value = None
    if speed is not None and np.isfinite(speed).any() and channels.time_s.size > 1:
        step = np.diff(channels.time_s)
        inside = (speed[:-1] >= low) & (speed[:-1] <= high)
        value = round(float(step[inside].sum()), 1)
    return {
        "name": "warm_up_s",
        "value": value,
        "limit": {"rpm": [low, high]},
        "met": None if value is None else value > 0,
        "required": False,
        "minutes_left": None,
    }


def _judge(coast: dict[str, Any], limits: ReadyLimits) -> dict[str, Any]:
    turns = float(coast.get("turns") or 0.0)
    first, last = float(coast.get("from_rpm") or 0.0), float(coast.get("to_rpm") or 0.0)
    ratio = first / last if last > 0 else math.inf
    usable = turns >= limits.coast_turns and ratio >= limits.coast_ratio
    accuracy = _ACCURACY_DEG * math.sqrt(_ACCURACY_TURNS / turns) if turns > 0 else None
    return {
        "accuracy_deg": None if accuracy is None else round(accuracy, 5),
        **coast,
        "usable": bool(coast.get("usable", usable)),
    }


def _coast_advice(
    channels: Channels, from_channels: bool, judged: Sequence[Mapping[str, Any]], limits: ReadyLimits
) -> str:
    how = (
        f"a coast-down with fuel cut over at least {limits.coast_turns:.0f} turns, for example from 3000 "
        "down to 2000 rpm in gear"
    )
    if judged:
        return f"no coast-down is long enough: record {how}"
    if from_channels and "speed_rpm" not in channels.values:
        return f"the channels hold no speed_rpm: log it, or give the tooth-timing log; record {how}"
    if "fuel_cut" not in channels.values:
        return (
            "the channels hold no fuel_cut flag, so no coast-down is known to be one: log it, or give the "
            f"tooth-timing log with --engine, whose motion shows it; record {how}"
        )
    return f"no fuel-cut coast-down found: record {how}"


def _headline(is_ready: bool, usable: bool, conditions: Sequence[Mapping[str, Any]]) -> str:
    names = {"coolant_c": "coolant temperature", "transmission_c": "transmission temperature"}
    if is_ready:
        first = "Ready for a pattern learn"
    else:
        below = [names[c["name"]] for c in conditions if c["required"] and c["met"] is False]
        unknown = [names[c["name"]] for c in conditions if c["required"] and c["met"] is None]
        parts = []
        if below:
            parts.append(f"{' and '.join(below)} out of range")
        if unknown:
            parts.append(f"{' and '.join(unknown)} not known")
        first = f"Not ready for a pattern learn: {', '.join(parts)}"
    return f"{first}. The record holds {'a' if usable else 'no'} usable fuel-cut coast-down."
