"""Stories of a repair or a pattern learn, told by simulated logs from before and after, with known truth."""
