"""Linear elastic parts: exact response of a set of states, chains of inertias, torsion of the crankshaft.

The response to the torque on a stretch of cells is computed exactly for a constant mean speed (time step =
angle step / mean speed); the crank's own motion then follows from the exact energy form.

A chain of n inertias has arrays of shape (n,) and (n - 1,) springs, the mode `shape_cylinder` (cylinders,) and
`shape_wheel`, mass-normalised [1/sqrt(kg m^2)]; a state has shape (states,).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

_BLOCK = 64


def respond(a: FloatArray, b: FloatArray, u: FloatArray, x0: FloatArray, dt_s: float) -> FloatArray:
    """States of x' = A x + B u for u constant in each step, exact; shape (steps + 1, states).

    `a` (states, states), `b` (states, inputs), `u` (steps, inputs), `x0` (states,). A must be diagonalisable.
    """
    value, vector = np.linalg.eig(a.astype(complex))
    into = np.linalg.solve(vector, np.column_stack([b, x0]).astype(complex))
    grow = np.exp(value * dt_s)
    rigid = np.abs(value) * dt_s < 1e-9
    safe = np.where(rigid, 1.0, value)
    gain = np.where(rigid, dt_s, (grow - 1.0) / safe)
    modal = np.empty((len(u) + 1, len(x0)), dtype=complex)
    # einsum, not a matrix product: threads cost more than such thin products
    drive = np.einsum("ni,mi->nm", u.astype(complex), into[:, :-1]) * gain
    for m in range(len(x0)):
        start = into[m, -1]
        modal[0, m] = start
        modal[1:, m] = _recur(complex(grow[m]), np.asarray(drive[:, m], dtype=np.complex128), complex(start))
    return np.asarray(np.einsum("nm,sm->ns", modal, vector).real)


def _recur(grow: complex, drive: ComplexArray, start: complex) -> ComplexArray:
    """y[n] = grow y[n-1] + drive[n], y[-1] = start: scaled sums inside blocks, then block by block."""
    # a block is short enough that grow to its length stays far from underflow
    fade = -np.log(max(abs(grow), 1e-300))
    size = int(np.clip(14.0 / fade, 1, _BLOCK)) if fade > 0.0 else _BLOCK
    count = -(-len(drive) // size)
    padded = np.zeros(count * size, dtype=complex)
    padded[: len(drive)] = drive
    power = grow ** np.arange(1, size + 1)
    inside = np.cumsum(padded.reshape(count, size) / power, axis=1) * power
    carried = np.empty(count, dtype=complex)
    ends, whole = inside[:, -1].tolist(), complex(power[-1])
    for k in range(count):
        carried[k] = start
        start = ends[k] + whole * start
    return np.asarray((inside + carried[:, None] * power).ravel()[: len(drive)])


@dataclass(frozen=True)
class Chain:
    """Inertias [kg m^2] in a row, joined by springs [N m/rad]; free at both ends."""

    inertia_kg_m2: FloatArray
    stiffness_nm: FloatArray

    def matrices(self) -> tuple[FloatArray, FloatArray]:
        """Mass and stiffness matrix."""
        k = self.stiffness_nm
        stiff = np.diag(np.append(k, 0.0) + np.append(0.0, k)) - np.diag(k, 1) - np.diag(k, -1)
        return np.diag(self.inertia_kg_m2), stiff

    def modes(self) -> tuple[FloatArray, FloatArray]:
        """Natural frequencies [Hz], ascending from the rigid one, and mass-normalised shapes in columns."""
        root = 1.0 / np.sqrt(self.inertia_kg_m2)
        _, stiff = self.matrices()
        value, vector = np.linalg.eigh(stiff * root[:, None] * root[None, :])
        return np.sqrt(np.maximum(value, 0.0)) / (2 * np.pi), vector * root[:, None]

    def receptance(self, hz: float, damping: float) -> FloatArray:
        """Complex amplitude [rad/(N m)] at each node for unit torque on each node, elastic modes only."""
        f, shape = self.modes()
        w, wn = 2 * np.pi * hz, 2 * np.pi * f[1:]
        gain = 1.0 / (wn**2 - w**2 + 2j * damping * wn * w)
        return np.asarray(np.einsum("im,m,jm->ij", shape[:, 1:], gain, shape[:, 1:]))

    @classmethod
    def crankshaft(cls, cylinders: int, rotating_kg_m2: float, natural_hz: float) -> Chain:
        """Pulley, one node a cylinder, flywheel (0.6 of the inertia); springs fit the first frequency."""
        throw = np.full(cylinders, 0.3 * rotating_kg_m2 / cylinders)
        inertia = np.concatenate([[0.1 * rotating_kg_m2], throw, [0.6 * rotating_kg_m2]])
        unit = cls(inertia, np.ones(cylinders + 1))
        return cls(inertia, np.full(cylinders + 1, (natural_hz / unit.modes()[0][1]) ** 2))


@dataclass
class Twist:
    """First elastic mode of the crankshaft as the pickup sees it, with its state from stretch to stretch."""

    natural_hz: float
    damping: float
    shape_cylinder: FloatArray
    shape_wheel: float
    state: FloatArray

    @classmethod
    def of(
        cls, cylinders: int, rotating_kg_m2: float, natural_hz: float, damping: float, front: bool
    ) -> Twist:
        """Mode of `Chain.crankshaft`; the wheel sits at the pulley (front) or at the flywheel."""
        _, shape = Chain.crankshaft(cylinders, rotating_kg_m2, natural_hz).modes()
        first = shape[:, 1]
        return cls(natural_hz, damping, first[1:-1], float(first[0 if front else -1]), np.zeros(2))

    def angle_rad(self, modal_nm: FloatArray, dt_s: float) -> FloatArray:
        """Angle [rad] of the wheel ahead of the rigid crank at the cell ends, shape (cells,).

        `modal_nm` is the torque of each cylinder times its mode shape, summed, per cell.
        """
        w = 2 * np.pi * self.natural_hz
        a = np.array([[0.0, 1.0], [-(w**2), -2.0 * self.damping * w]])
        x = respond(a, np.array([[0.0], [1.0]]), modal_nm[:, None], self.state, dt_s)
        self.state = x[-1]
        return np.asarray(self.shape_wheel * x[1:, 0])
