"""Two sets of analysed logs, before and after: cleared, moved, unchanged, or not proven yet.

>>> from misfire import AnalyseOptions, analyse
>>> from misfire.simulate import Misfires, Scenario, simulate
>>> def side(rate, seed):
...     missing = Misfires(cylinders=(3,), rate=rate)
...     log = simulate(Scenario.steady("inline4", rpm=2500, duration_s=40, seed=seed, misfires=(missing,)))
...     return Side.of(analyse(log.recording, AnalyseOptions(log.engine)))
>>> result = compare([side(0.2, 1)], [side(0.0, 2)])
>>> result["verdict"]["answer"]
'cleared'
"""

from __future__ import annotations

from misfire.comparison.job import CompareOptions, compare
from misfire.comparison.pattern import compare_patterns
from misfire.comparison.pool import pooled
from misfire.comparison.side import Controller, Side

__all__ = ["CompareOptions", "Controller", "Side", "compare", "compare_patterns", "pooled"]
