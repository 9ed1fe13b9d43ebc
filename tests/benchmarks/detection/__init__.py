"""A benchmark of detection: a map of simulated engines, speeds, loads and clocks against known truth."""
