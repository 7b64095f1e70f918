"""A real browser on pages of a made-up run; skipped with the reason where there is none."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from reports.build import build
from tests.unit.staged_run import write_staged_run

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
DRIVER = shutil.which("chromedriver")
# Nothing of the browser itself may speak to a network while it is watched.
FLAGS = (
    "--headless=new --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync --disable-dev-shm-usage --disable-extensions"
)


@pytest.fixture(scope="session")
def published(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a folder of pages that was moved after it was written."""
    made = tmp_path_factory.mktemp("made") / "run"
    build(write_staged_run(tmp_path_factory.mktemp("staged"), sites=40), made, "20260531-made-up")
    return made.rename(tmp_path_factory.mktemp("moved") / "elsewhere & süd")


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """Give a headless Chromium that keeps its console and network logs."""
    if CHROMIUM is None or DRIVER is None:
        pytest.skip("no Chromium with chromedriver on this machine: the pages were not looked at")
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for flag in FLAGS.split():
        options.add_argument(flag)
    options.add_argument(f"--user-data-dir={tmp_path_factory.mktemp('profile')}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(DRIVER))
    driver.set_page_load_timeout(60)
    yield driver
    driver.quit()
