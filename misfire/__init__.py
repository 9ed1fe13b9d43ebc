"""True misfire or false count: an answer from a recorded crank tooth-timing log."""

__version__ = "0.1.0"
