"""Finite elements of a printed case cut across its cells: what heat crosses, by scikit-fem."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
from skfem import Basis, BilinearForm, ElementTriP1, FacetBasis, MeshTri, asm, condense, solve
from skfem.helpers import dot, grad

AIR, PRINT = 0.0267, 0.25


def _conducted(
    wide_mm: float, high_mm: float, *, radius: float, play: float, k: Callable, outside: float, fine: int = 1
) -> float:
    """Heat from a cell about 0, 0 through the right-hand side, per metre of depth and kelvin [W/(m K)].

    The mesh runs along rays from the cell: play in whole elements, so that no contact gap is a staircase.
    """
    angles, layers = 240 * fine, 60 * fine
    theta, part = np.meshgrid(np.linspace(0.0, 1.0, angles + 1), np.linspace(0.0, 1.0, layers + 1), indexing="ij")
    mesh = MeshTri.init_tensor(theta[:, 0], part[0])
    # The corner is a node.
    corner = np.arctan2(high_mm, wide_mm)
    turn = np.interp(mesh.p[0], [0.0, 0.5, 1.0], [0.0, corner, np.pi / 2.0])
    with np.errstate(divide="ignore"):
        edge = np.minimum(wide_mm / np.cos(turn), high_mm / np.sin(turn))
    away = np.where(
        mesh.p[1] <= 0.2, radius + mesh.p[1] / 0.2 * play,
        radius + play + (mesh.p[1] - 0.2) / 0.8 * (edge - radius - play),
    )  # fmt: skip
    mesh = MeshTri(np.stack([away * np.cos(turn), away * np.sin(turn)]) * 1e-3, mesh.t)
    basis = Basis(mesh, ElementTriP1(), intorder=2)
    each = k(*(1e3 * mesh.p[:, mesh.t].mean(axis=1)))
    form = BilinearForm(lambda u, v, w: w.k * dot(grad(u), grad(v)))
    matrix = asm(form, basis, k=np.tile(each[:, None], (1, basis.dx.shape[1])))
    right = FacetBasis(mesh, ElementTriP1(), facets=mesh.facets_satisfying(
        lambda x: np.abs(x[0] - wide_mm * 1e-3) < 1e-9, boundaries_only=True
    ))  # fmt: skip
    left = asm(BilinearForm(lambda u, v, w: outside * u * v), right)
    hot = np.flatnonzero(np.hypot(*mesh.p) < (radius + 1e-6) * 1e-3)
    temps = np.zeros(mesh.p.shape[1])
    temps[hot] = 1.0
    temps = solve(*condense(matrix + left, x=temps, D=hot))
    return float((left @ temps).sum())


@cache
def between(
    diameter: float, gap: float, length: float, *, play: float, rib: float, fine: int = 1, fill: float = AIR
) -> float:
    """Conductance between neighbours of square rows, each in a ring; rib 0 for an open frame [W/K]."""
    r, half = diameter / 2.0, (diameter + gap) / 2.0

    def k(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        away = np.hypot(x, y)
        return np.where((away > r + play) & (away < r + play + rib), PRINT, fill)

    # A quarter: two halves across and two up make the whole of a pair.
    return _conducted(half, half, radius=r, play=play, k=k, outside=1e6, fine=fine) * length * 1e-3


@cache
def beside(
    diameter: float, gap: float, length: float, *, play: float, rib: float, wall: float, outside: float, fine: int = 1,
    fill: float = AIR,
) -> float:
    """Conductance from an edge cell through the wall beside it, along its row, to what is outside [W/K]."""
    r = diameter / 2.0

    def k(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        away = np.hypot(x, y)
        return np.where((away > r + play) & ((away < r + play + rib) | (x > r)), PRINT, fill)

    high = (diameter + gap) / 2.0
    return 2.0 * _conducted(r + wall, high, radius=r, play=play, k=k, outside=outside, fine=fine) * length * 1e-3
