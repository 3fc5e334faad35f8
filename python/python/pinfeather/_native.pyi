from os import PathLike
from typing import Any

import pyarrow as pa

__version__: str

def curves() -> dict[str, dict[str, str]]: ...
def write_csv(table: pa.Table, path: str | PathLike[str]) -> None: ...
def fit_curves(
    table: pa.Table,
    *,
    curves: list[str],
    by: list[str],
    bird: str,
    age: str,
    value: str,
    at_age: list[float],
    at_weight: list[float],
    derived: bool,
    covariance: bool,
    variance: str | None,
    hatch_weight: float | None,
    cards: str | PathLike[str] | None,
    any_number: bool,
    threads: int | None,
) -> pa.Table: ...
def predict(fits: pa.Table, ages_d: list[float], confidence: float) -> pa.Table: ...
def study_task(task: str, path: str | PathLike[str], asked: dict[str, Any]) -> dict[str, Any]: ...
