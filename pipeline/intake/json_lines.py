"""JSON Lines to cells under field names; a line that is no object keeps its text and its fault."""

import json
from dataclasses import dataclass

import polars as pl

from pipeline.errors import FileRefusedError
from pipeline.intake.delimited import checked_width


@dataclass(frozen=True)
class JsonRows:
    """Hold the objects of a JSON Lines file: cells under field names, with line and fault of each."""

    cells: pl.DataFrame
    lines: pl.Series
    faults: pl.Series


def json_lines(text: str) -> JsonRows:
    """Read one JSON object a line; a line that is none keeps its text and its fault."""
    lines: list[int] = []
    faults: list[str | None] = []
    objects: list[dict[str, str | None]] = []
    names: dict[str, None] = {}
    for number, line in enumerate(text.split("\n"), start=1):
        if not line.strip():
            continue
        lines.append(number)
        fields, fault = _json_object(line)
        faults.append(fault)
        objects.append(fields)
        names.update(dict.fromkeys(fields))
    if not names:
        raise FileRefusedError("the file holds no JSON object; send it again")
    checked_width(len(names))
    columns = {name: [fields.get(name) for fields in objects] for name in names}
    return JsonRows(
        pl.DataFrame(columns, schema=dict.fromkeys(names, pl.String)),
        pl.Series("_line", lines, pl.Int64),
        pl.Series("_fault", faults, pl.String),
    )


def _json_object(line: str) -> tuple[dict[str, str | None], str | None]:
    try:
        fields = json.loads(line, parse_float=str, parse_int=str)
    except json.JSONDecodeError as fault:
        return {"line_text": line}, f"the line is not JSON ({fault.msg} at character {fault.pos + 1})"
    except RecursionError:
        return {"line_text": line}, "the line is JSON nested too deep"
    if not isinstance(fields, dict):
        return {"line_text": line}, "the line is not a JSON object"
    return {_sound(name): _json_cell(value) for name, value in fields.items()}, None


def _json_cell(value: object) -> str | None:
    if value is None or isinstance(value, str):
        return None if value is None else _sound(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    return _sound(json.dumps(value, ensure_ascii=False))


def _sound(text: str) -> str:
    """Write half characters (lone surrogates of an escape) as a mark: no store takes them."""
    return text.encode("utf-8", errors="replace").decode("utf-8")
