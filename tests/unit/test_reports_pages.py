"""The pages as files: structure, escaping, links, nothing loaded from elsewhere, the same bytes again."""

import itertools
import json
import re
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

import polars as pl
import pytest

from reports.build import build
from reports.words import site_page
from tests.unit.staged_run import SITE_NAMES, write_staged_run

LOADING = ("src", "href", "srcset", "data", "action", "poster", "xlink:href")
# A page of nine wells, forty readings each: it must open at once on a phone in the yard.
MOST_SITE_BYTES = 150_000
VOID = {"meta", "link", "br", "img", "input", "hr"}


class Page(HTMLParser):
    """Collects what the tests ask of a page: elements, ids, links, texts by element."""

    def __init__(self, path: Path) -> None:
        super().__init__(convert_charrefs=True)
        self.path, self.tags, self.ids, self.links, self.scripts, self.texts = path, [], [], [], [], []
        self.labels: list[str | None] = []
        self._open: list[str] = []
        self.feed(path.read_text(encoding="utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.tags.append((tag, given))
        self.ids += [given["id"]] if given.get("id") else []
        self.links += [given[name] or "" for name in LOADING if name in given]
        if tag not in VOID:
            self._open.append(tag)
        if tag == "script":
            self.scripts.append((given, []))

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if self._open and self._open[-1] == "script":
            self.scripts[-1][1].append(data)
        else:
            self.texts.append(data)

    def named(self, tag: str) -> list[dict[str, str | None]]:
        return [given for name, given in self.tags if name == tag]

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.texts).split())


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("published")
    written = build(write_staged_run(tmp_path_factory.mktemp("staged")), folder, "20260531-made-up")
    assert all(path.is_file() for path in written)
    assert {p for p in folder.rglob("*") if p.is_file()} == set(written)
    return folder


@pytest.fixture(scope="module")
def pages(out: Path) -> dict[str, Page]:
    return {str(path.relative_to(out)): Page(path) for path in sorted(out.rglob("*.html"))}


def test_there_is_a_page_for_every_site_and_the_four_of_the_fleet(pages: dict[str, Page]) -> None:
    assert {"index.html", "classes.html", "readings.html", "method.html"} < set(pages)
    assert sum(name.startswith("sites/") for name in pages) == 12


def test_every_link_leads_somewhere_inside(pages: dict[str, Page], out: Path) -> None:
    checked = 0
    for page in pages.values():
        for link in page.links:
            parts = urlsplit(link)
            if parts.scheme == "data":
                assert link == "data:,"
                continue
            assert not parts.scheme
            assert not parts.netloc
            target = (page.path.parent / unquote(parts.path)).resolve() if parts.path else page.path
            assert target.is_file(), (page.path.name, link)
            assert target.is_relative_to(out.resolve())
            if parts.fragment:
                assert parts.fragment in Page(target).ids, (page.path.name, link)
            checked += 1
    assert checked > 150


def test_nothing_is_loaded_from_a_network(out: Path) -> None:
    for path in [*out.rglob("*.html"), *out.rglob("*.css"), *out.rglob("page.js")]:
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"https?://", text), path.name
        assert not re.search(r"@import|url\(", text), path.name


def test_chart_templates_name_no_address(pages: dict[str, Page]) -> None:
    seen = 0
    for page in pages.values():
        for given, parts in page.scripts:
            if given.get("type") == "application/json":
                assert '"url"' not in "".join(parts)
                assert isinstance(json.loads("".join(parts)), dict)
                seen += 1
    assert seen > 50


def test_hostile_names_are_text_and_nothing_else(pages: dict[str, Page]) -> None:
    index = pages["index.html"]
    for name in SITE_NAMES:
        assert " ".join(name.split()) in index.text
    for page in pages.values():
        assert not page.named("img")
        assert not page.named("i")
        assert not any(attribute.startswith("on") for _, given in page.tags for attribute in given)
        for given, parts in page.scripts:
            # Only the two shared files run; all the other scripts are data.
            assert given.get("type") == "application/json" or given.get("src")
            assert "src" not in given or not "".join(parts).strip()
    assert '{"note": "<script>alert(3)</script>"}' in pages["readings.html"].text


def test_each_page_can_be_read_without_seeing_it(pages: dict[str, Page]) -> None:
    for name, page in pages.items():
        assert page.named("html")[0]["lang"] == "en"
        assert [tag for tag, _ in page.tags].count("h1") == 1
        levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch(r"h[1-6]", tag)]
        assert levels[0] == 1
        assert all(after - before <= 1 for before, after in itertools.pairwise(levels)), name
        assert len(page.named("table")) == len(page.named("caption"))
        assert len(page.ids) == len(set(page.ids))
        plots = [given for given in page.named("div") if given.get("class") == "plot"]
        assert len(plots) == len(page.named("figure"))
        assert all(given["role"] == "img" and given["aria-label"] for given in plots)
        assert all(given.get("scope") for given in page.named("th"))


def test_every_page_carries_the_cautions(pages: dict[str, Page]) -> None:
    for page in pages.values():
        assert "Resistance is not safety" in page.text
        assert "touch or step voltage" in page.text
        assert "keep people away and call licensed staff" in page.text
        assert "Never open an earthing conductor in service" in page.text


def test_every_figure_finds_its_template_and_its_data(pages: dict[str, Page]) -> None:
    for page in pages.values():
        for given in page.named("figure"):
            assert f"template-{given['data-template']}" in page.ids
        data = [parts for given, parts in page.scripts if given.get("class") == "data"]
        assert len(data) == len(page.named("figure"))
    assert len(pages["index.html"].named("figure")) == 7
    assert len(pages["sites/N-001.html"].named("figure")) == 3


def test_the_answer_comes_first(pages: dict[str, Page]) -> None:
    text = pages["index.html"].text
    order = [
        text.index(said)
        for said in (
            "Spend first at Alder Weir",
            "Places 1 to 4 are a tie",
            "Danger to people",
            "Ranking:",
            "The plan",
        )
    ]
    assert order == sorted(order)
    tied = [given for given in pages["index.html"].named("tr") if given.get("class") == "tied"]
    assert len(tied) == 4


def test_small_chances_and_endless_ages_are_said_in_words(pages: dict[str, Page]) -> None:
    assert "not within 200 years" in pages["sites/N-012.html"].text
    for page in pages.values():
        assert not re.search(r"(?<![\d.,-])(0|100)\u00a0%", page.text)
        assert not re.search(r"\b(nan|inf|None)\b", page.text)


def test_failed_checks_and_empty_tables_show(tmp_path: Path) -> None:
    staged = write_staged_run(tmp_path / "staged")
    for name in ("survival_curves", "survival_models", "hypotheses", "plan", "attend_first", "refused_rows"):
        (staged / f"{name}.parquet").unlink()
    run = json.loads((staged / "run.json").read_text(encoding="utf-8"))
    run["checks"].append({"name": "books_balance", "passed": False, "rows": 2})
    (staged / "run.json").write_text(json.dumps(run), encoding="utf-8")
    build(staged, tmp_path / "out", "r")
    text = Page(tmp_path / "out" / "index.html").text
    assert "Checks of this run failed: books_balance" in text
    assert "No finding of danger to people stands in this run" in text
    assert "The plan holds no work" in text


def test_a_shift_to_ask_about_stands_on_its_sites_page_alone(tmp_path: Path) -> None:
    staged = write_staged_run(tmp_path / "staged")
    run = json.loads((staged / "run.json").read_text(encoding="utf-8"))
    site_id, other = pl.read_parquet(staged / "sites.parquet")["site_id"].sort()[:2]
    told = "All wells of it moved by +40 % for good <b>: ask what was changed."
    run |= {"lasting_shifts": [{"site_id": site_id, "sentence": told}]}
    run |= {"calibrated": {"name": "c4", "anew": False, "why": "fitted 3 days before, and it still holds"}}
    (staged / "run.json").write_text(json.dumps(run), encoding="utf-8")
    build(staged, tmp_path / "out", "r")
    assert f"To find out: {told}" in Page(tmp_path / "out" / site_page(site_id)).text
    assert "To find out:" not in Page(tmp_path / "out" / site_page(other)).text
    by = "c4, kept: fitted 3 days before, and it still holds"
    assert Page(tmp_path / "out" / "method.html").text.count(by) == 2


def test_what_surveys_say_stands_on_the_classes_page_and_nothing_where_there_is_none(tmp_path: Path) -> None:
    staged = write_staged_run(tmp_path / "staged")
    build(staged, tmp_path / "without", "r")
    run = json.loads((staged / "run.json").read_text(encoding="utf-8"))
    told = "At a site of a pH 0.4 above what is usual, the site effect is -0.20."
    run |= {"ground": [{"covariate": "ph", "sentence": told}]}
    (staged / "run.json").write_text(json.dumps(run), encoding="utf-8")
    build(staged, tmp_path / "out", "r")
    heading = "What surveys say of a site within its class"
    text = Page(tmp_path / "out" / "classes.html").text
    assert told in text
    assert heading in text
    assert heading not in Page(tmp_path / "without" / "classes.html").text


def test_a_run_with_nothing_in_it_still_has_its_pages(tmp_path: Path) -> None:
    staged = tmp_path / "staged"
    staged.mkdir()
    (staged / "run.json").write_text("{}", encoding="utf-8")
    written = build(staged, tmp_path / "out", "../../x y")
    assert Page(tmp_path / "out" / "index.html").text.count("This run ranks no site.") == 1
    assert all(path.is_relative_to(tmp_path / "out") and ".." not in path.parts for path in written)


def test_the_same_run_gives_the_same_bytes(out: Path, tmp_path: Path) -> None:
    build(write_staged_run(tmp_path / "staged"), tmp_path / "again", "20260531-made-up")
    for path in out.rglob("*"):
        if path.is_file():
            assert path.read_bytes() == (tmp_path / "again" / path.relative_to(out)).read_bytes(), path.name


def test_a_site_with_nine_wells_stays_light_and_the_bundle_is_written_once(tmp_path: Path) -> None:
    build(write_staged_run(tmp_path / "staged", sites=13, wells=9, years=40), tmp_path / "out", "r")
    heaviest = max(path.stat().st_size for path in (tmp_path / "out" / "sites").iterdir())
    assert 60_000 < heaviest < MOST_SITE_BYTES
    assert len(list((tmp_path / "out").rglob("charts.js"))) == 1


def test_places_beyond_the_first_twenty_five_are_in_the_full_table(tmp_path: Path) -> None:
    build(write_staged_run(tmp_path / "staged", sites=30, wells=1, years=3), tmp_path / "out", "r")
    page = Page(tmp_path / "out" / "index.html")
    assert page.text.count("Invented Rise 26") == 1
    assert page.text.count("Invented Rise 25") == 3
    assert "All 30 ranked sites" in page.text


def test_sites_without_coordinates_leave_the_regions(tmp_path: Path) -> None:
    staged = write_staged_run(tmp_path / "staged")
    sites = pl.read_parquet(staged / "sites.parquet").with_columns(latitude=pl.lit(None, pl.Float64))
    sites.write_parquet(staged / "sites.parquet")
    build(staged, tmp_path / "out", "r")
    page = Page(tmp_path / "out" / "index.html")
    assert "No site has coordinates" in page.text
    assert "template-map" not in page.ids
