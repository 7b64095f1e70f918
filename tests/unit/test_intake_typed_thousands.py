"""Text in a workbook whose points part thousands is not read as a fraction."""

import polars as pl
import pytest

from pipeline.intake.writing import decimal_marks


@pytest.mark.parametrize(
    ("cells", "marks"),
    [
        (["2,35", "12,8", "1.200"], ","),
        (["2,35", "12,8", "350"], ".,"),
        (["2,35", "12,8", "1.5"], ".,"),
        (["2,35", "12,8", "1.5", "1.234"], ".,"),
        (["1.234", "2.5"], "."),
    ],
)
def test_a_point_before_three_digits_beside_decimal_commas_is_no_decimal_mark(
    cells: list[str], marks: str
) -> None:
    assert decimal_marks(pl.DataFrame({"current_a": cells}), text_only=False) == marks
