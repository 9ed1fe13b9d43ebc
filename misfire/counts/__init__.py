"""Statistics of misfire counts: exact intervals, exact tests, windows over turns, plans.

Convention: a count is `misfires` of `firings`; rates of intervals are in per cent, rates of tests and plans
are plain (0..1). Two-sided p-values come in two conventions, named at every call:
"minlike" (all outcomes no likelier than the seen one; R, statsmodels) and
"central" (twice the smaller tail, at most 1; agrees with the central interval; Fay 2010).
The equations are those of: Clopper & Pearson, Biometrika 26 (1934) 404; Przyborowski & Wilenski,
Biometrika 31 (1940) 313 (two Poisson rates given their sum); Wald, Sequential Analysis (1947);
Holm, Scand. J. Statist. 6 (1979) 65. All of them from memory,
checked against reference libraries in the tests.
"""

from __future__ import annotations

from misfire.counts.blocks import (
    FLOOR_PCT,
    bootstrap_rate_pct,
    code_rule,
    dispersion,
    ewma,
    windows,
)
from misfire.counts.plans import (
    WaldPlan,
    needed_firings,
    proves_cleared,
)
from misfire.counts.rates import (
    Alternative,
    Convention,
    StratifiedTest,
    binomial_pmf,
    binomial_test,
    firings_to_exclude,
    fisher_exact,
    holm,
    poisson_interval,
    rate_interval_pct,
    rate_ratio_interval,
    rate_upper_pct,
    stratified_test,
    two_rates_test,
)

__all__ = [
    "FLOOR_PCT",
    "Alternative",
    "Convention",
    "StratifiedTest",
    "WaldPlan",
    "binomial_pmf",
    "binomial_test",
    "bootstrap_rate_pct",
    "code_rule",
    "dispersion",
    "ewma",
    "firings_to_exclude",
    "fisher_exact",
    "holm",
    "needed_firings",
    "poisson_interval",
    "proves_cleared",
    "rate_interval_pct",
    "rate_ratio_interval",
    "rate_upper_pct",
    "stratified_test",
    "two_rates_test",
    "windows",
]
