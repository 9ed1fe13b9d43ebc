"""Every kept edge has the right tooth and turn against a known truth, or is not kept: never a wrong number."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from misfire.crank import Crank, find_wheel, gap_candidates, number_edges
from misfire.engine import Wheel
from misfire.errors import InputError, TooFewTurnsError

FEW = settings(
    max_examples=30,
    deadline=None,
    derandomize=True,
    database=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow],
)
WHEELS = [(60, 2), (36, 1), (24, 1), (36, 2)]


def edge_times(
    wheel: Wheel, turns: float, speed_rpm, start_deg: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """Times [s] and running numbers (turn * positions + position) of the teeth that pass a sensor.

    `speed_rpm(x)` gives the speed at crank angle x [turns]; dt = dx * 60 / speed, integrated in fine steps.
    """
    x = np.linspace(start_deg / 360.0, start_deg / 360.0 + turns, int(turns * 2000) + 1)
    slow = 60.0 / speed_rpm(x - x[0])
    time = np.concatenate(([0.0], np.cumsum((slow[1:] + slow[:-1]) / 2 * np.diff(x))))
    number = np.arange(int(np.ceil(x[0] * wheel.positions)), int(x[-1] * wheel.positions))
    number = number[np.isin(number % wheel.positions, wheel.tooth_positions)]
    return np.interp(number / wheel.positions, x, time), number


@st.composite
def speed_profiles(draw: st.DrawFn):
    """Speed over the angle: a ramp, a slow swing and a ripple at half, whole and firing orders."""
    base = draw(st.floats(300, 6000))
    ramp = draw(st.floats(-0.006, 0.01))  # share a turn; 1 % a turn is a free-revving engine
    swing = draw(st.floats(0, 0.05))
    order = draw(st.sampled_from([0.5, 1.0, 1.5, 2.0, 3.0]))
    ripple = draw(st.floats(0, 0.04))

    def speed(x: np.ndarray) -> np.ndarray:
        wave = 1 + swing * np.sin(2 * np.pi * x / 23) + ripple * np.sin(2 * np.pi * order * x + 1.0)
        return base * (1 + ramp * x) * wave

    return speed


def check(crank: Crank, time_s: np.ndarray, number: np.ndarray) -> int:
    """Assert tooth and turn of everything kept against the truth; returns how many real edges were kept.

    A kept time must be a real edge's, its column the true tooth; inside a block all rows lie at the true
    distance from one another.
    """
    wheel = crank.wheel
    true = dict(zip(time_s.tolist(), number.tolist(), strict=True))
    kept = 0
    offset: dict[int, int] = {}
    for row in range(crank.turns):
        for j, p in enumerate(wheel.tooth_positions):
            t = crank.time_s[row, j]
            if not np.isfinite(t):
                continue
            n = true.get(float(t))
            if n is None:
                # an extra edge in the place of a tooth: only in a turn that no decision uses
                assert crank.faulty[row], f"an edge that no tooth made stands in sound turn {row}"
                continue
            if not crank.faulty[row]:
                assert n % wheel.positions == p, f"row {row}: tooth {n % wheel.positions} numbered {p}"
            block = int(crank.block[row])
            shift = offset.setdefault(block, n // wheel.positions - row)
            if not crank.faulty[row]:
                assert n // wheel.positions - row == shift, f"turns slip inside block {block}"
            kept += 1
    assert int(np.isfinite(crank.time_s[~crank.faulty]).sum()) <= number.size
    return kept


@FEW
@given(st.sampled_from(WHEELS), speed_profiles(), st.floats(0, 359), st.integers(8, 30))
def test_clean_logs_are_numbered_whole(shape, speed, start_deg, turns):
    wheel = Wheel.regular(*shape)
    t, number = edge_times(wheel, turns, speed, start_deg)
    crank = number_edges(t, wheel)
    assert check(crank, t, number) >= number.size - 2  # an end so short that no pitch is seen may be left out
    assert (crank.extra_edges, crank.lost_edges, crank.resyncs) == (0, 0, 0)
    assert not crank.faulty.any()
    assert np.isfinite(crank.time_s[1:-1]).all()


@FEW
@given(st.sampled_from(WHEELS), speed_profiles(), st.floats(0, 359))
def test_the_wheel_is_found_when_not_given(shape, speed, start_deg):
    wheel = Wheel.regular(*shape)
    t, number = edge_times(wheel, 12, speed, start_deg)
    crank = number_edges(t, None)
    assert crank.wheel_found
    assert crank.wheel.label == wheel.label
    check(crank, t, number)


@pytest.mark.parametrize("gone", [(17, 18, 21, 22, 34, 35), (10, 11, 33, 34, 35)])
def test_a_wheel_with_several_gaps_is_found_whole(gone: tuple[int, ...]):
    """Three gaps of two, most teeth behind the last; one of two and one of three: positions and teeth come back."""
    wheel = Wheel(36, gone)
    t, number = edge_times(wheel, 20, lambda x: 1500.0 + 0.0 * x)
    crank = number_edges(t, None)
    assert crank.wheel_found
    assert (crank.wheel.positions, crank.wheel.teeth) == (36, 36 - len(gone))
    assert check(crank, t, number) > 18 * wheel.teeth


@FEW
@given(
    st.sampled_from(WHEELS),
    speed_profiles(),
    st.lists(st.tuples(st.floats(0.02, 0.98), st.booleans(), st.floats(0.15, 0.85)), min_size=1, max_size=4),
)
def test_extra_and_lost_edges_never_give_a_wrong_number(shape, speed, faults):
    wheel = Wheel.regular(*shape)
    t, number = edge_times(wheel, 24, speed)
    drop: set[int] = set()
    more = []
    for place, extra, share in faults:
        i = min(int(place * t.size), t.size - 2)
        if extra:
            more.append(t[i] + share * (t[i + 1] - t[i]))
        else:
            drop.add(i)
    keep = np.array([i for i in range(t.size) if i not in drop])
    log = np.unique(np.concatenate((t[keep], more)))
    crank = number_edges(log, wheel)
    check(crank, t[keep], number[keep])
    touched = len(faults)
    # what a fault does not touch stays: three turns for each is generous
    assert int((~crank.faulty).sum()) >= crank.turns - 3 * touched
    inside = [f for f in faults if 0.1 < f[0] < 0.9]  # the part turns at both ends have no gap to count from
    if inside:
        assert crank.extra_edges + crank.lost_edges + crank.resyncs + crank.first_tooth_lost > 0


@pytest.mark.parametrize("shape", WHEELS)
@pytest.mark.parametrize("tooth", [5, 12, 20])
def test_one_lost_edge_is_counted_and_located(shape, tooth):
    wheel = Wheel.regular(*shape)
    t, number = edge_times(wheel, 20, lambda x: 1500 + 10 * x)
    gone = int(np.flatnonzero(number == 10 * wheel.positions + tooth)[0])
    crank = number_edges(np.delete(t, gone), wheel)
    check(crank, np.delete(t, gone), np.delete(number, gone))
    assert (crank.extra_edges, crank.lost_edges, crank.resyncs) == (0, 1, 0)
    (fault,) = crank.faults
    assert (fault.kind, fault.position) == ("lost", tooth)
    assert fault.turn == np.flatnonzero(crank.faulty)[0]
    assert crank.turns_set_aside == 1


@pytest.mark.parametrize("shape", WHEELS)
@pytest.mark.parametrize("share", [0.25, 0.5, 0.7])
def test_one_extra_edge_is_counted_and_located(shape, share):
    wheel = Wheel.regular(*shape)
    t, number = edge_times(wheel, 20, lambda x: 1500 + 10 * x)
    at = int(np.flatnonzero(number == 10 * wheel.positions + 9)[0])
    false = t[at] + share * (t[at + 1] - t[at])
    crank = number_edges(np.insert(t, at + 1, false), wheel)
    check(crank, t, number)
    assert (crank.extra_edges, crank.lost_edges, crank.resyncs) == (1, 0, 0)
    (fault,) = crank.faults
    assert fault.kind == "extra"
    assert abs(fault.time_s - false) < t[at + 1] - t[at]  # within the pitch that it falls in


@pytest.mark.parametrize("gap_pitches", [2.5, 3.0, 3.5, 4.5])
def test_a_gap_that_reads_short_or_long(gap_pitches):
    """Real pickups shift the first tooth behind the gap; 3.25-3.5 and 4.1-4.2 pitches were measured on a 60-2."""
    wheel = Wheel.regular(60, 2)
    t, number = edge_times(wheel, 20, lambda x: 2000 + 0 * x)
    first = number % 60 == 0
    pitch = 60 / 2000 / 60
    t = t + np.where(
        first, (gap_pitches - 3.0) * min(1.0, 0.6 / max(abs(gap_pitches - 3.0), 1e-9)) * pitch, 0
    )
    log, teeth = (t[~first], number[~first]) if gap_pitches > 4 else (t, number)
    crank = number_edges(log, wheel)
    check(crank, log, teeth)
    assert (crank.extra_edges, crank.lost_edges, crank.resyncs) == (0, 0, 0)
    if gap_pitches > 4:
        assert crank.first_tooth_lost >= 18
        assert np.isnan(crank.time_s[1:-1, 0]).all()
        assert np.isfinite(crank.time_s[1:-1, 1:]).all()


@FEW
@given(speed_profiles(), st.lists(st.booleans(), min_size=24, max_size=24))
def test_a_weak_first_tooth_that_comes_and_goes(speed, seen):
    wheel = Wheel.regular(60, 2)
    t, number = edge_times(wheel, 24, speed)
    weak = (number % 60 == 0) & ~np.array(seen)[np.minimum(number // 60, 23)]
    crank = number_edges(t[~weak], wheel)
    check(crank, t[~weak], number[~weak])
    assert crank.lost_edges == crank.extra_edges == crank.resyncs == 0
    assert not crank.faulty.any()


def test_a_wheel_that_does_not_fit_says_what_the_log_looks_like():
    t, _ = edge_times(Wheel.regular(36, 1), 20, lambda x: 1500 + 0 * x)
    with pytest.raises(InputError, match="60-2 does not fit the log: the log looks like a 36-1 wheel"):
        number_edges(t, Wheel.regular(60, 2))


@pytest.mark.parametrize("edges", [0, 3, 10, 57, 70])
def test_too_few_edges_for_two_turns(edges):
    t, _ = edge_times(Wheel.regular(60, 2), 3, lambda x: 1500 + 0 * x)
    with pytest.raises(TooFewTurnsError, match="record"):
        number_edges(t[:edges], Wheel.regular(60, 2))


@pytest.mark.parametrize("extra", [True, False])
def test_an_even_wheel_is_mended_from_its_marks(extra):
    wheel = Wheel.regular(24)
    t, number = edge_times(wheel, 30, lambda x: 1500 + 5 * x)
    marks = t[number % 24 == 0] - 1e-5
    at = int(np.flatnonzero(number == 13 * 24 + 7)[0])
    log = np.insert(t, at + 1, (t[at] + t[at + 1]) / 2) if extra else np.delete(t, at)
    crank = number_edges(log, wheel, marks)
    assert (crank.extra_edges, crank.lost_edges) == ((1, 0) if extra else (0, 1))
    true = dict(zip(t.tolist(), (number % 24).tolist(), strict=True))
    for row in crank.time_s[~crank.faulty]:
        assert [true[float(x)] for x in row] == list(range(24))
    assert int((~crank.faulty).sum()) >= 25


def test_numbering_in_plain_loops_agrees_on_a_short_log():
    """The slow twin reads like the description: find each long interval, count the teeth from it."""
    wheel = Wheel.regular(60, 2)
    t, _ = edge_times(wheel, 9, lambda x: 900 * (1 + 0.03 * np.sin(4 * np.pi * x)) + 20 * x, 100.0)
    fast = number_edges(t, wheel)
    gaps = []
    for i in range(1, len(t) - 2):
        interval = t[i + 1] - t[i]
        if interval > 2.2 * (t[i] - t[i - 1]) and interval > 2.2 * (t[i + 2] - t[i + 1]):
            gaps.append(i)
    assert gap_candidates(t, 2.2).tolist() == gaps
    rows = []
    for a, b in pairwise(gaps):
        assert b - a == 58
        rows.append([t[a + 1 + j] for j in range(58)])
    whole = [k for k in range(fast.turns) if np.isfinite(fast.time_s[k]).all()]
    np.testing.assert_array_equal(fast.time_s[whole], np.array(rows))
    assert find_wheel(t) == wheel


@pytest.mark.parametrize("side", ["before", "behind"])
@pytest.mark.parametrize("kind", ["lost", "extra"])
def test_a_gap_is_seen_though_an_edge_beside_it_is_lost_or_extra(side: str, kind: str) -> None:
    """36-1, whose gap of two pitches is as long as a lost edge: every other gap's neighbour is disturbed."""
    wheel = Wheel.regular(36, 1)
    t, number = edge_times(wheel, 40.0, lambda x: 1800.0 + 10.0 * x)
    last = np.flatnonzero(number % 36 == 34)[2:-2:2]
    edge_before_gap = t[last]
    if kind == "lost":
        hurt = np.delete(t, last - 1 if side == "before" else last + 2)
    else:
        at = last - 1 if side == "before" else last + 1
        hurt = np.insert(t, at + 1, 0.4 * t[at] + 0.6 * t[at + 1])
    found = hurt[gap_candidates(hurt)]
    assert np.isin(edge_before_gap, found).all()


def test_a_turn_with_one_edge_lost_and_one_extra_is_not_sound() -> None:
    """The count of teeth is right and the teeth are not: neither edge may shift the numbers between them."""
    wheel = Wheel.regular(60, 2)
    t, number = edge_times(wheel, 20.0, lambda x: np.full_like(x, 1800.0))
    lost = int(np.flatnonzero(number == 10 * 60 + 15)[0])
    extra = int(np.flatnonzero(number == 10 * 60 + 35)[0])
    hurt = np.delete(np.insert(t, extra + 1, 0.5 * (t[extra] + t[extra + 1])), lost)
    crank = number_edges(hurt, wheel)
    assert (crank.extra_edges, crank.lost_edges) == (1, 1)
    assert sorted((f.kind, f.position // 5) for f in crank.faults) == [("extra", 7), ("lost", 3)]
    row = int(np.flatnonzero(crank.faulty)[0])
    assert crank.faulty.sum() == 1
    kept = np.delete(np.arange(58), 15)
    where = np.searchsorted(t, crank.time_s[row, kept])
    np.testing.assert_array_equal(number[where] % 60, kept)


def test_a_third_of_a_turn_lost_right_behind_the_gap_is_bridged() -> None:
    wheel = Wheel.regular(60, 2)
    t, number = edge_times(wheel, 20.0, lambda x: np.full_like(x, 1800.0))
    hurt = t[~np.isin(number, 600 + np.arange(20))]
    crank = number_edges(hurt, wheel)
    assert (crank.lost_edges, crank.extra_edges, crank.resyncs) == (20, 0, 0)
    known = np.isfinite(crank.time_s)
    kept = np.searchsorted(t, crank.time_s[known])
    np.testing.assert_array_equal(number[kept] % 60, np.broadcast_to(np.arange(58), known.shape)[known])
    assert known.sum() == hurt.size


@pytest.mark.parametrize("begins_at", [5, 12, 20])
def test_the_first_tooth_of_an_even_wheel_is_the_one_behind_the_mark(begins_at: int) -> None:
    wheel = Wheel.regular(24)
    t, number = edge_times(wheel, 30.0, lambda x: 900.0 + 20.0 * x, start_deg=15.0 * begins_at)
    mark = t[(number % 48 == 0) & (number > begins_at)] - 0.2e-3
    crank = number_edges(t, wheel, mark)
    known = np.isfinite(crank.time_s)
    where = np.searchsorted(t, crank.time_s[known])
    np.testing.assert_array_equal(number[where] % 24, np.broadcast_to(np.arange(24), known.shape)[known])
    assert known.sum() == t.size
    assert not crank.faulty.any()
