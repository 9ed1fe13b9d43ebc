"""Where the core is broken on purpose: a sign, a threshold, a tooth, companions, 360 for 720.

One row a place: the file, the text that stands there exactly once, what it becomes, and the tests of the room, under
tests/, fast ones first.
"""

from __future__ import annotations

from typing import NamedTuple


class Place(NamedTuple):
    """A mutation: `old` in `misfire/<file>` becomes `new`, and `tests` should go red."""

    file: str
    old: str
    new: str
    tests: str


# fmt: off
PLACES = (
    Place("engine.py", "CYCLE_DEG = 720.0", "CYCLE_DEG = 360.0", "test_engine.py reference"),
    Place("engine.py", "abs(off - TURN_DEG) < 1.0", "abs(off - TURN_DEG / 2) < 1.0", "test_engine.py reference"),
    Place("engine.py", "turned = tuple(order[k:]) + tuple(order[:k])", "turned = tuple(order)", "test_engine.py reference"),
    Place("engine.py", "by_cyl[c - 1] = i * CYCLE_DEG / n", "by_cyl[i] = i * CYCLE_DEG / n", "test_engine.py reference"),
    Place("engine.py", "self.firing_tdc_deg[c - 1] for c", "self.firing_tdc_deg[c - 2] for c", "test_engine.py reference"),
    Place("engine.py", "range(positions - missing, positions)", "range(missing)", "test_engine.py reference crank"),
    Place("engine.py", "bool(np.ptp(steps) < 1.0)", "bool(np.ptp(steps) < 100.0)", "test_engine.py reference"),
    Place("crank/gaps.py", "GAP_FROM = 1.75", "GAP_FROM = 2.75", "crank"),
    Place("crank/gaps.py", "least * least * before * after", "least * before * after", "crank"),
    Place("crank/gaps.py", "LOST_BESIDE = 2.5", "LOST_BESIDE = 40.0", "crank"),
    Place("crank/gaps.py", "before[3:] = m3[: dt.size - 3]", "before[3:] = dt[2:-1]", "crank"),
    Place("crank/gapped.py", "first_lost = (step == teeth - 1) & long_gap", "first_lost = step == teeth - 1", "crank"),
    Place("crank/gapped.py", "SHORTEST, LONGEST = 0.6, 1.6", "SHORTEST, LONGEST = 0.1, 9.0", "crank"),
    Place("crank/mend.py", "turns = round((positions - float(place[first]) + lead) / positions)", "turns = round((positions - float(place[first]) - lead) / positions)", "crank"),
    Place("crank/mend.py", "rows[row[good], tooth[good]] = t[good]", "rows[row[good], tooth[good] - 1] = t[good]", "crank"),
    Place("crank/mend.py", "bad |= hole.any(axis=1)", "bad |= hole.all(axis=1)", "crank"),
    Place("crank/even.py", "head = (n - start) % n", "head = start % n", "crank"),
    Place("crank/find.py", "range(at, at + gap - 1)", "range(at, at + gap)", "crank"),
    Place("grid.py", "use[(gaps + 1) % wheel.teeth] = False", "use[gaps] = False", "test_grid.py work"),
    Place("grid.py", "angles = angles + np.nan_to_num", "angles = angles - np.nan_to_num", "test_grid.py work"),
    Place("grid.py", "known.reshape(-1, n) & ~crank.faulty[:, None]", "known.reshape(-1, n)", "test_grid.py work"),
    Place("grid.py", "np.sqrt(140.0)", "np.sqrt(70.0)", "test_grid.py work"),
    Place("gas.py", "burned = 1 - np.exp(-5 *", "burned = 1 - np.exp(-2 *", "test_gas.py"),
    Place("gas.py", "ripple = -(ds**2)", "ripple = ds**2", "test_gas.py"),
    Place("phase.py", "step[:, None] * ((mid", "0 * step[:, None] * ((mid", "test_phase.py"),
    Place("phase.py", "comb = comb - (a + b) / 2 * tdc.size / period", "comb = comb + (a + b) / 2 * tdc.size / period", "test_phase.py"),
    Place("phase.py", "return np.concatenate([first - second, second - first]) / 2", "return np.concatenate([first + second, second + first]) / 2", "test_phase.py"),
    Place("phase.py", "share = (mark - grid.time_s[left]) / (grid.time_s[right] - grid.time_s[left])", "share = 40 * (mark - grid.time_s[left]) / (grid.time_s[right] - grid.time_s[left])", "test_phase.py"),
    Place("naming.py", "cost = np.array([_distance(row, angle_deg, s, at_deg, crank) for s in start])", "cost = np.array([_distance(row, angle_deg, s + TURN_DEG, at_deg, crank) for s in start])", "test_phase.py contract/test_names_and_wheels.py"),
    Place("naming.py", "if cost[best] > tolerance:", "if cost[best] > 400:", "test_phase.py contract/test_names_and_wheels.py"),
    Place("naming.py", "odd == (start % CYCLE_DEG < TURN_DEG)", "odd == (start % CYCLE_DEG > TURN_DEG)", "test_phase.py contract/test_names_and_wheels.py"),
    Place("work/windows.py", "after = (tdc - first_deg) % CYCLE_DEG", "after = (tdc + first_deg) % CYCLE_DEG", "work decide"),
    Place("work/windows.py", "int(after // TURN_DEG), float(after % TURN_DEG)", "0, float(after % TURN_DEG)", "work decide"),
    Place("work/windows.py", "(angle >= -before) & (angle <= after)", "(angle >= -after) & (angle <= before)", "work"),
    Place("work/filters.py", "prior[fixed.shape[1] :] = ridge / k.size", "prior[:] = ridge / k.size", "work"),
    Place("work/filters.py", "other = np.concatenate([tdc - here - CYCLE_DEG, tdc - here, tdc - here + CYCLE_DEG])", "other = np.concatenate([tdc - here - TURN_DEG, tdc - here, tdc - here + TURN_DEG])", "work"),
    Place("work/events.py", "level, level_sd = level - masses", "level, level_sd = level + masses", "work decide"),
    Place("work/events.py", "start = turn * n", "start = turn * n + 1", "work"),
    Place("work/events.py", "trusted[blind] = np.nan, False", "trusted[blind] = np.nan, True", "work decide contract"),
    Place("pattern.py", "enumerate((-1.0, 0.0, 1.0, 2.0))", "enumerate((1.0, 0.0, -1.0, -2.0))", "pattern"),
    Place("pattern.py", "late = s * TURN_DEG - (flat_a", "late = s * TURN_DEG + (flat_a", "pattern"),
    Place("pattern.py", "w2 = (np.nanmedian(speed) / speed) ** 2", "w2 = (np.nanmedian(speed) / speed) ** -2", "pattern"),
    Place("pattern.py", "100 * (value[n:] - value[:n]) / span_deg", "100 * (value[:n] - value[n:]) / span_deg", "pattern"),
    Place("orders.py", "step = n if n % 2 else n // 2", "step = n", "pattern"),
    Place("stability.py", "DRIFT_FROM_DEG = 0.04", "DRIFT_FROM_DEG = 4.0", "pattern"),
    Place("stability.py", "late[at[at.size // 2 :]] = True", "late[at[::2]] = True", "pattern"),
    Place("decide/states.py", "MISFIRE_FROM = 0.75", "MISFIRE_FROM = 0.45", "decide"),
    Place("decide/several.py", "np.fmin(past, future)", "np.fmax(past, future)", "decide verdict"),
    Place("decide/several.py", "NOISE_LIMIT = 0.19", "NOISE_LIMIT = 9.0", "decide"),
    Place("decide/several.py", "calls.unusable(~log.good, Reason.EDGE_FAULT)", "pass", "decide"),
    Place("decide/several.py", "lost[calls.state == MOTORING] = np.nan", "pass", "decide"),
    Place("decide/level.py", "where(known, fuel_cut == 1, moved)", "where(known, fuel_cut == 0, moved)", "decide"),
    Place("decide/level.py", "np.sort(out)[n_cyl // 2]", "np.sort(out)[0]", "decide verdict"),
    Place("decide/wheel.py", "shared[i] = both\n", "shared[i] = -both\n", "decide verdict"),
    Place("decide/wheel.py", "min(place_lost[i], place_lost[where[mate]])", "max(place_lost[i], place_lost[where[mate]])", "decide verdict"),
    Place("decide/chance.py", "share * deep / (share * deep + (1 - share) * normal)", "share * normal / (share * deep + (1 - share) * normal)", "decide"),
    Place("decide/runs.py", "1.4826 * float", "0.6745 * float", "decide work"),
    Place("monitor.py", "lost + w2 * np.median", "lost - w2 * np.median", "test_monitor.py"),
    Place("monitor.py", "e - np.roll(e, 1)", "e - np.roll(e, -1)", "test_monitor.py"),
    Place("onelog.py", "turned = (events.place + want - top) % engine.cylinders", "turned = (events.place + top - want) % engine.cylinders", "contract/test_known_cut.py"),
    Place("onelog.py", "names.append(min(c, mate) if merge", "names.append(max(c, mate) if merge", "verdict contract/test_names_and_wheels.py"),
    Place("counts/rates.py", "tail = (1.0 - level) / 2.0\n    # betaincinv", "tail = 1.0 - level\n    # betaincinv", "counts reference/test_count_values.py"),
    Place("counts/rates.py", "betaincinv(k + 1.0, np.where(k < n, n - k, 1.0), level)", "betaincinv(k + 1.0, np.where(k < n, n - k + 1.0, 1.0), level)", "counts reference/test_count_values.py"),
    Place("counts/rates.py", "scale = exposure2 / exposure1", "scale = exposure1 / exposure2", "counts reference/test_count_values.py"),
    Place("counts/rates.py", "pmf[pmf <= pmf[k] * _TIE].sum()", "pmf[pmf < pmf[k]].sum()", "counts reference/test_count_values.py"),
    Place("counts/rates.py", "p[order] * (m - np.arange(m))", "p[order] * m", "counts reference/test_count_values.py"),
    Place("counts/plans.py", "math.log((1 - self.alpha) / self.beta) / self._k", "math.log((1 - self.beta) / self.alpha) / self._k", "counts reference/test_count_values.py"),
    Place("counts/blocks.py", "whole_events = turns_per_window * cylinders / 2", "whole_events = turns_per_window * cylinders", "counts/test_blocks_and_plans.py reference"),
    Place("counts/blocks.py", "100.0 * total > floor * whole_events", "100.0 * total >= floor * whole_events", "counts/test_blocks_and_plans.py reference"),
    Place("counts/blocks.py", "10 * max(misfires) > 9 * total", "10 * max(misfires) >= 9 * total", "counts/test_blocks_and_plans.py reference"),
    Place("verdict/misses.py", "c.misfires > DEAD * c.firings for c in some", "c.misfires > 0.0 * c.firings for c in some", "verdict"),
    Place("verdict/misses.py", "+ crank + tail)", "+ crank + calm)", "verdict"),
    Place("verdict/misses.py", "count + edges + calm", "count + crank + calm", "verdict"),
    Place("verdict/odds.py", "share /= share.sum()", "share /= share.max()", "verdict/test_odds.py"),
    Place("verdict/odds.py", "k * np.log(mean / (1 + mean)) - np.log1p(mean))\n\n\ndef faulty", "k * np.log(mean / (1 + mean)) + np.log1p(mean))\n\n\ndef faulty", "verdict/test_odds.py"),
    Place("verdict/sensing.py", "FALSELY_FROM) >= FIRM", "FALSELY_FROM) < FIRM", "verdict"),
    Place("verdict/losses.py", "NAMED * p[\"wheel\"]", "NAMED * p[lost]", "verdict"),
    Place("verdict/sensing.py", "c.misfires < 0.1 * c.reported", "c.misfires > 0.1 * c.reported", "verdict"),
    Place("verdict/finding.py", "ev.engine.cylinders // 2) % ev", "ev.engine.cylinders // 3) % ev", "verdict/test_pairs.py"),
    Place("comparison/strata.py", "STRATUM_RPM = 375.0", "STRATUM_RPM = 3750.0", "reference/test_regulation_values.py"),
    Place("comparison/swap.py", "worst[0] != worst[1] and p_change", "worst[0] == worst[1] and p_change", "comparison/test_stories.py -k swap"),
    Place("intake/crossings.py", "return offset + fires - 1 + (self.threshold", "return offset + fires + (self.threshold", "intake/test_waveform.py"),
    Place("intake/crossings.py", "np.float32(self.threshold) - self.hysteresis.at(swing)", "np.float32(self.threshold) + self.hysteresis.at(swing)", "intake/test_waveform.py"),
    Place("stability.py", "LEAST_TEETH = 20", "LEAST_TEETH = 30", "pattern"),
    Place("pattern.py", "> LEAST_SURE_DEG:", "> 100 * LEAST_SURE_DEG:", "pattern"),
    Place("pattern.py", "rhs - lhs @ fit) ** 2)) / (", "rhs - lhs @ fit) ** 2)) * (", "pattern"),
    Place("pattern.py", "spacing - share * torque", "spacing + share * torque", "pattern"),
    Place("looks.py", "0.02) and scatter[1]", "0.02) or scatter[1]", "verdict"),
    Place("decide/scale.py", "at_most[mine])) < FULL_FROM", "at_most[mine])) > FULL_FROM", "decide verdict"),
    Place("decide/size.py", "if sure < LEAST_SURE:", "if sure >= 0:", "decide/test_size.py"),
    Place("decide/scale.py", "1 / (most * (1 + unsure))", "1 / most", "decide/test_size.py"),
    Place("work/events.py", "f_level.weights @ late[f_level.offsets % n]", "f_level.weights @ late[f_level.offsets % n - 3]", "work/test_level.py"),
    Place("verdict/sensing.py", "ev.turns_set_aside >= LEAST_FAULTY", "ev.turns_set_aside >= 0", "verdict/test_signal.py"),
    Place("grid.py", "shift = int(turn) * n + j", "shift = int(turn) * n + j + 1", "test_grid.py"),
    Place("evidence/stopped.py", "LEAST_DEAD, LEAST_BEFORE = 50, 20", "LEAST_DEAD, LEAST_BEFORE = 50, 2000", "verdict/test_limp_mode.py"),
    Place("verdict/misses.py", "is not None and _sound_before(c.stopped)]", "is not None]", "verdict/test_limp_mode.py"),
    Place("verdict/headline.py", "        if missed_too(f, found):", "        if not missed_too(f, found):", "verdict/test_limp_mode.py"),
    Place("crank/mend.py", "off += min(-off, lead)", "pass", "crank"),
    Place("intake/columns.py", "MOST_OFTEN = 8.0", "MOST_OFTEN = 0.1", "intake/test_shop_files.py"),
    Place("verdict/sensing.py", "faulty(k, n, CODED_FROM)", "faulty(max(k, 1), n)", "verdict/test_codes.py"),
)
# fmt: on
