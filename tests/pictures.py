"""Makes the README's pictures again from the committed run: python -m tests.pictures (in an installed checkout)."""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from playwright.sync_api import sync_playwright

from optimizer.design.runs import read_run
from optimizer.design.unfold import unfold
from optimizer.review.sheets import charts, drawings
from optimizer.review.sheets import style as look
from optimizer.review.sheets.vehicle import draw_vehicle
from optimizer.review.words import axis_label
from optimizer.search.space.setup import load_space
from optimizer.workflows.new import EXAMPLES
from optimizer.workflows.shortlist import verdict_of

DEMO = Path("results/demo")
GALLERY = Path("results/gallery")
BRIEF = Path("catalogs/briefs/cargo-scooter.toml")


# From deep blue to straw: rising lightness, so that it reads in grey and with every colour blindness.
RAMP = LinearSegmentedColormap.from_list("straw", ["#16324f", "#2f6f8f", "#7fae9a", "#d9c67a", "#f5e9b8"])


def mark_sizes(values: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Areas of marks [points²], 14 to 120, proportional to the value above the smallest."""
    v = np.asarray(values, dtype=float)
    spread = float(np.ptp(v)) if len(v) else 0.0
    return 14.0 + 106.0 * (v - v.min()) / spread if spread > 0 else np.full(len(v), 40.0)


def front_chart(
    frame: pd.DataFrame,
    *,
    currency: str = "",
    x: str = "range_km",
    y: str = "peak_power_w",
    size: str = "pack_mass_kg",
    colour: str = "cost",
) -> Figure:
    """The front as dots: two objectives as axes, a third as size, a fourth as colour; cells as shapes."""
    # Large marks first, so that none hides a small one.
    frame = frame.sort_values(size, ascending=False, kind="stable")
    with look.own_look():
        figure, axes = look.chart(width_mm=190.0, height_mm=115.0)
        area, tone = mark_sizes(frame[size]), frame[colour].to_numpy(dtype=float)
        low, high = float(tone.min()), float(tone.max())
        cells = sorted(frame["cell_id"].astype(str).unique())
        drawn: Any = None
        for place, cell in enumerate(cells):
            own = (frame["cell_id"].astype(str) == cell).to_numpy()
            drawn = axes.scatter(
                frame[x].to_numpy()[own], frame[y].to_numpy()[own], s=area[own], c=tone[own], cmap=RAMP,
                vmin=low, vmax=high if high > low else low + 1.0, marker=charts.MARKS[place % len(charts.MARKS)],
                edgecolors=look.INK, linewidths=0.5, label=cell, zorder=3,
            )  # fmt: skip
        axes.set_xlabel(axis_label(x, currency=currency))
        axes.set_ylabel(axis_label(y, currency=currency))
        bar = figure.colorbar(drawn, ax=axes, pad=0.015, aspect=28)
        bar.set_label(axis_label(colour, currency=currency))
        bar.outline.set_linewidth(0.4)
        _keys(figure, axes, frame, size=size, label=axis_label(size, currency=currency))
        axes.set_title(f"Front: {len(frame)} designs that no other beats in everything", loc="left", fontsize=9)
    return figure


def _keys(figure: Figure, axes: Axes, frame: pd.DataFrame, *, size: str, label: str) -> None:
    """Two small keys under the chart: which shape is which cell, and how large how heavy is."""
    style: dict[str, Any] = {"frameon": False, "fontsize": 6.5, "title_fontsize": 7.0, "alignment": "left"}
    handles, names = axes.get_legend_handles_labels()
    first = figure.legend(handles, names, title="cell", loc="outside lower left", ncols=4, **style)
    for handle in first.legend_handles:
        if handle is not None:
            handle.set(array=None, sizes=[28.0], facecolor="#ffffff")
    low, high = float(frame[size].min()), float(frame[size].max())
    if high > low:
        steps = np.array([low, (low + high) / 2, high])
        white: dict[str, Any] = {"c": "#ffffff", "edgecolors": look.INK, "linewidths": 0.5}
        dots = [axes.scatter([], [], s=area, **white) for area in mark_sizes(steps)]
        figure.legend(dots, [f"{s:.3g}" for s in steps], title=label, loc="outside lower right", ncols=3, **style)


def cellstow(*words: object, folder: Path) -> None:
    """One command, quiet, in a folder."""
    home = os.environ | {"PYTHONPATH": str(Path.cwd())}
    subprocess.run([sys.executable, "-m", "optimizer", *map(str, words), "--quiet"], check=True, cwd=folder, env=home)


def page(folder: Path) -> None:
    """The top of the report, as a window of 1440 by 1640 pixels shows it."""
    run = shutil.copytree(DEMO, folder / "demo")
    cellstow("report", "demo", "--brief", BRIEF.resolve(), folder=folder)
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        window = browser.new_page(viewport={"width": 1440, "height": 1640}, device_scale_factor=0.7)
        window.goto((run / "review.html").resolve().as_uri())
        window.wait_for_timeout(2000)
        window.screenshot(path=DEMO / "page.png")
        browser.close()


def gallery(folder: Path) -> None:
    """The pick of each example in its vehicle."""
    for name, (brief, _) in EXAMPLES.items():
        path = BRIEF.with_name(brief)
        cellstow("search", path.resolve(), "--out", name, folder=folder)
        picked = verdict_of(read_run(folder / name)).row
        GALLERY.mkdir(exist_ok=True)
        draw_vehicle(unfold(load_space(path), picked)).savefig(GALLERY / f"{name}.png", dpi=60)


def main() -> None:
    """All of them."""
    front = read_run(DEMO, brief=BRIEF).front
    front_chart(front, currency="EUR").savefig(DEMO / "front.png", dpi=90)
    picked = verdict_of(read_run(DEMO, brief=BRIEF)).row
    drawings.draw(unfold(load_space(BRIEF), picked)).savefig(DEMO / "layout.png", dpi=80)
    with tempfile.TemporaryDirectory() as name:
        page(Path(name))
        gallery(Path(name))


if __name__ == "__main__":
    main()
