"""Packed files, odd encodings, titles, dates, units in cells: taken in whole or refused with a sentence."""

import gzip
import zipfile
from datetime import date, datetime
from pathlib import Path

import numpy as np
import polars as pl
import pytest
import xlsxwriter

from pipeline.errors import FileRefusedError, RequestError
from pipeline.intake import packed
from pipeline.intake.cells import Writing, typed
from pipeline.intake.dates import find_dates, moments
from pipeline.intake.files import rows_under, sheets, tables_on
from pipeline.intake.packed import unzipped
from pipeline.intake.profiles import heading_test, load_profiles
from pipeline.intake.tables import READINGS
from pipeline.intake.writing import Found, WritingEvidence, decimal_marks

TODAY = date(2026, 11, 24)
TEXT = "well_id;resistance_ohm\nMooré;12,5\n"


def _writing(frame: pl.DataFrame, semicolons: bool = False) -> Found:
    evidence = WritingEvidence(READINGS, text_only=True, semicolons=semicolons)
    evidence.add(frame)
    return evidence.found(TODAY)


def _rows(path: Path) -> list[tuple[object, ...]]:
    (sheet,) = sheets(path)
    return rows_under(sheet).frame.rows()


@pytest.mark.parametrize(
    ("encoding", "told"),
    [
        ("utf-8", ()),
        ("utf-8-sig", ()),
        ("utf-16", ("utf-16",)),
        ("utf-16-le", ("utf-16-le",)),
        ("cp1252", ("cp1252",)),
    ],
)
@pytest.mark.parametrize("packed_too", [False, True])
def test_an_encoding_is_found_and_told(
    tmp_path: Path, encoding: str, told: tuple[str, ...], packed_too: bool
) -> None:
    path = tmp_path / ("a.csv.gz" if packed_too else "a.csv")
    content = TEXT.encode(encoding)
    path.write_bytes(gzip.compress(content) if packed_too else content)
    (sheet,) = sheets(path)
    assert rows_under(sheet).frame.rows() == [(2, None, "Mooré", "12,5")]
    assert sheet.found == ("';' between cells", *told)


def test_torn_utf8_is_refused_and_not_read_as_another_encoding(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes("a\nMoorééé\n".encode() + b"\xc3\n")
    with pytest.raises(FileRefusedError, match="not UTF-8"):
        sheets(tmp_path / "a.csv")


def test_a_comma_in_the_title_is_no_separator(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("Log, north, east, 2019\n\na;b\n1,5;2\n2,5;3\n", encoding="utf-8")
    (sheet,) = sheets(tmp_path / "a.csv")
    assert rows_under(sheet, 3).frame.rows() == [(4, None, "1,5", "2"), (5, None, "2,5", "3")]


def test_lines_padded_with_separators_are_no_fault(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("a,b,,\n1,2,,\n3,4,5,\n6\n", encoding="utf-8")
    (sheet,) = sheets(tmp_path / "a.csv")
    assert [r[1] is None for r in rows_under(sheet).frame.rows()] == [True, False, False]


def test_a_zip_gives_its_members_and_refuses_those_that_lead_out(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr("north/readings.csv", "x\n")
        archive.writestr("../evil.csv", "x\n")
        archive.writestr("/etc/evil.csv", "x\n")
        archive.writestr("C:\\evil.csv", "x\n")
    (tmp_path / "in").mkdir()
    found = unzipped(tmp_path / "a.zip", tmp_path / "in")
    assert [name for name, _ in found.members] == ["north/readings.csv"]
    assert len(found.refused) == 3
    assert all("leads out" in reason for _, reason in found.refused)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.zip", "in"]


def test_a_bomb_is_refused_while_it_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(packed, "ALWAYS_ALLOWED_BYTES", 100_000)
    (tmp_path / "a.csv.gz").write_bytes(gzip.compress(b"0" * 2_000_000))
    with zipfile.ZipFile(tmp_path / "a.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.csv", b"0" * 2_000_000)
    with zipfile.ZipFile(tmp_path / "a.xlsx", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * 2_000_000)
    for name in ("a.csv.gz", "a.xlsx"):
        with pytest.raises(FileRefusedError, match="more than 100 times its size"):
            sheets(tmp_path / name)
    with pytest.raises(FileRefusedError, match="more than 100 times its size"):
        unzipped(tmp_path / "a.zip", tmp_path)


def test_a_cell_far_out_is_refused_before_it_is_laid_out(tmp_path: Path) -> None:
    with xlsxwriter.Workbook(tmp_path / "a.xlsx") as book:
        sheet = book.add_worksheet()
        sheet.write(0, 0, "a")
        sheet.write(1_048_575, 16_383, "z")
    with pytest.raises(FileRefusedError, match="stray cells"):
        sheets(tmp_path / "a.xlsx")


def test_formulas_give_values_and_text_like_a_formula_stays_text(tmp_path: Path) -> None:
    with xlsxwriter.Workbook(tmp_path / "a.xlsx") as book:
        sheet = book.add_worksheet()
        sheet.write_row(0, 0, ["a", "b", "c"])
        sheet.write_formula(1, 0, "=1+1", None, 2)
        sheet.write_string(1, 1, "=1+1")
        sheet.write_formula(1, 2, "=1/0", None, "#DIV/0!")
    (found,) = sheets(tmp_path / "a.xlsx")
    assert rows_under(found).frame.rows() == [(2, None, "2", "=1+1", None)]
    assert found.found == ("1 failed formulas in the workbook, read as empty",)


def test_several_tables_of_a_sheet_are_parted_below_their_title(tmp_path: Path) -> None:
    text = "A title,,\n\nsite_id,site_name,\nA,Aber,\n\nsite_id,surveyed_on,ph\nA,2020-01-01,7\n"
    (tmp_path / "a.csv").write_text(text, encoding="utf-8")
    (sheet,) = sheets(tmp_path / "a.csv")
    parts = tables_on(sheet, heading_test([]))
    assert [rows_under(p).frame.rows() for p in parts] == [
        [(4, None, "A", "Aber")],
        [(7, None, "A", "2020-01-01", "7")],
    ]


@pytest.mark.parametrize(
    ("cells", "order", "could_be"),
    [
        (["03/04/2019", "14/05/2019"], "dmy", ()),
        (["03/04/2019", "04/25/2019"], "mdy", ()),
        (["03/04/2019", "04/05/2019"], None, ("dmy", "mdy")),
        (["14/05/2019", "05/14/2019"], None, ("dmy", "mdy")),
        (["31/02/2019", "14/03/2019"], "dmy", ()),
        (["2019/3/14"], "ymd", ()),
        (["01-02-03"], None, ("dmy", "mdy", "ymd")),
        (["27/02/98", "03/04/99"], "dmy", ()),
        (["2019-03-14", "2019-03-15", "14/03/2019"], None, ()),
    ],
)
def test_the_order_of_a_date_comes_from_the_whole_column(
    cells: list[str], order: str | None, could_be: tuple[str, ...]
) -> None:
    found = find_dates(pl.Series(cells), TODAY)
    assert (found.order, found.could_be) == (order, could_be)


@pytest.mark.parametrize(
    ("cell", "moment"),
    [
        ("3.5.1999", None),
        ("14. März 2019", datetime(2019, 3, 14)),
        ("14-dic-19", datetime(2019, 12, 14)),
        ("Mar 5, 2019", datetime(2019, 3, 5)),
        ("5 août 98", datetime(1998, 8, 5)),
        ("14/03/2019 1:02 PM", datetime(2019, 3, 14, 13, 2)),
        ("45352.5", datetime(2024, 3, 1, 12)),
        ("20190314", datetime(2019, 3, 14)),
    ],
)
def test_dates_as_crews_write_them(cell: str, moment: datetime | None) -> None:
    found = find_dates(pl.Series([cell]), TODAY)
    read = pl.DataFrame({"a": [cell]}).select(moments(pl.col("a"), found.forms, TODAY)).to_series()
    assert read.to_list() == [moment]


def test_an_ambiguous_column_is_asked_for_with_the_setting_to_write() -> None:
    frame = _cells(taken_at=["03.04.2019", "04.05.2019"])
    with pytest.raises(FileRefusedError, match=r'dates = \["%d.%m.%Y"\] or dates = \["%m.%d.%Y"\]') as caught:
        _writing(frame)
    assert "'taken_at'" in str(caught.value)


@pytest.mark.parametrize(
    ("cells", "text_only", "marks"),
    [
        (["12,5", "7"], True, ","),
        (["1,250", "7"], True, "."),
        (["12,5", "12.5"], True, "."),
        (["12,5", "12.5"], False, ".,"),
        (["0,012", "<0,5"], True, ","),
        (["12,5", "1,250", "2,500"], False, "."),
    ],
)
def test_only_a_clear_comma_is_a_decimal_mark(cells: list[str], text_only: bool, marks: str) -> None:
    assert decimal_marks(pl.DataFrame({"a": cells}), text_only) == marks


@pytest.mark.parametrize(("cells", "asks"), [(["1.234", "7"], True), (["1.234", "7.5"], False)])
def test_a_point_that_may_part_thousands_is_asked_about(cells: list[str], asks: bool) -> None:
    frame = _cells(taken_at=["2020-01-01"] * 2, resistance_ohm=cells)
    if not asks:
        assert _writing(frame, semicolons=True).decimal_marks == "."
        return
    with pytest.raises(FileRefusedError, match="may be a decimal or thousands"):
        _writing(frame, semicolons=True)


def _cells(**columns: list[str]) -> pl.DataFrame:
    rows = len(next(iter(columns.values())))
    given = {name: columns.get(name, [None] * rows) for name in READINGS.names}
    return pl.DataFrame(
        {"_line": range(2, rows + 2), "_fault": [None] * rows, **given},
        schema={"_line": pl.Int64, "_fault": pl.String, **dict.fromkeys(READINGS.names, pl.String)},
    )


@pytest.mark.parametrize(
    ("cell", "value", "mark"),
    [
        ("0.5k", 500.0, None),
        ("14,7 ohm", 14.7, None),
        (">1.5k", 1500.0, "over"),
        ("<0.02 Ω", 0.02, "under"),
        ("12.4 mΩ", 0.0124, None),
        ("3R3", 3.3, None),
        ("4k7", 4700.0, None),
        ("OL", 1500.0, "over"),
        ("over range", 1500.0, "over"),
        ("12.4 MΩ", None, None),
        ("12.4 MOHM", None, None),
        ("12.4 m", None, None),
        ("12.4", None, None),
        ("2O", None, None),
        ("=12", None, None),
        ("12 or 13", None, None),
    ],
)
def test_number_and_unit_in_one_cell(cell: str, value: float | None, mark: str | None) -> None:
    frame = _cells(well_id=["W"], taken_at=["2020-01-01"], resistance_ohm=[cell], instrument_id=["M1"])
    how = Writing(TODAY, ".,", in_cell={"resistance_ohm": None}, over_limits={"M1": 1500.0})
    row = typed(frame, READINGS, how).row(0, named=True)
    assert row["range_mark"] == mark
    assert row["resistance_ohm"] == (None if value is None else pytest.approx(value))
    assert (row["_reason"] is None) == (value is not None)
    assert value is not None or f"'{cell}'" in row["_reason"]


def test_over_range_without_a_known_meter_is_refused_and_says_so() -> None:
    frame = _cells(well_id=["W"], taken_at=["2020-01-01"], resistance_ohm=["OL"], instrument_id=["M9"])
    row = typed(frame, READINGS, Writing(TODAY, over_limits={"M1": 1500.0})).row(0, named=True)
    assert (row["resistance_ohm"], row["range_mark"]) == (None, "over")
    assert "the range of its meter is not known" in row["_reason"]


@pytest.mark.parametrize(
    ("visits", "words"),
    [
        ('{ form = "%Y" }', "a year alone is no day"),
        ('{ form = "%d.%m" }', "has no %Y"),
        ('{ form = "%d.%m.%Y", unit = "ft" }', "the unit 'ft'"),
        ('{ form = "%d.%m.%Y", colour = "red" }', "can't be used"),
    ],
)
def test_a_wide_profile_that_can_not_be_used_is_named(tmp_path: Path, visits: str, words: str) -> None:
    text = f'[[maps]]\ntable = "readings"\nvisits = {visits}\n[maps.columns]\nwell_id = "Pit"\n'
    (tmp_path / "wide.toml").write_text(text, encoding="utf-8")
    with pytest.raises(RequestError, match=words):
        load_profiles([tmp_path])


def test_whatever_the_bytes_a_parser_refuses_or_reads(tmp_path: Path) -> None:
    """A bounded fuzz with a seed of its own: nothing but FileRefusedError may come out of it."""
    rng = np.random.default_rng(20)
    with xlsxwriter.Workbook(tmp_path / "seed.xlsx") as book:
        book.add_worksheet().write_row(0, 0, ["well_id", "taken_at", 12.5])
    pl.DataFrame({"a": [1, 2], "b": ["x", "y"]}).write_parquet(tmp_path / "seed.parquet")
    text = b'well_id;taken_at,"x"\t|\nW1;2020-03-01;"12,5"\n{"a": [1, {}]}\n\xff\xfe\x00=1+1\n'
    starts = {
        "csv": text,
        "tsv": text,
        "jsonl": b'{"a": 1, "b": "\\ud800"}\n' + text,
        "xlsx": (tmp_path / "seed.xlsx").read_bytes(),
        "parquet": (tmp_path / "seed.parquet").read_bytes(),
        "csv.gz": gzip.compress(text),
    }
    read, refusals = 0, []
    for form, start in starts.items():
        path = tmp_path / f"f.{form}"
        for _ in range(40):
            content = bytearray(start)
            for _ in range(int(rng.integers(0, 6))):
                content[int(rng.integers(len(content)))] = int(rng.integers(256))
            path.write_bytes(
                bytes(content[: int(rng.integers(1, len(content) + 1))] if rng.random() < 0.3 else content)
            )
            try:
                for sheet in sheets(path):
                    frame = rows_under(sheet).frame
                    read += frame.height
                    cells = _cells(taken_at=[str(v) for v in frame.to_series(-1)] or ["x"])
                    _writing(cells)
                    typed(cells, READINGS, Writing(TODAY))
            except FileRefusedError as refused:
                refusals.append(str(refused))
    assert read > 0
    assert refusals
    assert not [r for r in refusals if "\n" in r]
