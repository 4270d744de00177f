"""The report in a real browser: charts answer, the table sorts, filters filter, print loses nothing.

Needs Chromium (Debian package chromium) and the Python package playwright; no browser of its own.
"""

import json
import shutil
from pathlib import Path

import pytest

sync_api = pytest.importorskip("playwright.sync_api", reason="the Python package playwright is not installed")
pytest.importorskip("bokeh", reason="the report's charts come from bokeh")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine; CI installs Debian's chromium"),
]

from optimizer.review.page.page import write_page  # noqa: E402

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="module")
def report(design, make, tmp_path_factory):
    path = tmp_path_factory.mktemp("report") / "review.html"
    write_page(path, front=make.make_front(), run=make.make_run(), designs=[design], units={"cost": "EUR"})
    return path


@pytest.fixture(scope="module")
def browser():
    with sync_api.sync_playwright() as playwright:
        engine = playwright.chromium.launch(executable_path=CHROMIUM, headless=True, args=FLAGS)
        yield engine
        engine.close()


@pytest.fixture
def page(browser, report):
    tab = browser.new_page(viewport={"width": 1280, "height": 900})
    tab.set_default_timeout(15_000)
    tab.faults, tab.asked = [], []
    tab.on("console", lambda m: tab.faults.append(m.text) if m.type in ("error", "warning") else None)
    tab.on("pageerror", lambda e: tab.faults.append(str(e)))
    tab.on("request", lambda r: tab.asked.append(r.url))
    tab.goto(Path(report).as_uri())
    tab.wait_for_function("document.documentElement.dataset.ready === 'yes'")
    yield tab
    assert tab.faults == []
    assert [url for url in tab.asked if not url.startswith(("file:", "data:", "blob:"))] == []
    tab.close()


def state(page):
    return page.evaluate("window.cellstow.state()")


def test_opens_without_an_error_and_shows_all(page, front):
    assert state(page)["points"] == len(front)
    assert "60 of 60 designs shown" in page.inner_text("#shown")


def test_filters_reach_chart_and_table(page, front):
    page.uncheck("input[data-cell='demo-a']")
    rest = int((front["cell_id"] != "demo-a").sum())
    assert state(page)["visible"] == state(page)["points"] == rest
    assert page.locator("#front-table tbody tr:visible").count() == rest
    page.fill("input[data-limit='range_km']", "40")
    both = int(((front["cell_id"] != "demo-a") & (front["range_km"] >= 40)).sum())
    assert state(page)["visible"] == both
    page.click("#reset")
    assert state(page)["visible"] == len(front)


def test_axes_can_be_chosen(page):
    page.select_option("#axis-x", "cost")
    assert state(page)["axes"]["x"] == "cost"
    assert state(page)["label"] == "cost [EUR]"


def test_table_sorts_by_keyboard_both_ways(page, front):
    button = page.locator("th[data-column='range_km'] button")
    button.focus()
    page.keyboard.press("Enter")
    first = page.locator("#front-table tbody tr").first.get_attribute("data-id")
    assert first == front.loc[front["range_km"].idxmin(), "design_id"]
    assert page.locator("th[data-column='range_km']").get_attribute("aria-sort") == "ascending"
    page.keyboard.press("Enter")
    first = page.locator("#front-table tbody tr").first.get_attribute("data-id")
    assert first == front.loc[front["range_km"].idxmax(), "design_id"]
    assert page.locator("[aria-sort]").count() == 1


def test_pinning_from_the_table_puts_designs_side_by_side(page, front):
    for place in (0, 7):
        page.locator("#front-table tbody tr button").nth(place).click()
    assert state(page)["pinned"] == [front["design_id"][0], front["design_id"][7]]
    assert page.locator("#pins thead th").count() == 3
    assert f"{front['range_km'][7]:.1f}" in page.inner_text("#pins")
    page.get_by_label(f"unpin {front['design_id'][0]}").click()
    assert state(page)["pinned"] == [front["design_id"][7]]


def spot_of(page, place):
    """Where a mark of the chart lies on the screen."""
    page.evaluate("document.getElementById('scatter').scrollIntoView({ behavior: 'instant' })")
    page.wait_for_timeout(300)
    return page.evaluate(
        """(place) => {
            const { view, source } = window.cellstow.chart();
            const box = view.el.getBoundingClientRect();
            const { x_scale, y_scale } = view.frame;
            const [x, y] = [x_scale.compute(source.data.x[place]), y_scale.compute(source.data.y[place])];
            return { x: box.x + x, y: box.y + y, id: source.data.id[place] };
        }""",
        place,
    )


def test_a_click_on_a_mark_pins_it(page, front):
    spot = spot_of(page, 0)
    page.mouse.click(spot["x"], spot["y"])
    page.wait_for_function("window.cellstow.state().pinned.length === 1")
    assert state(page)["pinned"] == [spot["id"]]


def test_hover_tells_of_a_design(page):
    spot = spot_of(page, 5)
    page.mouse.move(spot["x"] - 3, spot["y"] - 3)
    page.mouse.move(spot["x"], spot["y"], steps=4)
    page.wait_for_function(
        "(id) => [...document.querySelectorAll('.bk-Tooltip')].some((t) => t.shadowRoot.textContent.includes(id))",
        arg=spot["id"],
    )


def test_everything_is_reached_by_keyboard(page):
    names = page.evaluate(
        "[...document.querySelectorAll('a, button, select, input, summary')]"
        ".filter((e) => e.closest('#scatter, #parallel') === null && e.tabIndex < 0).map((e) => e.outerHTML)"
    )
    assert names == []
    assert page.evaluate("[...document.querySelectorAll('select, input')].every((e) => e.labels.length === 1)")


def test_a_drawing_is_made_larger_and_printed_whole(page):
    figure, button = page.locator("figure.drawing").first, page.locator("button.larger").first
    before = figure.locator("svg").bounding_box()["width"]
    button.press("Enter")
    assert button.get_attribute("aria-pressed") == "true"
    assert figure.locator("svg").bounding_box()["width"] > 1.5 * before
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), "not the page scrolls"
    page.emulate_media(media="print")
    assert figure.locator("svg").bounding_box()["width"] <= page.evaluate("window.innerWidth")
    page.emulate_media(media="screen")
    button.press("Enter")
    assert figure.locator("svg").bounding_box()["width"] == before


def test_print_shows_all_rows_and_opens_what_is_folded(page, front, tmp_path):
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    page.emulate_media(media="print")
    assert page.evaluate("[...document.querySelectorAll('details')].every((d) => d.open)")
    assert page.locator("#front-table tbody tr:visible").count() == len(front)
    assert page.locator("canvas.paper:visible").count() == 2
    page.pdf(path=tmp_path / "r.pdf", prefer_css_page_size=True)
    assert (tmp_path / "r.pdf").read_bytes().startswith(b"%PDF")
    # Nothing reaches past the right edge of the paper.
    width = page.evaluate("document.querySelector('#front-table').clientWidth")
    assert page.evaluate("document.querySelector('#front-table').scrollWidth") <= width + 1


def test_names_from_a_catalog_run_no_script(browser, make, tmp_path):
    nasty = "</script><script>window.hit=1</script><img src=x onerror='window.hit=1'>"
    front = make.make_front()
    front.loc[0, ["design_id", "cell_id"]] = [nasty, nasty]
    run = make.make_run() | {"title": nasty, "rejected": {nasty: 1}}
    write_page(tmp_path / "n.html", front=front, run=run, designs=[], units={"cost": nasty})
    tab = browser.new_page()
    tab.goto((tmp_path / "n.html").as_uri())
    tab.wait_for_function("document.documentElement.dataset.ready === 'yes'")
    tab.locator("#front-table tbody tr button").first.click()
    assert tab.evaluate("window.hit") is None
    assert json.dumps(nasty)[1:8] in json.dumps(tab.inner_text("#pins"))
    tab.close()
