"""One run's staged tables to its pages, its workbook and the copies that people open."""

from __future__ import annotations

import re
from functools import cache
from importlib.resources import files
from pathlib import Path

from reports.books import method_page, readings_page
from reports.classes import class_pages
from reports.ground import ground_page
from reports.measure import measure_page
from reports.numbers import fleet_page
from reports.pages import Renderer
from reports.questions import question_pages, questions_page
from reports.run_facts import run_facts
from reports.site_numbers import site_pages
from reports.staged import Staged, read_staged
from reports.trust import trust_page
from reports.workbook import write_copies, write_workbook

OWN_ASSETS = ("page.js", "style.css")


def build(staged: Path, out: Path, assets_prefix: str) -> list[Path]:
    """Write the pages of the run in `staged` into `out` and give the paths written.

    `assets_prefix` (the run id) goes into the asset folder's name. Every link is relative, nothing is
    loaded from a network. Raises FileNotFoundError where `staged` holds no run.json.
    """
    tables = read_staged(staged)
    assets = "assets-" + re.sub(r"[^A-Za-z0-9_-]+", "-", assets_prefix)
    written = write_assets(out / assets)
    written += write_pages(tables, out, assets)
    written.append(write_workbook(tables, out / "rodfleet.xlsx"))
    return written + write_copies(staged, out)


def write_assets(folder: Path) -> list[Path]:
    """Write what all pages share: the chart bundle, the page script and the style sheet."""
    folder.mkdir(parents=True, exist_ok=True)
    templates = files("reports") / "templates"
    texts = {name: (templates / name).read_text(encoding="utf-8") for name in OWN_ASSETS}
    texts["charts.js"] = _chart_bundle()
    return [_write(folder / name, text) for name, text in texts.items()]


@cache
def _chart_bundle() -> str:
    """Give the script that draws the charts; bundling it takes a second or more."""
    import vl_convert

    return vl_convert.javascript_bundle("window.vegaEmbed = vegaEmbed;")


def write_pages(tables: Staged, out: Path, assets: str) -> list[Path]:
    """Write the fleet's pages and one page per site."""
    run = run_facts(tables.run)
    renderer = Renderer(run, assets, class_pages(tables))
    measure = measure_page(tables)
    written = [
        _write(out / "index.html", renderer.index(fleet_page(tables))),
        _write(out / "classes.html", renderer.classes()),
        _write(out / "trust.html", renderer.trust(trust_page(tables), measure)),
        _write(out / "measure.html", renderer.measure(measure)),
        _write(out / "readings.html", renderer.readings(readings_page(tables))),
        _write(out / "method.html", renderer.method(method_page(tables))),
    ]
    written += [
        _write(out / "questions.html", renderer.questions(questions_page(tables))),
        _write(out / "ground.html", renderer.ground(ground_page(tables))),
    ]
    written += [_write(out / page.page, renderer.question(page)) for page in question_pages(tables)]
    sites = site_pages(tables, run.currency)
    return written + [_write(out / page.page, renderer.site(page)) for page in sites]


def _write(path: Path, text: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8", newline="\n")
    return path
