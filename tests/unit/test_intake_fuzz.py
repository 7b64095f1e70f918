"""Whatever bytes come in, a file is read or refused in one sentence; the store stands and its books close.

Sound files of every form are bent: bits turned, cut short, spliced, stuffed with odd cells, also inside of
what is packed. Nothing but the project's own errors may come out.
"""

import gzip
import io
import tomllib
import zipfile
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter
from hypothesis import assume, given
from hypothesis import strategies as st

from pipeline.errors import FileRefusedError, RequestError
from pipeline.intake.load import load
from pipeline.intake.profiles import load_profiles
from pipeline.intake.proposal import propose
from pipeline.intake.proposal_text import report, toml_of
from pipeline.store import Store
from tests.conftest import examples
from tests.unit.intake_writings import TODAY, in_a_folder, new_store

TEXT = (
    "well_id;taken_at;resistance_ohm;repeat_no;corrects;note\n"
    'A-W1;13.05.2019;12,5;1;;"said ""so"""\nA-W2;14.05.2019;>1500;;true;Mooré\nA-W9;31.02.2020;OL;x;;=1+1\n'
)
JSON = (
    '{"well_id": "A-W1", "taken_at": "2019-05-13", "resistance_ohm": 12.5, "note": "\\ud800"}\n[1]\n'
    '{"well_id": "A-W2", "taken_at": "2019-05-14T10:00:00Z", "resistance_ohm": "<0.02", "more": {"a": [1]}}\n'
)
ODS = (
    '<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
    'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" '
    'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0"><office:body><office:spreadsheet>'
    '<table:table table:name="readings">{rows}</table:table>'
    "</office:spreadsheet></office:body></office:document-content>"
)
ODS_CELL = '<table:table-cell office:value-type="string"><text:p>{}</text:p></table:table-cell>'
ODD_CELLS = (
    *("", "\x00", '"', "'", '"""', ";;;;", "\u202e12", "１２", "\ud7ff\U0010ffff", "é" * 3000, "9" * 400),
    *(
        "1e400",
        "-0",
        "1e-400",
        "NaN",
        "inf",
        "0x1F",
        "1_000",
        "12,5,3",
        "> > 5",
        "<",
        ">",
        "<-1",
        "+",
        "1e",
        "²",
    ),
    *("0000-00-00", "9999-12-31", "10000-01-01", "1900-02-29", "2019-02-29T25:61:61", "99999", "20190230"),
    *(
        "2019-05-13T00:00:00+99:99",
        "32/13/99",
        "1/1/1",
        "0-0-0",
        "Mar 5, 2019",
        "5 août 98",
        "13.05.19 1:99 PM",
    ),
    *("=cmd|' /C calc'!A0", "well_id", "\n\n", "\r", "\x1a", "\x85", "\u2028", "%d", "{}", "$name", "\\"),
)
# Hypothesis' own table of all characters takes seconds to make where it is not kept from run to run.
ANY = "".join(map(chr, (*range(1, 256), 0x2126, 0x3000, 0x202E, 0xFEFF, 0xFFFD, 0x1F600, 0x0665)))


def _xlsx() -> bytes:
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"strings_to_formulas": False, "in_memory": True}) as book:
        sheet = book.add_worksheet("readings")
        for k, line in enumerate(TEXT.splitlines()):
            sheet.write_row(k, 0, line.split(";"))
        sheet.merge_range(6, 0, 6, 1, "merged")
    return out.getvalue()


def _zipped(name: str, content: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr(name, content)
    return out.getvalue()


def _ods(lines: list[str]) -> bytes:
    rows = "".join(
        f"<table:table-row>{''.join(ODS_CELL.format(c) for c in line.split(';'))}</table:table-row>"
        for line in lines
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet", zipfile.ZIP_STORED)
        archive.writestr("content.xml", ODS.format(rows=rows))
        archive.writestr("META-INF/manifest.xml", '<manifest:manifest xmlns:manifest="x"/>')
    return out.getvalue()


def _parquet() -> bytes:
    out = io.BytesIO()
    frame = pl.DataFrame(
        {"well_id": ["A-W1", None], "taken_at": ["2019-05-13"] * 2, "resistance_ohm": [1.5, 2]}
    )
    frame.with_columns(note=pl.lit([1, 2]), raw=pl.lit(b"\xff")).write_parquet(out)
    return out.getvalue()


SOUND = {
    "csv": TEXT.encode(),
    "tsv": TEXT.replace(";", "\t").encode("utf-16"),
    "jsonl": JSON.encode(),
    "xlsx": _xlsx(),
    "ods": _ods(TEXT.replace('"', "").replace(">", "&gt;").splitlines()),
    "parquet": _parquet(),
    "csv.gz": gzip.compress(TEXT.encode("cp1252"), mtime=0),
    "zip": _zipped("north/readings.csv", TEXT.encode()),
}


@st.composite
def bent(draw: st.DrawFn, start: bytes) -> bytes:
    """Bend a content a few times."""
    content = bytearray(start)
    for _ in range(draw(st.integers(0, 4))):
        if not content:
            break
        at = draw(st.integers(0, len(content) - 1))
        how = draw(st.sampled_from(("bit", "cut", "drop", "again", "odd", "bytes", "splice")))
        if how == "bit":
            content[at] ^= 1 << draw(st.integers(0, 7))
        elif how == "cut":
            del content[at:]
        elif how == "drop":
            del content[at : at + draw(st.integers(1, 40))]
        elif how == "again":
            content[at:at] = content[at : at + draw(st.integers(1, 200))] * draw(st.sampled_from((1, 2, 200)))
        elif how == "odd":
            cell = draw(st.sampled_from(ODD_CELLS))
            content[at:at] = cell.encode(draw(st.sampled_from(("utf-8", "utf-16-le", "cp1252"))), "replace")
        elif how == "bytes":
            content[at : at + draw(st.integers(0, 4))] = draw(st.binary(max_size=8))
        else:
            other = draw(st.sampled_from(sorted(SOUND)))
            content[at:] = SOUND[other][draw(st.integers(0, len(SOUND[other]) - 1)) :]
    return bytes(content)


@st.composite
def contents(draw: st.DrawFn) -> tuple[str, bytes]:
    """Give the end of a name and a bent content; of packed forms the inside too, packed soundly again."""
    form = draw(st.sampled_from(sorted(SOUND)))
    content = SOUND[form]
    if draw(st.booleans()):
        content = _bent_inside(draw, form, content)
    content = draw(bent(content)) if draw(st.booleans()) else content
    return draw(st.sampled_from(sorted(SOUND))) if draw(st.integers(0, 9)) == 9 else form, content


def _bent_inside(draw: st.DrawFn, form: str, content: bytes) -> bytes:
    if form == "csv.gz":
        return gzip.compress(draw(bent(gzip.decompress(content))), mtime=0)
    if form not in ("zip", "xlsx", "ods"):
        return draw(bent(content))
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        members = {entry.filename: archive.read(entry) for entry in archive.infolist()}
    name = draw(st.sampled_from(sorted(members)))
    members[name] = draw(bent(members[name]))
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for member, inside in members.items():
            archive.writestr(member, inside)
    return out.getvalue()


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """Give one store for all of it: what any file has done to it, the next ones must stand."""
    path = new_store(tmp_path_factory.mktemp("fuzz"))
    with Store.open(path) as opened:
        yield opened
    with Store.open(path) as again:
        assert [check.name for check in again.checks() if not check.passed] == []


def _is_a_sentence(words: str) -> bool:
    return bool(words.strip()) and "Traceback" not in words


@examples(30)
@given(drawn=contents(), named=st.booleans())
def test_any_bytes_are_loaded_or_refused_in_a_sentence(
    store: Store, drawn: tuple[str, bytes], named: bool
) -> None:
    form, content = drawn

    def check(folder: Path) -> None:
        path = folder / f"{'readings' if named else 'log'}.{form}"
        path.write_bytes(content)
        told = load(store, [path], TODAY, lambda _: None)
        for book in told.books:
            assert book.read == book.taken + book.held + book.refused
            assert book.failure is None or _is_a_sentence(book.failure)
        assert store.frame("checks/books_close").is_empty()
        with suppress(FileRefusedError):
            tables = propose(path, TODAY)
            assert report(path, tables, TODAY)
            tomllib.loads(toml_of(path, tables))

    in_a_folder(check)


@st.composite
def rows_of_odd_cells(draw: st.DrawFn) -> tuple[str, int]:
    """Give a CSV of readings whose cells are odd, and how many rows it has."""
    headings = (
        "well_id",
        "taken_at",
        "resistance_ohm",
        "current_a",
        "repeat_no",
        "outcome",
        "corrects",
        "note",
    )
    sound = ("A-W1", "2019-05-13", "12.5", "", "", "", "", "")
    rows = draw(st.integers(1, 3))
    lines = [",".join(headings)]
    for _ in range(rows):
        cells = [
            draw(st.sampled_from(ODD_CELLS) | st.text(ANY, max_size=6))
            if draw(st.integers(0, 2)) == 0
            else cell
            for cell in sound
        ]
        assume(any(c.strip() for c in cells))
        lines.append(",".join('"' + c.replace('"', '""').replace("\x00", "") + '"' for c in cells))
    return "\n".join(lines), rows


@examples(20)
@given(drawn=rows_of_odd_cells())
def test_a_row_of_odd_cells_is_taken_or_refused_and_its_neighbours_are_not_lost(
    store: Store, drawn: tuple[str, int]
) -> None:
    text, rows = drawn

    def check(folder: Path) -> None:
        path = folder / "readings.csv"
        path.write_text(text, encoding="utf-8", errors="replace", newline="")
        told = load(store, [path], TODAY, lambda _: None)
        assert all(book.failure is None or _is_a_sentence(book.failure) for book in told.books)
        if told.ok:
            assert told.total("read") == rows
        assert store.frame("checks/books_close").is_empty()

    in_a_folder(check)


HEAD = "well_id,taken_at,resistance_ohm"
AS_JSON = b'"well_id": "A-W3", "taken_at": "2019-05-13", "resistance_ohm": 3}\n'


@pytest.mark.parametrize(
    ("end", "content"),
    [
        ("half characters in a name.jsonl", b'{"\\ud800": 1, ' + AS_JSON),
        ("half characters inside.jsonl", b'{"a": ["\\ud800", {"\\ud800": 1}], ' + AS_JSON),
        ("our own names.jsonl", b'{"_line": 1, "_fault": 2, "c1": 3, "c0": 4, "_cells": 5, ' + AS_JSON),
        ("our own names.csv", f"{HEAD},_line,_fault,_width\nA-W3,2019-05-14,5,1,2,3\n".encode()),
        ("a place for a name.csv", f"{HEAD},,column_4\nA-W3,2019-05-15,5,1,2\n".encode()),
        ("a place behind.csv", f"{HEAD},column_5,,\nA-W3,2019-05-16,5,1,,\n".encode()),
    ],
)
def test_names_that_mean_something_to_the_program_are_a_crews_own(
    store: Store, tmp_path: Path, end: str, content: bytes
) -> None:
    path = tmp_path / f"readings {end}"
    path.write_bytes(content)
    before = store.table("core_readings").height
    told = load(store, [path], TODAY, lambda _: None)
    assert (told.total("read"), told.total("refused"), told.ok) == (1, 0, True)
    # The three JSON rows are one reading: it is held after the first.
    assert store.table("core_readings").height - before == told.total("taken")
    assert told.total("taken") + told.total("held") == 1
    assert propose(path, TODAY)


def test_headings_that_differ_in_capitals_alone_are_asked_about(store: Store, tmp_path: Path) -> None:
    (tmp_path / "readings.csv").write_text(f"{HEAD},Resistance_ohm\nA-W3,2019-05-17,5,77\n", encoding="utf-8")
    (book,) = load(store, [tmp_path / "readings.csv"], TODAY, lambda _: None).books
    assert "'Resistance_ohm' stands twice" in str(book.failure)


def test_filled_cells_said_again_a_million_times_are_refused_before_they_are_laid_out(
    store: Store, tmp_path: Path
) -> None:
    start = _ods(["well_id;taken_at;resistance_ohm"])
    for rows, columns, words in ((30_000, 3_000, "repeated"), (3, 1, "")):
        path = tmp_path / f"readings_{rows}.ods"
        with zipfile.ZipFile(io.BytesIO(start)) as sound, zipfile.ZipFile(path, "w") as archive:
            for member in sound.namelist():
                content = sound.read(member).decode()
                content = content.replace(
                    "</table:table>",
                    f'<table:table-row table:number-rows-repeated="{rows}"><table:table-cell '
                    f'table:number-columns-repeated="{columns}" office:value-type="string">'
                    "<text:p>x</text:p></table:table-cell></table:table-row></table:table>",
                )
                archive.writestr(member, content)
        (book,) = load(store, [path], TODAY, lambda _: None).books
        assert words in str(book.failure)
        assert (book.read == rows) == (not words)


def test_columns_of_a_parquet_file_that_are_none_of_ours_do_not_stop_it(store: Store, tmp_path: Path) -> None:
    frame = pl.DataFrame(
        {"well_id": ["A-W3"], "taken_at": ["2019-05-18"], "resistance_ohm": [5.25], "_line": [7]}
    )
    frame = frame.with_columns(
        took=pl.duration(minutes=5), at=pl.time(7, 30), d=pl.lit("1.5").cast(pl.Decimal(9, 2)), n=None
    )
    frame.write_parquet(tmp_path / "readings_a.parquet")
    frame.with_columns(deep=pl.lit([b"\xff"])).write_parquet(tmp_path / "readings_b.parquet")
    books = load(store, [tmp_path], TODAY, lambda _: None).books
    one, other = sorted(books, key=lambda book: book.file)
    assert (one.taken, one.refused, one.failure) == (1, 0, None)
    assert "column 'deep'" in str(other.failure)


PROFILE = (
    'files = ["readings*.csv"]\nseparator = ";"\nencoding = "utf-8"\nheading_line = 1\ndecimal_marks = ","\n'
    'dates = ["%d.%m.%Y"]\nfill_down = ["well_id"]\n[[maps]]\ntable = "readings"\nwell_number_with = "note"\n'
    '[maps.columns]\nwell_id = "well_id"\ntaken_at = "taken_at"\n'
    'resistance_ohm = { from = "resistance_ohm", unit = "in_cell", bare = "ohm" }\n'
    'outcome = { from = "note", words = { "said so" = "noise" } }\n'
)
WIDE = (
    'files = ["readings*.csv"]\n[[maps]]\ntable = "readings"\n'
    'visits = { form = "%d.%m.%Y", value = "resistance_ohm", date = "taken_at", '
    'unit = "mohm", on = "07-01" }\n'
    '[maps.columns]\nwell_id = "well_id"\n'
)
VALUES = (
    *('""', '"x"', "1", "-1", "0", "true", "1.5", "[]", '["x"]', "{}", "{ a = 1 }", "2019-05-13", "nan"),
    *(
        '"%Y"',
        '"%d"',
        '"%"',
        '"%Q"',
        '"%d.%m.%Y%"',
        '";;"',
        '"\\n"',
        '"\\""',
        '"utf-7"',
        '"hex"',
        '"idna"',
        '"é"',
    ),
    *('"undefined"', '"[a-z"', '".,"', '"a]b"', '"ohm"', '"ft"', '"in_cell"', '"serial"', "[1]", "[[1]]"),
    *(
        '"taken_at"',
        '"note"',
        '"\\u0000"',
        '"99-99"',
        "99999999999999999999",
        '["%"]',
        '["%Q"]',
        '["serial"]',
    ),
)
LINES = [line for text in (PROFILE, WIDE) for line in text.splitlines()]


@st.composite
def profiles(draw: st.DrawFn) -> str:
    """Bend a source profile: values of another kind, keys elsewhere, lines lost, bytes turned."""
    text = draw(st.sampled_from((PROFILE, WIDE)))
    lines = text.splitlines()
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(lines) - 1))
        how = draw(st.sampled_from(("value", "value", "inner", "lose", "line", "bent")))
        if how == "value" and " = " in lines[at]:
            lines[at] = f"{lines[at].split(' = ', 1)[0]} = {draw(st.sampled_from(VALUES))}"
        elif how == "inner" and "{" in lines[at]:
            parts = lines[at].split('"')
            odd = draw(st.integers(0, len(parts) // 2 - 1)) * 2 + 1
            lines[at] = (
                '"'.join(parts[:odd])[:-1] + draw(st.sampled_from(VALUES)) + '"'.join(parts[odd + 1 :])
            )
        elif how == "lose":
            lines[at] = ""
        elif how == "line":
            lines.insert(at, draw(st.sampled_from(LINES)))
        else:
            lines[at] = draw(bent(lines[at].encode())).decode("utf-8", "replace")
    return "\n".join(lines)


@examples(60)
@given(text=profiles())
def test_any_profile_is_used_or_refused_in_a_sentence(store: Store, text: str) -> None:
    def check(folder: Path) -> None:
        (folder / "layouts").mkdir()
        (folder / "layouts" / "own.toml").write_text(text, encoding="utf-8", errors="replace")
        try:
            load_profiles([folder / "layouts"])
        except RequestError:
            return
        (folder / "readings_own.csv").write_text(TEXT + "A-W1;1;;;;13.05.2019\n", encoding="utf-8")
        told = load(store, [folder / "readings_own.csv"], TODAY, lambda _: None, [folder / "layouts"])
        assert all(book.failure is None or _is_a_sentence(book.failure) for book in told.books)
        assert store.frame("checks/books_close").is_empty()

    in_a_folder(check)
