"""Flat metal by finite elements of a general library: scikit-fem on a fine grid of triangles.

Published methods, other code: linear triangles (P1) of 0.3 mm; pieces that lie on each other are one conductor as
thick as all of them; a joint is a disc of 3 mm at one potential.
"""

import numpy as np
import shapely
from scipy.sparse import coo_matrix
from scipy.sparse.linalg import splu
from scipy.spatial import cKDTree
from skfem import Basis, BilinearForm, ElementTriP1, MeshTri, asm
from skfem.helpers import dot, grad

WELD_MM = 3.0


@BilinearForm
def conduction(u, v, w):
    return w["sheets"] * dot(grad(u), grad(v))


class Sheet:
    """A conductor solved for 1 A into each of its joints, in squares of one layer.

    Parameters
    ----------
    outlines : closed contours [mm]
    layers : what each of them adds, below 0 for what is cut out
    joints : middles of discs at one potential each [mm]
    """

    def __init__(self, outlines, layers, joints, step_mm=0.3):
        shapes = [shapely.Polygon(o) for o in outlines]
        x0, y0, x1, y1 = shapely.union_all(shapes).bounds
        lines = [np.linspace(a, b, int(np.ceil((b - a) / step_mm)) + 1) for a, b in ((x0, x1), (y0, y1))]
        mesh = MeshTri.init_tensor(*lines)
        middle = mesh.p[:, mesh.t].mean(axis=1)
        sheets = np.zeros(middle.shape[1])
        for shape, count in zip(shapes, layers, strict=True):
            sheets += count * shapely.contains_xy(shape, *middle)
        self.mesh = mesh.restrict(np.flatnonzero(sheets > 0))
        self.basis = Basis(self.mesh, ElementTriP1())
        on_points = np.repeat(sheets[sheets > 0][:, None], self.basis.X.shape[1], axis=1)
        matrix = asm(conduction, self.basis, sheets=on_points).tocoo()
        nodes, count = self.mesh.p.shape[1], len(joints)
        of = np.arange(nodes)
        for k, centre in enumerate(joints):
            of[np.hypot(*(self.mesh.p - np.asarray(centre)[:, None])) <= WELD_MM / 2] = nodes + k
        known, number = np.unique(of, return_inverse=True)
        size = len(known)
        tied = coo_matrix((matrix.data, (number[matrix.row], number[matrix.col])), shape=(size, size)).tolil()
        at = [int(np.flatnonzero(known == nodes + k)[0]) for k in range(count)]
        tied[at[0], at[0]] += 1.0
        feed = np.zeros((size, count))
        feed[at, np.arange(count)] = 1.0
        solved = splu(tied.tocsc()).solve(feed)
        self.impedance, self.potential = solved[at], solved[number]

    def mean_density(self, cuts, feed):
        """Current across each cut over its length and layers, when the joints are fed so [1/mm].

        Of each of the cut's points that of the triangle nearest to it, whose field is constant.
        """
        slope = self.basis.interpolate(self.potential @ feed).grad[:, :, 0]
        tree = cKDTree(self.mesh.p[:, self.mesh.t].mean(axis=1).T)
        found = []
        for start, stop in np.asarray(cuts, dtype=float):
            step = stop - start
            points = start + (np.arange(60)[:, None] + 0.5) / 60 * step
            square = np.array([-step[1], step[0]]) / np.hypot(*step)
            found.append(abs((square @ slope[:, tree.query(points)[1]]).mean()))
        return np.array(found)


def impedance(outlines, layers, joints, step_mm=0.3):
    """Potential of each joint for 1 A into each other one, in squares of one layer, shape (m, m)."""
    return Sheet(outlines, layers, joints, step_mm).impedance
