"""Flat metal by finite elements of a general library: scikit-fem on a fine grid of triangles.

Published methods, other code: linear triangles (P1) of 0.3 mm; pieces that lie on each other are one conductor as
thick as all of them; a joint is a disc of 3 mm at one potential.
"""

import numpy as np
import shapely
from scipy.sparse import coo_matrix
from scipy.sparse.linalg import splu
from skfem import Basis, BilinearForm, ElementTriP1, MeshTri, asm
from skfem.helpers import dot, grad

WELD_MM = 3.0


@BilinearForm
def conduction(u, v, w):
    return w["sheets"] * dot(grad(u), grad(v))


def impedance(outlines, layers, joints, step_mm=0.3):
    """Potential of each joint for 1 A into each other one, in squares of one layer, shape (m, m)."""
    shapes = [shapely.Polygon(o) for o in outlines]
    x0, y0, x1, y1 = shapely.union_all(shapes).bounds
    lines = [np.linspace(a, b, int(np.ceil((b - a) / step_mm)) + 1) for a, b in ((x0, x1), (y0, y1))]
    mesh = MeshTri.init_tensor(*lines)
    middle = mesh.p[:, mesh.t].mean(axis=1)
    sheets = np.zeros(middle.shape[1])
    for shape, count in zip(shapes, layers, strict=True):
        sheets += count * shapely.contains_xy(shape, *middle)
    mesh = mesh.restrict(np.flatnonzero(sheets > 0))
    basis = Basis(mesh, ElementTriP1())
    matrix = asm(conduction, basis, sheets=np.repeat(sheets[sheets > 0][:, None], basis.X.shape[1], axis=1)).tocoo()
    nodes, count = mesh.p.shape[1], len(joints)
    of = np.arange(nodes)
    for k, centre in enumerate(joints):
        of[np.hypot(*(mesh.p - np.asarray(centre)[:, None])) <= WELD_MM / 2] = nodes + k
    known, number = np.unique(of, return_inverse=True)
    size = len(known)
    tied = coo_matrix((matrix.data, (number[matrix.row], number[matrix.col])), shape=(size, size)).tolil()
    at = [int(np.flatnonzero(known == nodes + k)[0]) for k in range(count)]
    tied[at[0], at[0]] += 1.0
    feed = np.zeros((size, count))
    feed[at, np.arange(count)] = 1.0
    return splu(tied.tocsc()).solve(feed)[at]
