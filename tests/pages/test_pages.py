"""The pages in a real browser: charts drawn, nothing fetched, no overflow, tables sorted and filtered."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

import pytest

pytest.importorskip("selenium", reason="selenium is not installed (it comes with the extra `pages`)")
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

from reports.questions import question_page_name
from tests.unit.staged_questions import BREAKS, DISTRICTS, SLOPE

QUESTIONS = tuple(question_page_name(name) for name in (DISTRICTS, SLOPE, BREAKS))
PAGES = (
    "index.html", "classes.html", "trust.html", "measure.html", "readings.html", "method.html",
    "questions.html", "ground.html", "sites/N-001.html", "sites/N-012.html", *QUESTIONS,
)  # fmt: skip
WIDTHS = (390, 1366)
DRAWN_SECONDS = 30
MARKS = "svg .mark-symbol path, svg .mark-line path, svg .mark-area path"


def visit(browser: Any, page: Path, width: int = 1366) -> None:
    """Open `page` from the disk at `width` and wait until its charts are drawn."""
    for log in ("browser", "performance"):
        browser.get_log(log)
    size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    browser.get(page.as_uri())
    done = "return document.documentElement.dataset.charts === 'done'"
    WebDriverWait(browser, DRAWN_SECONDS).until(lambda driver: driver.execute_script(done))


def requested(browser: Any) -> list[str]:
    """Give the addresses that the last page asked for."""
    events = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    return [e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"]


@pytest.mark.parametrize("name", PAGES)
def test_a_page_draws_its_charts_and_asks_for_nothing_outside(
    browser: Any, published: Path, name: str
) -> None:
    visit(browser, published / name)
    wrong = [entry for entry in browser.get_log("browser") if entry["level"] in ("SEVERE", "WARNING")]
    assert not wrong
    addresses = requested(browser)
    assert any(address.endswith("/charts.js") for address in addresses)
    for address in addresses:
        parts = urlsplit(address)
        if parts.scheme != "data":
            assert parts.scheme == "file", address
            assert Path(unquote(parts.path)).is_relative_to(published), address
    figures = browser.find_elements(By.CSS_SELECTOR, "figure[data-template]")
    for figure in figures:
        assert figure.get_attribute("data-drawn") == "yes"
        # A question of two rates has two points and their intervals, which are rules.
        few = ", svg .mark-rule line" if name in QUESTIONS else ""
        assert len(figure.find_elements(By.CSS_SELECTOR, MARKS + few)) > 2
        assert figure.find_element(By.TAG_NAME, "svg").size["height"] > 100
    assert bool(figures) == (name not in ("measure.html", "readings.html", "method.html", "questions.html"))


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", PAGES)
def test_a_page_never_scrolls_sideways(browser: Any, published: Path, name: str, width: int) -> None:
    visit(browser, published / name, width)
    outer, inner, scrolled = browser.execute_script(
        "const e = document.documentElement; return [window.innerWidth, e.clientWidth, e.scrollWidth]"
    )
    assert outer == width
    # What is missing from the window is its own scroll bar.
    assert width - 20 < inner <= width
    assert scrolled <= inner
    # Wide tables scroll inside their own box, and the box stays inside the page.
    boxes = browser.execute_script(
        "return [...document.querySelectorAll('.scroll')].map(b => b.getBoundingClientRect().right)"
    )
    assert all(right <= inner + 0.5 for right in boxes)


def test_no_name_of_the_data_runs(browser: Any, published: Path) -> None:
    visit(browser, published / "index.html")
    assert browser.execute_script("return document.querySelectorAll('main img').length") == 0
    assert browser.find_elements(By.LINK_TEXT, "<script>alert(1)</script>")


def column(browser: Any, number: int) -> list[str]:
    """Give a column's texts of the full table, as shown, top to bottom."""
    script = (
        "return [...document.querySelectorAll('#all-sites tbody tr')].filter(r => !r.hidden)"
        f".map(r => r.cells[{number}].textContent.trim())"
    )
    return list(browser.execute_script(script))


def press(browser: Any, header: str) -> None:
    """Press a header's button of the full table."""
    for button in browser.find_elements(By.CSS_SELECTOR, "#all-sites th button"):
        if button.text.strip(" ▲▼") == header:
            browser.execute_script("arguments[0].click()", button)
            return
    raise AssertionError(f"no header {header}")


def test_the_full_table_sorts_numbers_as_numbers_and_both_ways(browser: Any, published: Path) -> None:
    visit(browser, published / "index.html")
    assert column(browser, 0) == [str(n) for n in range(1, 41)]
    press(browser, "Benefit")
    benefits = [float(text.replace(",", "")) for text in column(browser, 5)]
    assert benefits == sorted(benefits)
    assert benefits[0] < 9999 < benefits[-1]
    press(browser, "Benefit")
    assert column(browser, 0)[0] == "1"
    pressed = browser.find_element(By.CSS_SELECTOR, "#all-sites th[aria-sort]")
    assert pressed.get_attribute("aria-sort") == "descending"
    press(browser, "Site")
    names = column(browser, 2)
    assert names.index("Alder Weir") < names.index("Brass Mill") < names.index("Invented Rise 13")


def test_the_full_table_is_filtered_by_what_is_typed(browser: Any, published: Path) -> None:
    visit(browser, published / "index.html")
    field = browser.find_element(By.CSS_SELECTOR, ".filter input")
    field.send_keys("müllerhöhe")
    assert column(browser, 2) == ["Müllerhöhe Süd"]
    browser.execute_script("arguments[0].value = ''; arguments[0].dispatchEvent(new Event('input'))", field)
    assert len(column(browser, 2)) == 40


def test_a_site_can_be_reached_from_the_ranking_and_back(browser: Any, published: Path) -> None:
    visit(browser, published / "index.html")
    link = browser.find_element(By.CSS_SELECTOR, "table.ranking tbody a")
    browser.execute_script("arguments[0].click()", link)
    WebDriverWait(browser, DRAWN_SECONDS).until(lambda driver: "/sites/" in driver.current_url)
    assert "Alder Weir" in browser.find_element(By.TAG_NAME, "h1").text
    back = browser.find_element(By.LINK_TEXT, "All sites")
    browser.execute_script("arguments[0].click()", back)
    WebDriverWait(browser, DRAWN_SECONDS).until(lambda driver: "index.html" in driver.current_url)


def test_the_tables_stand_without_script(browser: Any, published: Path) -> None:
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        browser.get((published / "index.html").as_uri())
        assert len(browser.find_elements(By.CSS_SELECTOR, "#all-sites tbody tr")) == 40
        assert not browser.find_elements(By.CSS_SELECTOR, "#all-sites th button")
        caption = browser.find_element(By.CSS_SELECTOR, "figure figcaption")
        assert "mapped sites" in caption.text
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


def test_a_point_of_the_map_leads_to_its_site(browser: Any, published: Path) -> None:
    visit(browser, published / "index.html")
    point = browser.find_element(By.CSS_SELECTOR, "figure[data-template=map] svg .mark-symbol path")
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", point)
    ActionChains(browser).move_to_element(point).click().perform()
    WebDriverWait(browser, DRAWN_SECONDS).until(lambda driver: "/sites/" in driver.current_url)
    assert Path(unquote(urlsplit(browser.current_url).path)).is_relative_to(published)
