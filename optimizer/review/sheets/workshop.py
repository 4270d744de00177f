"""The folder a builder takes to the workshop: drawings, cut list, harness, bill, case files, build sheet."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.base.files import write_csv, write_text
from optimizer.base.problems import BadInput, Problem
from optimizer.review.sheets import charts, drawings
from optimizer.review.sheets import style as look
from optimizer.review.sheets.buildsheet import build_markdown
from optimizer.review.sheets.dxf import write_dxf
from optimizer.review.sheets.plate_dxf import write_plates

if TYPE_CHECKING:
    import pandas as pd

    from optimizer.design.model import Design
    from optimizer.review.cad.bodies import PrintedPart
    from optimizer.review.cad.laid import Laid


def bill_with_totals(bill: pd.DataFrame) -> pd.DataFrame:
    """The bill with a last line "total": sums of mass and cost, which have no unit price."""
    import pandas as pd

    last = {"item": "total", "part": "", "quantity": None, "unit": "", "unit_price": None}
    sums = {"mass_g": float(bill["mass_g"].sum()), "cost": float(bill["cost"].sum())}
    return pd.concat([bill, pd.DataFrame([last | sums])], ignore_index=True)


def need_step() -> None:
    """Refuse to go on without the optional extra for STEP.

    Raises
    ------
    BadInput
        Code "missing-extra".
    """
    from importlib.util import find_spec

    if find_spec("OCP") is None:
        text = "needs the optional extra: pip install 'cellstow[step]'"
        raise BadInput([Problem("missing-extra", "--step", expected=text)])


def write_design(
    folder: Path, design: Design, *, cases: bool | None = None, step: bool = False, dpi: int = 110
) -> list[Path]:
    """Write everything for the workshop, each file whole or not at all.

    layout.svg and layout.png (all compartments), layout.dxf, plates_….dxf for each face, vehicle.svg, harness.svg and
    harness.png, ride.svg, plates.csv, harness.csv, bill.csv, build.md, case_….stl for every printed part, cases.3mf
    with all of them, and pack.glb. design.json is the scorer's business.

    Parameters
    ----------
    folder : Path
        Made when missing; files of these names are replaced, others left alone.
    cases : bool or None
        Whether to write the printed cases and pack.glb; None goes on without cases where one does not come out.
    step : bool
        Whether to write pack.step, an assembly for CAD.
    dpi : int
        Pixels per inch of the PNG.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    ValueError
        If cases are asked for and one does not come out as a closed solid; where they were not asked for,
        case_none.txt tells of it.
    """
    parts, fault = ([], "") if cases is False else _parts(design, strict=cases is True)
    sheet = drawings.draw(design)
    written = [folder / name for name in ("layout.svg", "layout.png", "layout.dxf")]
    look.save(sheet, written[0])
    look.save(sheet, written[1], dpi=dpi)
    write_dxf(written[2], design)
    written += write_plates(folder, design)
    if design.rooms:
        from optimizer.review.sheets.vehicle import draw_vehicle

        written.append(folder / "vehicle.svg")
        look.save(draw_vehicle(design), written[-1])
    if len(design.harness):
        from optimizer.review.sheets.harness import draw_harness

        written += [folder / f"harness.{kind}" for kind in ("svg", "png")]
        for path in written[-2:]:
            look.save(draw_harness(design), path, dpi=dpi)
    if len(design.ride) > 1:
        written.append(folder / "ride.svg")
        look.save(charts.ride_plot(design), written[-1])
    tables = {"plates": design.plates, "harness": design.harness, "bill": bill_with_totals(design.bill)}
    for name, table in tables.items():
        written.append(folder / f"{name}.csv")
        write_csv(written[-1], table)
    wires, room = ([], ()) if cases is False else _wires(design)
    written.append(folder / "build.md")
    write_text(written[-1], build_markdown(design, parts=parts, room=room))
    if fault:
        # A case that does not print must not cost the builder the rest of the folder.
        written.append(folder / "case_none.txt")
        write_text(written[-1], f"No printable case was made: {fault}\n")
    if cases is not False:
        from optimizer.review.cad.files import write_cases
        from optimizer.review.cad.laid import all_things
        from optimizer.review.cad.model import write_glb

        written += write_cases(folder, design, parts=parts) if parts else []
        written.append(folder / "pack.glb")
        found = all_things(design, parts, wires)
        write_glb(written[-1], found)
        if step:
            from optimizer.review.cad.step import write_step

            written.append(folder / "pack.step")
            write_step(written[-1], found)
    return written


def _wires(design: Design) -> tuple[list[Laid], tuple[str, ...]]:
    """The wires of a design as bodies, and which of them have room."""
    from optimizer.review.cad.laid import laid_wires, room_words

    wires = laid_wires(design)
    return wires, room_words(wires)


def _parts(design: Design, *, strict: bool) -> tuple[list[PrintedPart], str]:
    """Printed parts of a design, or what keeps them from being made."""
    from optimizer.review.cad.bodies import case_parts

    try:
        return case_parts(design), ""
    except ValueError as fault:
        if strict:
            raise
        return [], str(fault)
