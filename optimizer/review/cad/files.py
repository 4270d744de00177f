"""Printed parts as files: binary STL of each, and all of them in one 3MF with names and units."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING
from xml.sax.saxutils import quoteattr

import numpy as np
import numpy.typing as npt

from optimizer.base.files import write_bytes
from optimizer.review.cad.bodies import PrintedPart, case_parts

if TYPE_CHECKING:
    from optimizer.design.model import Design

# One moment for all files, so that the same design gives the same bytes.
EPOCH = (1980, 1, 1, 0, 0, 0)
# Between parts on the plate of the 3MF [mm].
APART_MM = 10.0


def _stl_bytes(triangles: npt.NDArray[np.float32]) -> bytes:
    """Triangles as a binary STL file: 80 bytes of text, their number, then normal and corners of each.

    References
    ----------
    The binary form of the stereolithography interface specification (1989), little-endian.
    """
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    record = np.zeros(len(triangles), dtype=[("v", "<f4", (4, 3)), ("attribute", "<u2")])
    record["v"][:, 0] = normal / np.where(length > 0, length, 1.0)
    record["v"][:, 1:] = triangles
    count = np.array([len(triangles)], dtype="<u4").tobytes()
    return b"cellstow, millimetres".ljust(80, b" ") + count + record.tobytes()


def _three_mf_bytes(parts: Sequence[PrintedPart]) -> bytes:
    """Each distinct part once as a named object in millimetres, side by side on the plate.

    References
    ----------
    3MF core specification 1.3 (3MF Consortium): a package of [Content_Types].xml, _rels/.rels and a model.
    """
    objects, items, left = [], [], 0.0
    for number, part in enumerate(parts, start=1):
        mesh = part.printed.to_mesh()
        corners = np.asarray(mesh.vert_properties, dtype=float)[:, :3]
        sides = np.asarray(mesh.tri_verts, dtype=np.int64)
        vertices = "".join(f'<vertex x="{x:.6g}" y="{y:.6g}" z="{z:.6g}"/>' for x, y, z in corners)
        triangles = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in sides)
        name = quoteattr(title_of(part))
        objects.append(
            f'<object id="{number}" type="model" name={name} partnumber={name}><mesh><vertices>{vertices}</vertices>'
            f"<triangles>{triangles}</triangles></mesh></object>"
        )
        items.append(f'<item objectid="{number}" transform="1 0 0 0 1 0 0 0 1 {left:.6g} 0 0"/>')
        left += float(corners[:, 0].max()) + APART_MM
    model = (
        '<?xml version="1.0" encoding="UTF-8"?>\n<model unit="millimeter" xml:lang="en-US" '
        'xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02">'
        f"<resources>{''.join(objects)}</resources><build>{''.join(items)}</build></model>"
    )
    types = (
        '<?xml version="1.0" encoding="UTF-8"?>\n<Types xmlns="http://schemas.openxmlformats.org/package/2006/'
        'content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships'
        '+xml"/><Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>'
        "</Types>"
    )
    rels = (
        '<?xml version="1.0" encoding="UTF-8"?>\n<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/'
        'relationships"><Relationship Target="/3D/3dmodel.model" Id="rel0" Type="http://schemas.microsoft.com/'
        '3dmanufacturing/2013/01/3dmodel"/></Relationships>'
    )
    store = io.BytesIO()
    with zipfile.ZipFile(store, "w", zipfile.ZIP_DEFLATED) as package:
        for name, content in (("[Content_Types].xml", types), ("_rels/.rels", rels), ("3D/3dmodel.model", model)):
            package.writestr(zipfile.ZipInfo(name, EPOCH), content, zipfile.ZIP_DEFLATED)
    return store.getvalue()


def title_of(part: PrintedPart) -> str:
    """Name of a part's file without its ending: "case_deck_layer1_body_x1"."""
    return f"case_{part.name}_x{part.copies}"


def write_cases(folder: Path, design: Design, *, parts: Sequence[PrintedPart] | None = None) -> list[Path]:
    """Write each distinct part as a binary STL in millimetres, and all of them as cases.3mf.

    Parameters
    ----------
    parts : sequence of PrintedPart, optional
        Those of the design, when they are known.

    Returns
    -------
    list of Path
        "…_x2.stl" is to be printed twice.
    """
    made = case_parts(design) if parts is None else parts
    content = {folder / f"{title_of(part)}.stl": _stl_bytes(part.triangles()) for part in made}
    content[folder / "cases.3mf"] = _three_mf_bytes(made)
    for path, data in content.items():
        write_bytes(path, data)
    return list(content)
