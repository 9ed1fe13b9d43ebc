"""How near the learned tooth spacing comes to the truth of simulated wheels."""
