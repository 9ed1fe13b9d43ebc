"""A sceptic's benchmark of the verdict: random simulated logs, judged against their truth."""
