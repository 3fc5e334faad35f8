"""Growth of egg-type pullets: curves, mixed models, body composition, targets and sexual maturity.

Tables come in as pandas, polars or pyarrow tables, or anything with the Arrow interface (``__arrow_c_stream__``), and
go out as :class:`pyarrow.Table` (``.to_pandas()``, ``polars.from_arrow``). Ages are days, masses grams. What is wrong
with an input is a :class:`ValueError` that names the column, what was found and what is expected; a fit that the data
do not support is a row with its status and reason, and null in place of numbers.

``fit_curves`` and ``predict`` compute on the frame's memory; the other functions read a study (a folder, or frames
that are written to a private temporary folder) as the program ``pinfeather`` does, and give the same numbers.
:mod:`pinfeather.spark` has ``fit_curves`` and ``fit_by_group`` for Spark data frames.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Union

import pyarrow as pa

from . import _frames, _native
from ._native import __version__
from ._results import Figure, Figures, Results

__all__ = [
    "Figure",
    "Figures",
    "Results",
    "__version__",
    "analyse",
    "calibrate",
    "correct",
    "curves",
    "deviation",
    "first_egg",
    "fit_curves",
    "fit_population",
    "predict",
]

#: A table of pandas, polars or pyarrow, or anything with the Arrow interface.
Frame = Any
#: A study: its folder, the path of one table, one table, or its tables by name.
Study = Union[str, "os.PathLike[str]", Frame, Mapping[str, Frame]]


def curves() -> dict[str, dict[str, str]]:
    """Built-in growth curves: name to terms, each with its unit (``g``, ``1/d``, ``d``, or empty)."""
    return _native.curves()


def fit_curves(
    df: Frame,
    curve: str | Sequence[str] = "gompertz",
    *,
    by: str | Sequence[str] = (),
    bird: str = "bird",
    age: str = "age_d",
    value: str = "weight_g",
    at_age: Sequence[float] = (),
    at_weight: Sequence[float] = (),
    derived: bool = True,
    covariance: bool = False,
    variance: str | None = None,
    hatch_weight: float | None = None,
    cards: str | os.PathLike[str] | None = None,
    any_number: bool = False,
    threads: int | None = None,
) -> pa.Table:
    """Fits growth curves to each bird: one row a bird and curve.

    Parameters
    ----------
    df
        One row a weighing, in any order; numbers of float64 without nulls are read where they lie when a bird's rows
        stand together and ascend in age.
    curve
        One curve or several, of :func:`curves` or of ``cards``.
    by
        Columns that set birds of the same name apart (farm, strain); they stand first in the result.
    bird, age, value
        Columns: the bird's name (text, categories or whole numbers, without nulls), its age in days (0 to 3650), its
        mass in g (above 0, up to 20,000). A row whose value is null or NaN is no weighing. A bird has one value at an
        age.
    at_age, at_weight
        Ages in days at which weight, rate and relative rate are estimated; masses in g whose age is.
    derived
        Whether mature weight, age, weight and rate at the inflection and the like have columns.
    covariance
        Whether the covariances of the terms have columns (``cov_A_k``), as intervals of :func:`predict` need.
    variance
        Spread of residuals: ``constant`` (default), ``proportional``, ``power`` or ``lognormal``.
    hatch_weight
        Weight at age 0 in g for the anchored curves, where a bird has none.
    cards
        Folder of curve cards.
    any_number
        For data that are not weights of birds: any ages and values, several at one age are replicates.
    threads
        Threads to use; all processors by default.

    Returns
    -------
    pyarrow.Table
        ``by`` columns and ``bird`` as in ``df``; ``curve``; ``status`` (``converged``, ``weak``, ``failed``, ``not
        fitted``); ``reason`` (null where converged); ``n`` weighings; ``sigma``, the residual standard deviation;
        ``log_lik``; ``aicc``; then each term and derived quantity with its standard error (``A``, ``A_std_error``),
        its unit in the field's metadata. What the data do not determine is null. Birds stand in order of first
        appearance.

    Raises
    ------
    ValueError
        A missing column, one of a wrong type, a row without a bird's name or an age, an age or mass no bird has.
    """
    by = _names(by)
    wanted = {**{f"by[{place}]": name for place, name in enumerate(by)}, "bird": bird, "age": age, "value": value}
    _frames.require(_frames.names_of(df), wanted)
    table = _frames.table_of(df, list(dict.fromkeys(wanted.values())))
    return _native.fit_curves(
        table,
        curves=_names(curve),
        by=by,
        bird=bird,
        age=age,
        value=value,
        at_age=_numbers(at_age),
        at_weight=_numbers(at_weight),
        derived=derived,
        covariance=covariance,
        variance=variance,
        hatch_weight=hatch_weight,
        cards=cards,
        any_number=any_number,
        threads=threads,
    )


def predict(fits: Frame, ages: float | Sequence[float], confidence: float = 0.95) -> pa.Table:
    """Values of fitted curves at given ages.

    Parameters
    ----------
    fits
        What :func:`fit_curves` returned, or some of its rows; standard errors and intervals need
        ``covariance=True`` there.
    ages
        Ages in days, m of them.
    confidence
        Confidence of the intervals, between 0 and 1.

    Returns
    -------
    pyarrow.Table
        m rows a row of ``fits``: its identity columns, ``curve``, ``age_d``, ``fitted`` (g), ``std_error`` (g),
        ``lower`` and ``upper`` (g; pointwise, of the curve), ``rate`` (g/d). Null where a fit has no terms, or one
        that the data do not determine.
    """
    names = _frames.names_of(fits)
    _frames.require(names, {"fits": "curve"})
    return _native.predict(_frames.table_of(fits, names), _numbers(ages), confidence)


def analyse(
    study: Study,
    *,
    settings: Mapping[str, Any] | None = None,
    bird: str | None = None,
    age: str | None = None,
    value: str | None = None,
    group: str | None = None,
    pen: str | None = None,
    date: str | None = None,
    hatched_on: str | None = None,
    targets: Frame | None = None,
    eggs: Frame | None = None,
    curve: str | Sequence[str] = (),
    confidence: float = 0.95,
    seed: int = 1,
    as_of: float | None = None,
    figures: bool = True,
    threads: int | None = None,
) -> Results:
    """The whole analysis of a study, as ``pinfeather run`` makes it.

    Parameters
    ----------
    study
        A study folder, the path of a table, one table of weighings, or tables by their names in ``study.toml``:
        ``{"weighings": df, "birds": birds, "targets": targets}``.
    settings
        Sections of ``study.toml`` for tables given by name, such as ``{"fit": {"curves": ["gompertz"]}}``.
    bird, age, value, group, pen, date, hatched_on
        Columns of a single table, as in :func:`fit_population`.
    targets, eggs
        Tables of targets and of first eggs beside a single table, as in :func:`deviation` and :func:`first_egg`.
    curve
        Curves; the study's by default.
    confidence, seed
        Of the intervals; of everything drawn at random.
    as_of
        Age in days as of which everything is answered, from what was known then.
    figures
        Whether figures are drawn.
    threads
        Threads to use; all processors by default.
    """
    columns = _columns(bird, age, value, group, pen, date, hatched_on)
    asked = {
        "curves": _names(curve),
        "confidence": confidence,
        "seed": seed,
        "as_of": as_of,
        "forecast": True,
        "figures": figures,
        "threads": threads,
    }
    return _task("analyse", study, asked, columns, settings, targets=targets, onset=eggs)


def fit_population(
    df: Study,
    curve: str | Sequence[str] = (),
    *,
    bird: str | None = None,
    age: str | None = None,
    value: str | None = None,
    group: str | None = None,
    pen: str | None = None,
    random: str | Sequence[str] | None = None,
    random_scale: str | None = None,
    covariance: str | None = None,
    variance: str | None = None,
    correlation: str | None = None,
    estimator: str | None = None,
    criterion: str | None = None,
    fixed_by: str | Sequence[str] = (),
    at_age: Sequence[float] = (),
    at_weight: Sequence[float] = (),
    cards: str | os.PathLike[str] | None = None,
    confidence: float = 0.95,
    seed: int = 1,
    any_number: bool = False,
    settings: Mapping[str, Any] | None = None,
    figures: bool = False,
    threads: int | None = None,
) -> Results:
    """A nonlinear mixed model of all birds, as ``pinfeather fit --level population`` makes it.

    Parameters
    ----------
    df
        One row a weighing, or a study as in :func:`analyse`.
    curve
        Curves, of which the best is taken; gompertz, logistic and richards by default.
    bird, age, value, group, pen
        Columns: the bird's name, age in days (or as the column's name says: ``age_w``), mass in g, the group with
        fixed effects of its own (``strain`` by default, where there is such a column), the pen.
    random
        Terms that differ between birds, ``[]`` for none; chosen by likelihood where not given.
    random_scale, covariance, variance, correlation
        ``natural`` or ``log``; ``diagonal`` or ``full``; ``constant``, ``proportional``, ``power`` or ``lognormal``;
        ``none`` or ``ar1``; chosen by likelihood where not given.
    estimator, criterion
        ``alternating`` (default), ``laplace`` or ``quadrature``; ``ml`` or ``reml``.
    fixed_by
        What sets the groups apart: ``strain``, ``treatment``, ``pen``.
    at_age, at_weight
        Ages in days and masses in g at which quantities are estimated.

    Returns
    -------
    Results
        ``tables["curve_terms"]`` has typical terms by group, spreads between birds and each bird's terms,
        ``tables["curve_fits"]`` likelihoods and status, ``tables["curves"]`` typical and birds' curves with bands;
        ``answers`` the typical masses.
    """
    asked = {
        "curves": _names(curve),
        "random": None if random is None else _names(random),
        "random_scale": random_scale,
        "covariance": covariance,
        "variance": variance,
        "correlation": correlation,
        "estimator": estimator,
        "criterion": criterion,
        "by": _names(fixed_by),
        "at_age": _numbers(at_age),
        "at_weight": _numbers(at_weight),
        "cards": cards,
        "confidence": confidence,
        "seed": seed,
        "figures": figures,
        "threads": threads,
    }
    columns = _columns(bird, age, value, group, pen, any_number=any_number)
    return _task("population", df, asked, columns, settings)


def deviation(
    df: Study,
    targets: Frame | None = None,
    *,
    bird: str | None = None,
    age: str | None = None,
    value: str | None = None,
    group: str | None = None,
    pen: str | None = None,
    back_by: float | None = None,
    uniformity_range: float = 10.0,
    forecast: bool | Sequence[float] = False,
    as_of: float | None = None,
    population: str | os.PathLike[str] | None = None,
    curve: str | Sequence[str] = (),
    confidence: float = 0.95,
    settings: Mapping[str, Any] | None = None,
    figures: bool = False,
    threads: int | None = None,
) -> Results:
    """Weighings against the target trajectory, as ``pinfeather target`` sets them.

    Parameters
    ----------
    df
        One row a weighing, or a study as in :func:`analyse`.
    targets
        Table of targets: ``strain``, ``age_d``, ``target_g`` (g), ``lower_g``, ``upper_g``; of a study by default.
    back_by
        Age in days by which the birds are to be back on target.
    uniformity_range
        Half width of the range that counts as uniform, percent of the mean.
    forecast
        Whether weights are forecast, or the ages in days to forecast them for.
    as_of
        Age in days as of which everything is answered.
    population
        File of a saved population to judge the birds by.

    Returns
    -------
    Results
        ``tables["deviation"]`` has deviations by age in g, percent and days, ``tables["uniformity"]`` CV and
        uniformity; with a forecast ``tables["forecast"]`` as well.
    """
    ahead = not isinstance(forecast, bool)
    asked = {
        "curves": _names(curve),
        "back_by": back_by,
        "uniformity_range": uniformity_range,
        "forecast": bool(ahead or forecast),
        "forecast_ages": sorted(_numbers(forecast)) if ahead else [],
        "as_of": as_of,
        "population": population,
        "confidence": confidence,
        "figures": figures,
        "threads": threads,
    }
    columns = _columns(bird, age, value, group, pen)
    return _task("deviation", df, asked, columns, settings, targets=targets)


def first_egg(
    df: Study,
    eggs: Frame | None = None,
    *,
    bird: str | None = None,
    age: str | None = None,
    value: str | None = None,
    group: str | None = None,
    pen: str | None = None,
    as_of: float | None = None,
    population: str | os.PathLike[str] | None = None,
    curve: str | Sequence[str] = (),
    at_weight: Sequence[float] = (),
    confidence: float = 0.95,
    seed: int = 1,
    settings: Mapping[str, Any] | None = None,
    figures: bool = False,
    threads: int | None = None,
) -> Results:
    """Ages at first egg, their cues in growth and their forecast, as ``pinfeather onset`` makes them.

    Parameters
    ----------
    df
        One row a weighing, or a study as in :func:`analyse`.
    eggs
        Table of first eggs: ``bird``, ``first_egg_age_d`` (d, null for a bird that has not laid), ``last_seen_age_d``
        (d); of a study by default.
    as_of
        Age in days as of which first eggs are forecast.
    population
        File of a saved population with first eggs, to forecast by.
    at_weight
        Masses in g whose ages are cues.

    Returns
    -------
    Results
        ``tables["lay_curve"]`` has the age at shares of birds in lay, ``tables["onset_forecast"]`` each bird's
        forecast, ``answers`` the ages at 50 % in lay.
    """
    asked = {
        "curves": _names(curve),
        "as_of": as_of,
        "population": population,
        "at_weight": _numbers(at_weight),
        "confidence": confidence,
        "seed": seed,
        "figures": figures,
        "threads": threads,
    }
    columns = _columns(bird, age, value, group, pen)
    return _task("first_egg", df, asked, columns, settings, onset=eggs)


def calibrate(
    study: Study,
    response: str | None = None,
    terms: str | Sequence[str] = (),
    *,
    bird: str | None = None,
    weighting: str | None = None,
    confidence: float = 0.95,
    settings: Mapping[str, Any] | None = None,
) -> Results:
    """Equations from scanner readings to chemistry, judged by birds left out, as ``pinfeather calibrate``.

    Parameters
    ----------
    study
        A study with ``scans`` and ``chemistry`` (a folder, or tables by name), or one table with a row a scan beside
        its chemistry, for which ``response`` and ``terms`` are needed.
    response
        Column of chemistry, such as ``fat_chem``.
    terms
        Terms of the equation, ``"fat_scan,age,strain"``; several are candidates.
    bird
        Column that names the bird of a single table (``bird`` by default, where there is one).
    weighting
        ``ordinary``, ``power`` or ``huber``.

    Returns
    -------
    Results
        ``tables["calibration_terms"]``, ``tables["agreement"]`` and others; ``equations``, which :func:`correct` takes.
    """
    asked = {
        "response": response,
        "terms": _names(terms),
        "bird": bird,
        "weighting": weighting,
        "confidence": confidence,
    }
    return _task("calibrate", study, asked, None, settings)


def correct(
    scans: Study,
    equations: Results | Mapping[str, str] | str | os.PathLike[str] | Sequence[str | os.PathLike[str]] = (),
    *,
    group: str | None = None,
    reconcile: bool = False,
    confidence: float = 0.95,
    settings: Mapping[str, Any] | None = None,
) -> Results:
    """True masses behind scanner readings, as ``pinfeather correct`` gives them.

    Parameters
    ----------
    scans
        One row a scan (``bird``, ``age_d`` or ``date``, ``fat_g``, ``lean_g``, ``bone_g``, ...), or a study.
    equations
        What :func:`calibrate` returned, or files or a folder of saved equations; the study's own by default.
    group
        Column of strains of a single table.
    reconcile
        Whether the parts are moved by the smallest weighted change so that they add up.

    Returns
    -------
    Results
        ``tables["corrected"]`` has each scan's masses in g, with the error of a new bird and the part that all birds
        share.
    """
    with _frames.private_folder() as folder:
        if isinstance(equations, Results):
            equations = equations.equations
        if isinstance(equations, Mapping):
            texts = Results({}, Figures({}), equations, (), ())
            equations = texts.save_equations(folder / "equations") if equations else ()
        elif isinstance(equations, (str, os.PathLike)):
            equations = [equations]
        asked = {
            "equations": [os.fspath(path) for path in equations],
            "reconcile": reconcile,
            "confidence": confidence,
        }
        columns = _columns(None, None, None, group, None)
        return _task("correct", scans, asked, columns, settings)


_ASKED: dict[str, Any] = {
    "columns": None,
    "curves": [],
    "cards": None,
    "confidence": 0.95,
    "seed": 1,
    "at_age": [],
    "at_weight": [],
    "by": [],
    "random": None,
    "random_scale": None,
    "covariance": None,
    "correlation": None,
    "variance": None,
    "estimator": None,
    "criterion": None,
    "as_of": None,
    "back_by": None,
    "uniformity_range": 10.0,
    "forecast": False,
    "forecast_ages": [],
    "population": None,
    "equations": [],
    "response": None,
    "terms": [],
    "bird": None,
    "weighting": None,
    "reconcile": False,
    "figures": False,
    "threads": None,
}


def _columns(
    bird: str | None,
    age: str | None,
    value: str | None,
    group: str | None,
    pen: str | None,
    date: str | None = None,
    hatched_on: str | None = None,
    any_number: bool = False,
) -> dict[str, Any]:
    return {
        "bird": bird,
        "age": age,
        "date": date,
        "hatch_date": None,
        "hatched_on": hatched_on,
        "value": value,
        "group": group,
        "pen": pen,
        "house": None,
        "trait_name": None,
        "targets": None,
        "onset": None,
        "any_number": any_number,
    }


def _task(
    task: str,
    study: Study,
    asked: Mapping[str, Any],
    columns: dict[str, Any] | None,
    settings: Mapping[str, Any] | None,
    **beside: Frame | None,
) -> Results:
    """Runs a task of the library on a study, or on frames written to a private folder."""
    given = {name: frame for name, frame in beside.items() if frame is not None}
    named = {option: name for option, name in (columns or {}).items() if isinstance(name, str)}
    with _frames.private_folder() as folder:
        path = Path("")
        single = True
        if isinstance(study, (str, os.PathLike)):
            path = Path(study)
            single = not path.is_dir()
        elif isinstance(study, Mapping):
            path = _frames.write_study({**study, **given}, settings, folder)
            single = False
        else:
            read = {option: named[option] for option in named if option != "hatched_on" and named[option] != "none"}
            _frames.require(_frames.names_of(study), read)
            path = _frames.write(study, folder / "data.csv")
        if not single and named:
            option = next(iter(named))
            raise ValueError(
                f"{option}: found with a study of several tables, expected with one table; name the column in its "
                "settings"
            )
        if not single and given and not isinstance(study, Mapping):
            raise ValueError(f"{next(iter(given))}: found with a study folder, expected in its study.toml")
        if single and settings is not None:
            raise ValueError("settings: found with one table, expected with tables by name")
        if single and columns is not None:
            for name, frame in given.items():
                is_path = isinstance(frame, (str, os.PathLike))
                columns[name] = os.fspath(frame) if is_path else str(_frames.write(frame, folder / f"{name}.csv"))
        found = _native.study_task(task, path, {**_ASKED, **asked, "columns": columns if single else None})
        return Results(
            tables=found["tables"],
            figures=Figures({name: Figure(name, svg) for name, svg in found["figures"]}),
            equations=dict(found["equations"]),
            words=tuple(_frames.without(line, folder) for line in found["words"]),
            warnings=tuple(_frames.without(line, folder) for line in found["warnings"]),
        )


def _names(names: str | Sequence[str]) -> list[str]:
    return [names] if isinstance(names, str) else [str(name) for name in names]


def _numbers(numbers: float | Sequence[float]) -> list[float]:
    try:
        return [float(numbers)]  # type: ignore[arg-type]
    except TypeError:
        return [float(number) for number in numbers]  # type: ignore[union-attr]
