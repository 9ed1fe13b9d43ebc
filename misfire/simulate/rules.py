"""Which firings a scenario's misfire rules take."""

from __future__ import annotations

from misfire.simulate.scenario import Misfires


class Rules:
    """Misfire rules with what they remember (runs, counts, coil draws)."""

    def __init__(self, rules: tuple[Misfires, ...], companions: dict[int, int]) -> None:
        self.rules = rules
        self.companions = companions
        self.count: dict[tuple[int, int], int] = {}
        self.run: dict[tuple[int, int], int] = {}
        self.drawn: dict[tuple[int, int], tuple[int, bool]] = {}

    def hit(
        self, number: int, cylinder: int, cycle: int, t: float, rpm: float, load: float, u: float
    ) -> bool:
        """Does rule `number` take this event at time `t` [s] and `load` [%]? `u` is a uniform draw, 0..1."""
        r = self.rules[number]
        if not (r.from_s <= t < r.to_s and r.from_rpm <= rpm < r.to_rpm):
            return False
        if not r.from_load_pct <= load < r.to_load_pct:
            return False
        if r.kind == "coil":
            other = self.companions[cylinder]
            if r.cylinders and cylinder not in r.cylinders and other not in r.cylinders:
                return False
            key = (number, min(cylinder, other))
            seen = self.drawn.get(key)
            if seen is None or seen[0] != cycle:
                seen = (cycle, u < r.rate)
                self.drawn[key] = seen
            return seen[1]
        if r.cylinders and cylinder not in r.cylinders:
            return False
        if r.kind == "dead":
            return True
        if r.kind == "random":
            return u < r.rate
        key = (number, cylinder)
        if r.kind == "burst":
            left = self.run.get(key, 0)
            if left == 0 and u < r.rate:
                left = r.length
            self.run[key] = max(left - 1, 0)
            return left > 0
        n = self.count.get(key, 0)
        self.count[key] = n + 1
        if r.kind == "every":
            return n % r.every == r.every - 1
        return n in r.firings
