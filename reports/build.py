"""One run's staged tables to its pages, its workbook and the copies that people open."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path

from reports.classes import class_pages
from reports.numbers import fleet_page, run_facts
from reports.pages import Renderer
from reports.staged import Staged, read_staged

OWN_ASSETS = ("page.js", "style.css")


def build(staged: Path, out: Path, assets_prefix: str) -> list[Path]:
    """Write the pages of the run in `staged` into `out` and give the paths written.

    `assets_prefix` (the run id) goes into the asset folder's name. Every link is relative, nothing is loaded from
    a network. Raises FileNotFoundError where `staged` holds no run.json.
    """
    tables = read_staged(staged)
    assets = "assets-" + re.sub(r"[^A-Za-z0-9_-]+", "-", assets_prefix)
    written = write_assets(out / assets)
    written += write_pages(tables, out, assets)
    return written


def write_assets(folder: Path) -> list[Path]:
    """Write what all pages share: the chart bundle, the page script and the style sheet."""
    import vl_convert

    folder.mkdir(parents=True, exist_ok=True)
    texts = {"charts.js": vl_convert.javascript_bundle()}
    texts |= {
        name: (files("reports") / "templates" / name).read_text(encoding="utf-8") for name in OWN_ASSETS
    }
    return [_write(folder / name, text) for name, text in texts.items()]


def write_pages(tables: Staged, out: Path, assets: str) -> list[Path]:
    """Write the fleet's pages and one page per site."""
    run = run_facts(tables.run)
    classes = class_pages(tables, run.threshold_ratio)
    renderer = Renderer(run, assets, classes)
    return [_write(out / "index.html", renderer.index(fleet_page(tables)))]


def _write(path: Path, text: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8", newline="\n")
    return path
