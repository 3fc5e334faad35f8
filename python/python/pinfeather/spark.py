"""Fits on Spark: each bird's curve where its rows are, mixed models by group.

Needs Spark 4.0 or later and Python 3.10 or later with this package on every executor. What is missing or of a wrong
type is found on the driver, before a job starts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
from pyspark.sql import DataFrame
from pyspark.sql.types import (
    ByteType,
    DataType,
    DecimalType,
    DoubleType,
    IntegerType,
    LongType,
    NumericType,
    ShortType,
    StringType,
    StructField,
    StructType,
)

import pinfeather

from . import _frames

__all__ = ["fit_by_group", "fit_curves"]

#: Rows that are gathered before they are fitted: the cost of a call is spread over some thousand birds.
ROWS_AT_ONCE = 65_536

_WHOLE = (ByteType, ShortType, IntegerType, LongType)


def fit_curves(
    df: DataFrame,
    curve: str | Sequence[str] = "gompertz",
    *,
    by: str | Sequence[str] = (),
    bird: str = "bird",
    age: str = "age_d",
    value: str = "weight_g",
    partitions: int | None = None,
    **options: Any,
) -> DataFrame:
    """Fits growth curves to each bird of a Spark data frame: one row a bird and curve.

    Rows are brought together by ``by`` and ``bird`` and sorted by age; each partition is then fitted as it streams
    through, so that a task holds some ten thousand birds at most, however large a farm or a partition is.

    Parameters
    ----------
    df
        One row a weighing, in any order.
    curve, by, bird, age, value, options
        As in :func:`pinfeather.fit_curves` (``threads`` is 1 by default: Spark gives each task a core).
    partitions
        Number of partitions to fit in; Spark's (``spark.sql.shuffle.partitions``) by default.

    Returns
    -------
    pyspark.sql.DataFrame
        The columns of :func:`pinfeather.fit_curves`, text for its categories.

    Raises
    ------
    ValueError
        A missing column or one of a wrong type. A fault in the rows themselves (an age or a mass that no bird has)
        fails the job with its text.
    """
    identities = [*_names(by), bird]
    columns = {**{f"by[{place}]": name for place, name in enumerate(_names(by))}, "bird": bird}
    columns |= {"age": age, "value": value}
    _frames.require(df.columns, columns)
    types = {field.name: field.dataType for field in df.schema.fields}
    for name in identities:
        _expect(name, types[name], (StringType, *_WHOLE), "names: text or whole numbers")
    _expect(age, types[age], (NumericType,), "numbers, the age in days")
    _expect(value, types[value], (NumericType,), "numbers, the mass in g")
    options = {"threads": 1, **options, "curve": _names(curve), "by": _names(by)}
    options |= {"bird": bird, "age": age, "value": value}

    # The columns of the result are those of a table without birds.
    empty = pa.table({name: pa.array([], _arrow_type(types[name])) for name in columns.values()})
    schema = _plain(pinfeather.fit_curves(empty, **options)).schema

    def fit(batches: Iterable[pa.RecordBatch]) -> Iterator[pa.RecordBatch]:
        for birds in whole_birds(batches, identities):
            yield from _plain(pinfeather.fit_curves(birds, **options)).cast(schema).to_batches()

    rows = df.select(*dict.fromkeys(columns.values()))
    spread = rows.repartition(partitions, *identities) if partitions else rows.repartition(*identities)
    ordered = spread.sortWithinPartitions(*identities, age)
    return ordered.mapInArrow(fit, _spark_schema(schema))


def fit_by_group(
    df: DataFrame,
    group: str | Sequence[str],
    curve: str | Sequence[str] = (),
    *,
    bird: str = "bird",
    age: str = "age_d",
    value: str = "weight_g",
    table: str = "curve_terms",
    **options: Any,
) -> DataFrame:
    """Fits a mixed model to the birds of each group, a strain or a farm: one group is one task.

    Parameters
    ----------
    df
        One row a weighing, in any order. A group must fit into a task's memory: about 200 bytes a row.
    group
        Columns that make the groups; all birds of a group have common fixed effects.
    curve, bird, age, value, options
        As in :func:`pinfeather.fit_population` (``threads`` is 1 by default).
    table
        ``curve_terms`` (terms with intervals: typical, spreads, birds) or ``answers`` (typical masses).

    Returns
    -------
    pyspark.sql.DataFrame
        The group's columns (their names with ``group_`` before them where the table has such a column), then those of
        the table.
    """
    groups = _names(group)
    columns = {**{f"group[{place}]": name for place, name in enumerate(groups)}, "bird": bird}
    columns |= {"age": age, "value": value}
    _frames.require(df.columns, columns)
    if table not in _TABLES:
        raise ValueError(f"table: found {table!r}, expected one of {', '.join(_TABLES)}")
    types = {field.name: field.dataType for field in df.schema.fields}
    _expect(bird, types[bird], (StringType, *_WHOLE), "the birds' names: text or whole numbers")
    _expect(age, types[age], (NumericType,), "numbers, the age in days")
    _expect(value, types[value], (NumericType,), "numbers, the mass in g")
    options = {"threads": 1, **options, "curve": _names(curve)}
    keys = {name: f"group_{name}" if name in _TABLES[table] else name for name in groups}
    fields = [pa.field(key, _arrow_type(types[name])) for name, key in keys.items()]
    schema = pa.schema([*fields, *(pa.field(*field) for field in _TABLES[table].items())])

    def fit(one: pa.Table) -> pa.Table:
        named = {name: one.column(name)[0].as_py() for name in groups}
        weighings = one.select([bird, age, value]).rename_columns(["bird", "age_d", "weight_g"])
        try:
            found = pinfeather.fit_population(weighings, group="none", **options).tables[table]
        except ValueError as error:
            which = ", ".join(f"{name} {text}" for name, text in named.items())
            raise ValueError(f"{which}: {error}") from None
        made = [pa.array([named[name]] * found.num_rows, _arrow_type(types[name])) for name in groups]
        return pa.table([*made, *(found.column(name) for name in _TABLES[table])], names=schema.names).cast(schema)

    rows = df.select(*dict.fromkeys(columns.values()))
    return rows.groupBy(*groups).applyInArrow(fit, _spark_schema(schema))


def whole_birds(batches: Iterable[pa.RecordBatch], identities: Sequence[str]) -> Iterator[pa.Table]:
    """Tables of whole birds from batches whose rows are sorted by bird: the last bird of a batch waits for its rows
    in the next."""
    waiting: list[pa.RecordBatch] = []
    rows = 0
    for batch in batches:
        if batch.num_rows == 0:
            continue
        waiting.append(batch)
        rows += batch.num_rows
        if rows < ROWS_AT_ONCE:
            continue
        table = pa.Table.from_batches(waiting)
        begins = _last_bird(table, identities)
        if begins:
            yield table.slice(0, begins)
        waiting = table.slice(begins).to_batches()
        rows -= begins
    if waiting:
        yield pa.Table.from_batches(waiting)


def _last_bird(table: pa.Table, identities: Sequence[str]) -> int:
    """The row at which the last bird begins."""
    same = None
    for name in identities:
        column = table.column(name)
        last = column[-1]
        own = pc.equal(column, last) if last.is_valid else pc.is_null(column)
        same = own if same is None else pc.and_(same, own)
    return int(table.num_rows - (pc.sum(pc.fill_null(same, False)).as_py() or 0))


#: Columns of the tables of ``fit_by_group``.
_TEXT, _NUMBER = pa.string(), pa.float64()
_TABLES: dict[str, dict[str, pa.DataType]] = {
    "curve_terms": {
        **dict.fromkeys(("level", "strain", "bird", "trait", "curve", "term"), _TEXT),
        **dict.fromkeys(("estimate", "std_error", "lower", "upper"), _NUMBER),
        **dict.fromkeys(("status", "reason", "limits", "unit"), _TEXT),
    },
    "answers": {
        **dict.fromkeys(("question", "trait", "quantity"), _TEXT),
        "age_d": _NUMBER,
        "unit": _TEXT,
        **dict.fromkeys(("estimate", "std_error", "lower", "upper"), _NUMBER),
        "n": pa.int64(),
        **dict.fromkeys(("model", "status", "caution"), _TEXT),
    },
}


def _names(names: str | Sequence[str]) -> list[str]:
    return [names] if isinstance(names, str) else list(names)


def _expect(name: str, found: DataType, types: tuple[type, ...], expected: str) -> None:
    if not isinstance(found, types):
        raise ValueError(
            f"column {name}: found type {found.simpleString()}, expected {expected}; convert the column with cast()"
        )


def _arrow_type(of: DataType) -> pa.DataType:
    if isinstance(of, DecimalType):
        return pa.decimal128(of.precision, of.scale)
    known: dict[type[DataType], pa.DataType]
    known = {ByteType: pa.int8(), ShortType: pa.int16(), IntegerType: pa.int32(), LongType: pa.int64()}
    if isinstance(of, StringType):
        return pa.string()
    return known.get(type(of), pa.float64())


def _spark_schema(schema: pa.Schema) -> StructType:
    known: dict[pa.DataType, Callable[[], DataType]] = {
        pa.string(): StringType,
        pa.int8(): ByteType,
        pa.int16(): ShortType,
        pa.int32(): IntegerType,
        pa.int64(): LongType,
        pa.float64(): DoubleType,
    }
    return StructType([StructField(field.name, known[field.type]()) for field in schema])


def _plain(table: pa.Table) -> pa.Table:
    """Categories as text, which Spark takes; text with 32-bit offsets."""
    fields = []
    for field in table.schema:
        kind = field.type.value_type if pa.types.is_dictionary(field.type) else field.type
        if pa.types.is_large_string(kind) or pa.types.is_string_view(kind):
            kind = pa.string()
        fields.append(pa.field(field.name, kind))
    return table.cast(pa.schema(fields))
