"""Tables of any library as Arrow tables, and as the files of a study."""

from __future__ import annotations

import datetime
import json
import os
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pyarrow as pa

from . import _native

#: Tables that a study may have, by the names of ``study.toml``.
TABLES = (
    "birds", "pens", "weighings", "scans", "chemistry", "targets", "onset", "events", "eggs", "light", "scale_stream",
    "phantom",
)


def names_of(frame: Any) -> list[str]:
    """Names of a table's columns."""
    if isinstance(frame, Mapping):
        return [str(name) for name in frame]
    if hasattr(frame, "collect") and hasattr(frame, "collect_schema") and not hasattr(frame, "to_arrow"):
        raise ValueError("data: found a lazy frame, expected a table; call collect() first")
    for attribute in ("column_names", "columns"):
        names = getattr(frame, attribute, None)
        if names is not None and all(isinstance(name, str) for name in names):
            return list(names)
    names = getattr(getattr(frame, "schema", None), "names", None)
    if names is None:
        raise ValueError(
            f"data: found {type(frame).__name__}, expected a table of pandas (its columns named by text), polars or "
            "pyarrow, or any with the Arrow interface (__arrow_c_stream__)"
        )
    return list(names)


def require(names: Iterable[str], wanted: Mapping[str, str]) -> None:
    """That a table has these columns: option by column."""
    names = list(names)
    for option, column in wanted.items():
        if not isinstance(column, str):
            raise ValueError(f"{option}: found {column!r}, expected the name of a column")
        if column not in names:
            raise ValueError(
                f"column {column}: not found among {', '.join(names) or 'no columns'}, expected the column of "
                f"{option}; name it by {option}="
            )


def table_of(frame: Any, columns: Sequence[str] | None = None) -> pa.Table:
    """A table, or these columns of it, as Arrow; without a copy where the frame's library allows."""
    if isinstance(frame, Mapping):
        return _arrow(lambda: pa.table({name: frame[name] for name in columns or frame}), {}, ())
    columns = list(columns if columns is not None else names_of(frame))
    if isinstance(frame, (pa.Table, pa.RecordBatch)):
        some = frame.select(columns)
        return some if isinstance(some, pa.Table) else pa.Table.from_batches([some])
    if hasattr(frame, "iloc"):
        some = frame[columns]
        return _arrow(lambda: pa.Table.from_pandas(some, preserve_index=False), some, columns)
    if hasattr(frame, "select") and hasattr(frame, "columns"):
        frame = frame.select(columns)
    return _arrow(lambda: pa.table(frame), frame, columns)


def _arrow(convert: Any, frame: Any, columns: Sequence[str]) -> pa.Table:
    try:
        return convert()
    except (pa.ArrowInvalid, pa.ArrowTypeError, pa.ArrowNotImplementedError, TypeError) as error:
        for column in columns:
            try:
                pa.array(frame[column])
            except Exception as one:
                raise ValueError(
                    f"column {column}: found values that make no column of one type ({one}), expected numbers or "
                    "text throughout; convert the column"
                ) from None
        raise ValueError(f"data: {error}") from None


@contextmanager
def private_folder() -> Iterator[Path]:
    """A temporary folder for the user alone; faults name its files without it."""
    with tempfile.TemporaryDirectory(prefix="pinfeather-") as folder:
        try:
            yield Path(folder)
        except ValueError as error:
            raise ValueError(without(str(error), folder)) from None


def without(text: str, folder: str | os.PathLike[str]) -> str:
    """A message without the folder of its files."""
    return text.replace(f"{os.fspath(folder)}{os.sep}", "")


def write(frame: Any, path: Path) -> Path:
    """A table as a file that the library reads."""
    _native.write_csv(table_of(frame), path)
    return path


def write_study(tables: Mapping[str, Any], settings: Mapping[str, Any] | None, folder: Path) -> Path:
    """A study folder of these tables."""
    wrong = [name for name in tables if name not in TABLES]
    if wrong:
        raise ValueError(f"table {wrong[0]}: found among the tables, expected names among {', '.join(TABLES)}")
    settings = dict(settings or {})
    settings.setdefault("name", "study")
    settings["tables"] = {**settings.get("tables", {}), **{name: f"{name}.csv" for name in tables}}
    for name, frame in tables.items():
        write(frame, folder / f"{name}.csv")
    (folder / "study.toml").write_text("\n".join(_toml(settings, "")), encoding="utf-8")
    return folder


def _toml(settings: Mapping[str, Any], section: str) -> Iterator[str]:
    nested = {name: value for name, value in settings.items() if isinstance(value, Mapping)}
    if section:
        yield f"[{section}]"
    for name, value in settings.items():
        if name not in nested:
            yield f"{_key(name)} = {_value(value)}"
    for name, value in nested.items():
        yield from _toml(value, f"{section}.{_key(name)}" if section else _key(name))


def _key(name: str) -> str:
    return json.dumps(str(name), ensure_ascii=False)


def _value(value: Any) -> str:
    if isinstance(value, (datetime.date, datetime.datetime)):
        return json.dumps(value.isoformat())
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(_value(one) for one in value)}]"
    if isinstance(value, (bool, int, float, str)):
        return json.dumps(value, ensure_ascii=False)
    raise ValueError(f"settings: found {value!r}, expected text, numbers, truth values, lists or sections of these")
