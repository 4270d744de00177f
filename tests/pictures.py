"""Makes the README's pictures again from the committed run: python -m tests.pictures (in an installed checkout)."""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

from optimizer.design.runs import read_run
from optimizer.design.unfold import unfold
from optimizer.review.sheets import charts, drawings
from optimizer.search.space.setup import load_space
from optimizer.workflows.shortlist import verdict_of

DEMO = Path("results/demo")
BRIEF = Path("catalogs/briefs/cargo-scooter.toml")


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


def main() -> None:
    """All three."""
    front = read_run(DEMO, brief=BRIEF).front
    charts.front_chart(front, currency="EUR").savefig(DEMO / "front.png", dpi=90)
    picked = verdict_of(read_run(DEMO, brief=BRIEF)).row
    drawings.draw(unfold(load_space(BRIEF), picked)).savefig(DEMO / "layout.png", dpi=80)
    with tempfile.TemporaryDirectory() as name:
        page(Path(name))


if __name__ == "__main__":
    main()
