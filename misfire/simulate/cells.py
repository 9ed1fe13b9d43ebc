"""Gas work of all events on the cells of the angle grid."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from misfire.simulate.driver import Driver
from misfire.simulate.gas import WorkTables
from misfire.simulate.mechanics import Cylinder
from misfire.simulate.scenario import Scenario

FloatArray = npt.NDArray[np.float64]


class Cells:
    """Turns events into gas work on the cells, cycle by cycle with what reaches into the next."""

    def __init__(self, s: Scenario, cylinder: Cylinder, driver: Driver) -> None:
        self.n = round(720.0 / s.step_deg)
        self.exhaust, self.crankcase = s.gas.exhaust_kpa, s.gas.crankcase_kpa
        self.first: list[int] = []
        self.tables: list[WorkTables] = []
        shared: dict[tuple[float, float], WorkTables] = {}
        for start, c in zip(driver.slot_start_deg, driver.slot_cylinder, strict=True):
            cell = int(start / s.step_deg + 1e-9)
            lead = round(start - cell * s.step_deg, 9)
            key = (lead, s.combustion.leaks.get(str(c), 0.0))
            if key not in shared:
                edges = -360.0 - lead + s.step_deg * np.arange(self.n + 2)
                shared[key] = WorkTables(s.gas, cylinder, edges, key[1])
            self.first.append(cell)
            self.tables.append(shared[key])
        self.weights = np.ones((1, driver.n))
        self.tail = np.zeros((1, 2 * self.n + 2))

    def weigh(self, weights: FloatArray) -> None:
        """Ask for further sums in which each slot's work counts with a weight, shape (sums, slots)."""
        self.weights = np.vstack([np.ones(weights.shape[-1]), weights])
        self.tail = np.zeros((len(self.weights), self.tail.shape[1]))

    def add(
        self,
        cycles: int,
        kpa: FloatArray,
        heat: FloatArray,
        start: FloatArray,
        burn: FloatArray,
        rpm: FloatArray,
    ) -> tuple[FloatArray, FloatArray]:
        """Gas work [J] of cycles * n cells by sum (row 0 plain), combustion work [J] of each event.

        The inputs have shape (cycles, slots), `rpm` [1/min] is for cylinders that leak; events reach up to two cycles ahead, kept in `tail`.
        """
        n = self.n
        total = np.zeros((len(self.weights), (cycles + 2) * n + 2))
        total[:, : self.tail.shape[1]] += self.tail
        done = np.zeros(kpa.shape)
        for table in {id(t): t for t in self.tables}.values():
            slots = [i for i, t in enumerate(self.tables) if t is table]
            a, b, c = table.motored
            at, heat_cells = table.heat_cells(
                start[:, slots].ravel(), burn[:, slots].ravel(), rpm[:, slots].ravel()
            )
            heat_cells *= heat[:, slots].reshape(-1, 1)
            width = heat_cells.shape[1]
            heat_cells = heat_cells.reshape(cycles, len(slots), width)
            done[:, slots] = heat_cells.sum(axis=2)
            for j, slot in enumerate(slots):
                per_kpa = table.manifold_cells(rpm[:, slot]) if table.leak else a
                work = kpa[:, slot, None] * per_kpa + (self.exhaust * b + self.crankcase * c)
                work[:, at : at + width] += heat_cells[:, j]
                f = self.first[slot]
                # n cells side by side, the one cell that overlaps the next event on its own
                plain, over = work[:, :n].ravel(), work[:, n]
                for row, weight in enumerate(self.weights[:, slot]):
                    total[row, f : f + cycles * n] += plain if row == 0 else weight * plain
                    total[row, f + n : f + n + cycles * n : n] += over if row == 0 else weight * over
        self.tail = total[:, cycles * n :].copy()
        return total[:, : cycles * n], done
