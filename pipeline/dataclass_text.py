"""Frozen dataclasses as JSON text and back, every digit kept: arrays, tuples, nested ones, any keys."""

import json
import math
import typing
from dataclasses import MISSING, fields, is_dataclass
from datetime import date
from typing import Any, TypeVar

import numpy as np

T = TypeVar("T")


class OtherShapeError(ValueError):
    """The text is of a class that has changed since so that its missing fields have no default."""


def as_text(value: Any) -> str:
    """Write a dataclass as JSON; raise TypeError for a value of a kind that would not come back as it was."""
    if not is_dataclass(value) or isinstance(value, type):
        raise TypeError(f"{type(value).__name__} is no dataclass.")
    known, met = _classes(type(value)), set[type]()
    text = json.dumps(_plain(value, met), allow_nan=False)
    if unknown := met - set(known.values()):
        names = ", ".join(sorted(c.__name__ for c in unknown))
        raise TypeError(f"{names} is in no field's type of {type(value).__name__}, so it could not be read.")
    return text


def from_text(text: str, kind: type[T]) -> tuple[T, tuple[str, ...]]:
    """Read a dataclass from JSON; give beside it the fields that the class and the text do not share.

    A field that the text lacks takes its default, one that the class lacks is left out. Raises
    OtherShapeError where there is no default, ValueError where the text is not of this class.
    """
    reader = _Reader(_classes(kind), [])
    value = reader.value(json.loads(text))
    if not isinstance(value, kind):
        raise ValueError(f"The text is not of a {kind.__name__}.")
    return value, tuple(reader.differs)


def _plain(value: Any, met: set[type]) -> Any:
    """Turn a value into what JSON knows; what it does not know becomes a mapping that names its kind."""
    if isinstance(value, np.generic):
        value = value.item()
    plain: Any
    match value:
        case float():
            plain = value if math.isfinite(value) else {"float": repr(value)}
        case None | bool() | int() | str():
            plain = value
        case np.ndarray():
            plain = _plain_array(value, met)
        case date():
            plain = {"date": value.isoformat()}
        case tuple():
            plain = {"tuple": [_plain(v, met) for v in value]}
        case list():
            plain = [_plain(v, met) for v in value]
        case dict():
            plain = {"dict": [[_plain(k, met), _plain(v, met)] for k, v in value.items()]}
        case _:
            plain = _plain_dataclass(value, met)
    return plain


def _plain_array(value: "np.ndarray[Any, Any]", met: set[type]) -> dict[str, Any]:
    if value.dtype.kind not in "fiub":
        raise TypeError(f"An array of {value.dtype} can't be written as text.")
    flat = [_plain(v, met) for v in value.ravel().tolist()]
    return {"array": flat, "dtype": str(value.dtype), "shape": list(value.shape)}


def _plain_dataclass(value: Any, met: set[type]) -> dict[str, Any]:
    if not is_dataclass(value) or isinstance(value, type):
        raise TypeError(f"A {type(value).__name__} can't be written as text.")
    met.add(type(value))
    held = {f.name: _plain(getattr(value, f.name), met) for f in fields(value) if f.init}
    return {"class": type(value).__name__, "fields": held}


class _Reader:
    """Turn plain values back; `differs` collects the fields that class and text do not share."""

    def __init__(self, classes: dict[str, type], differs: list[str]) -> None:
        self.classes = classes
        self.differs = differs

    def value(self, plain: Any) -> Any:
        """Turn what JSON knows back into the value that it stands for."""
        value: Any = plain
        match plain:
            case list():
                value = [self.value(v) for v in plain]
            case {"array": flat, "dtype": dtype, "shape": shape}:
                value = np.array([self.value(v) for v in flat], dtype=dtype).reshape(shape)
            case {"float": words}:
                value = float(words)
            case {"date": words}:
                value = date.fromisoformat(words)
            case {"tuple": parts}:
                value = tuple(self.value(v) for v in parts)
            case {"dict": pairs}:
                value = {self.value(k): self.value(v) for k, v in pairs}
            case {"class": name, "fields": given}:
                value = self._dataclass(str(name), given)
            case dict():
                raise ValueError(f"{sorted(plain)} is no value that was written here.")
        return value

    def _dataclass(self, name: str, given: dict[str, Any]) -> Any:
        kind = self.classes.get(name)
        if kind is None:
            raise OtherShapeError(f"There is no {name} any more.")
        has = {f.name: f for f in fields(kind) if f.init}
        self.differs += [f"{name}.{f}" for f in sorted(has.keys() ^ given.keys())]
        for f in has.values():
            if f.name not in given and f.default is MISSING and f.default_factory is MISSING:
                raise OtherShapeError(f"{name} has got a field {f.name} since, which has no default.")
        return kind(**{f: self.value(v) for f, v in given.items() if f in has})


def _classes(kind: Any) -> dict[str, type]:
    """Give every dataclass that the fields of a class may hold, itself included, by name."""
    found: dict[str, type] = {}

    def look(at: Any) -> None:
        if isinstance(at, type) and is_dataclass(at):
            if found.get(at.__name__) is at:
                return
            if at.__name__ in found:
                raise TypeError(f"Two classes are called {at.__name__}.")
            found[at.__name__] = at
            for hint in typing.get_type_hints(at).values():
                look(hint)
        for part in typing.get_args(at):
            look(part)

    look(kind)
    return found
