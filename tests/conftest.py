"""What several test folders share: analysed scenarios of the shipped library, each made once."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from misfire.intake import Counts, Recording
from misfire.pipeline import AnalyseOptions, Analysis, analyse
from misfire.simulate import Simulated, load_scenario, simulate


@dataclass(frozen=True)
class Judged:
    """A simulated log and what the tool makes of it."""

    log: Simulated
    done: Analysis

    @property
    def verdict(self) -> dict:
        return self.done.result["verdict"]

    @property
    def causes(self) -> dict[str, list]:
        return {f["cause"]: f["cylinders"] for f in self.verdict["findings"]}

    @property
    def misfires(self) -> dict:
        return {c["cylinder"]: c["misfires"] for c in self.done.result["cylinders"]}

    def matched(self) -> tuple[np.ndarray, np.ndarray]:
        """Truth row and event row of every firing TDC that has an event."""
        truth, events = self.log.truth.tdc_s, self.done.events.time_s.to_numpy()
        near = np.clip(np.searchsorted(truth, events), 1, truth.size - 1)
        near -= np.abs(truth[near - 1] - events) < np.abs(truth[near] - events)
        close = np.abs(truth[near] - events) < 0.2 * np.median(np.diff(truth))
        return near[close], np.flatnonzero(close)


def cut(recording: Recording, until_s: float) -> Recording:
    """The first seconds of a log."""

    def part(x: np.ndarray | None) -> np.ndarray | None:
        return None if x is None else x[x < until_s]

    short = part(recording.crank_s)
    assert short is not None
    return dataclasses.replace(
        recording, crank_s=short, cam_s=part(recording.cam_s), cylinder1_s=part(recording.cylinder1_s)
    )


@pytest.fixture(scope="session")
def judged() -> Callable[..., Judged]:
    """judged(name, counts=False, codes=(), until_s=None, marks=True) -> Judged, kept for the session."""
    logs: dict[str, Simulated] = {}
    kept: dict[tuple, Judged] = {}

    def get(
        name: str,
        *,
        counts: bool = False,
        codes: tuple[str, ...] = (),
        until_s: float | None = None,
        marks: bool = True,
    ) -> Judged:
        key = (name, counts, codes, until_s, marks)
        if key not in kept:
            if name not in logs:
                logs[name] = simulate(load_scenario(name))
            log = logs[name]
            recording = log.recording if until_s is None else cut(log.recording, until_s)
            if not marks:
                recording = dataclasses.replace(recording, cam_s=None, cylinder1_s=None)
            own = (
                Counts(dict(log.counts or {}), dict(log.counts or {}), "during_log", True) if counts else None
            )
            options = AnalyseOptions(log.engine, codes=codes)
            done = analyse(recording, options, channels=[log.channels], counts=own)
            kept[key] = Judged(log, done)
        return kept[key]

    return get
