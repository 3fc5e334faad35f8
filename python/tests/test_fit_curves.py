"""fit_curves and predict: against SciPy, the same from every library and layout, faults by their columns."""

import decimal

import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pytest
from conftest import gompertz, simulated
from scipy.optimize import curve_fit
from scipy.stats import t as student

import pinfeather


def scipy_fit(one):
    terms, covariance = curve_fit(
        gompertz, one.age_d, one.weight_g, p0=[1.2 * one.weight_g.max(), 0.03, 50], xtol=1e-14, ftol=1e-14, gtol=1e-14
    )
    return terms, covariance


def test_terms_and_errors_are_those_of_scipy(weighings):
    fits = pinfeather.fit_curves(weighings, covariance=True).to_pandas().set_index("bird")
    assert list(fits.index) == list(weighings.bird.unique())
    assert set(fits.status) == {"converged"}
    for bird, one in weighings.groupby("bird"):
        terms, covariance = scipy_fit(one)
        fit = fits.loc[bird]
        np.testing.assert_allclose(fit[["A", "k", "ti"]].astype(float), terms, rtol=1e-6)
        errors = fit[["A_std_error", "k_std_error", "ti_std_error"]].astype(float)
        np.testing.assert_allclose(errors, np.sqrt(np.diag(covariance)), rtol=1e-4)
        np.testing.assert_allclose(fit.cov_A_k, covariance[0, 1], rtol=1e-4)
        residuals = one.weight_g - gompertz(one.age_d, *terms)
        np.testing.assert_allclose(fit.sigma, np.sqrt((residuals**2).sum() / 9), rtol=1e-7)
        # What follows from the terms of a gompertz: A, A/e at ti, A k/e a day.
        np.testing.assert_allclose(fit.mature_weight, terms[0], rtol=1e-6)
        np.testing.assert_allclose(fit.inflection_weight, terms[0] / np.e, rtol=1e-6)
        np.testing.assert_allclose(fit.inflection_rate, terms[0] * terms[1] / np.e, rtol=1e-6)
        np.testing.assert_allclose(fit.age_at_50pct, terms[2] - np.log(np.log(2)) / terms[1], rtol=1e-6)


def test_predictions_are_those_of_scipys_fit(weighings):
    fits = pinfeather.fit_curves(weighings, covariance=True)
    found = pinfeather.predict(fits, [70, 126], confidence=0.9).to_pandas()
    assert list(found.columns) == ["bird", "curve", "age_d", "fitted", "std_error", "lower", "upper", "rate"]
    one = weighings[weighings.bird == "b3"]
    terms, covariance = scipy_fit(one)
    row = found[(found.bird == "b3") & (found.age_d == 126)].iloc[0]
    a, k, ti = terms
    e = np.exp(-k * (126 - ti))
    value = a * np.exp(-e)
    gradient = np.array([value / a, value * e * (126 - ti), -value * e * k])
    error = np.sqrt(gradient @ covariance @ gradient)
    np.testing.assert_allclose(row.fitted, value, rtol=1e-7)
    np.testing.assert_allclose(row.std_error, error, rtol=1e-4)
    np.testing.assert_allclose(row.upper, value + student.ppf(0.95, 9) * error, rtol=1e-5)
    np.testing.assert_allclose(row.rate, value * e * k, rtol=1e-6)
    # Without covariances there are values and no errors.
    plain = pinfeather.predict(pinfeather.fit_curves(weighings).to_pandas(), 126)
    assert plain.column("std_error").null_count == plain.num_rows == 20
    assert plain.column("fitted").null_count == 0


def layouts():
    base = simulated(7)
    table = pa.Table.from_pandas(base, preserve_index=False)
    shuffled = base.sample(frac=1, random_state=3)
    yield "pandas", base
    yield "pandas with a day as index", base.set_index(pd.date_range("2026-01-01", periods=len(base)))
    yield "polars", pl.from_pandas(base)
    yield "polars in chunks", pl.concat([pl.from_pandas(base[:30]), pl.from_pandas(base[30:])], rechunk=False)
    yield "polars categorical", pl.from_pandas(base).with_columns(pl.col("bird").cast(pl.Categorical))
    yield "pyarrow", table
    yield "a batch", table.combine_chunks().to_batches()[0]
    yield "chunks that cut birds", pa.concat_tables([table.slice(at, 5) for at in range(0, len(base), 5)])
    yield "sorted by age", base.sort_values("age_d", kind="stable")
    yield "large strings", table.set_column(1, "bird", table["bird"].cast(pa.large_string()))
    yield "string views", table.set_column(1, "bird", table["bird"].cast(pa.string()).cast(pa.string_view()))
    yield "dictionary", table.set_column(1, "bird", table["bird"].cast(pa.string()).dictionary_encode())
    yield "pandas categories", base.assign(bird=base.bird.astype("category"))
    yield "missing weighings", pd.concat([base, base.assign(age_d=base.age_d + 1, weight_g=np.nan)])
    yield "arrays by name", {name: base[name].to_numpy() for name in ("bird", "age_d", "weight_g")}
    yield "shuffled", shuffled


@pytest.mark.parametrize("layout, frame", list(layouts()), ids=[name for name, _ in layouts()])
def test_every_layout_gives_the_same(layout, frame):
    expected = pinfeather.fit_curves(simulated(7)).to_pandas().set_index("bird")
    found = pinfeather.fit_curves(frame).to_pandas()
    found = found.assign(bird=found.bird.astype(str)).set_index("bird")
    if layout != "shuffled":
        assert list(found.index) == list(expected.index)
    pd.testing.assert_frame_equal(found.loc[expected.index], expected, check_exact=True, check_index_type=False)


@pytest.mark.parametrize("kind", [pa.float32(), pa.int32(), pa.uint16(), pa.int64(), pa.decimal128(9, 1), pa.float16()])
def test_numbers_of_every_type(kind):
    base = simulated(3)
    weights = base.weight_g.round(0)
    if pa.types.is_decimal(kind):
        values = pa.array([decimal.Decimal(int(one)) for one in weights], kind)
    elif kind == pa.float16():
        weights = weights.astype(np.float16).astype(float)
        values = pa.array(weights.to_numpy().astype(np.float16))
    else:
        values = pa.array(weights.to_numpy()).cast(kind)
    table = pa.table({"bird": base.bird.tolist(), "age_d": base.age_d, "weight_g": values})
    same = pinfeather.fit_curves(base.assign(weight_g=weights)).drop_columns("bird")
    assert pinfeather.fit_curves(table).drop_columns("bird").equals(same)


def test_identities_keep_their_type_and_groups_set_birds_apart():
    base = simulated(6)
    table = pa.table(
        {
            "farm": pa.array([7 if bird < "b3" else 8 for bird in base.bird], pa.int16()),
            "ring": pa.array([int(bird[1:]) % 3 for bird in base.bird], pa.int32()),
            "days": base.age_d,
            "grams": base.weight_g,
        }
    )
    found = pinfeather.fit_curves(table, by="farm", bird="ring", age="days", value="grams")
    assert found.schema.names[:2] == ["farm", "ring"]
    assert [found.schema.field(name).type for name in ("farm", "ring")] == [pa.int16(), pa.int32()]
    assert found.num_rows == 6
    same = pinfeather.fit_curves(base)
    assert found.column("A").equals(same.column("A"))
    with pytest.raises(ValueError, match=r"column grams: found two values of one bird at 1 d"):
        pinfeather.fit_curves(table, bird="ring", age="days", value="grams")


def test_several_curves_and_quantities_have_columns_of_one_name(weighings):
    found = pinfeather.fit_curves(weighings, ["gompertz", "two-phase-gompertz"], at_age=[126], at_weight=[1000])
    assert found.num_rows == 40
    names = found.schema.names
    assert len(set(names)) == len(names)
    for name in ("A", "A1", "A2", "ti2_std_error", "weight_at_126d", "rate_at_126d", "age_at_1000g", "second_peak_age"):
        assert name in names
    assert found.schema.field("weight_at_126d").metadata == {b"unit": b"g"}
    one = found.slice(0, 2).to_pandas()
    assert list(one.curve) == ["gompertz", "two-phase-gompertz"]
    assert one.A1.isna()[0] and one.inflection_age.isna()[1]
    few = pinfeather.fit_curves(weighings, derived=False, at_age=[126]).schema.names
    assert "mature_weight" not in few and "weight_at_126d" in few
    # The number of threads changes nothing.
    assert pinfeather.fit_curves(weighings, threads=1).equals(pinfeather.fit_curves(weighings, threads=3))


def test_anchored_curves_pass_through_the_weight_at_hatch():
    base = simulated(2)
    hatched = pd.concat([base, pd.DataFrame({"bird": ["b0"], "age_d": [0.0], "weight_g": [40.0]})])
    found = pinfeather.fit_curves(hatched, "anchored-gompertz").to_pandas().set_index("bird")
    assert found.status["b0"] == "converged" and found.n["b0"] == 12
    assert found.status["b1"] == "not fitted"
    assert "hatch" in found.reason["b1"]
    both = pinfeather.fit_curves(hatched, "anchored-gompertz", hatch_weight=40.0).to_pandas()
    assert list(both.status) == ["converged", "converged"]


def test_what_the_data_do_not_determine_is_null():
    base = simulated(2)
    few = base[(base.bird == "b0") | (base.age_d < 30)]
    found = pinfeather.fit_curves(few).to_pandas().set_index("bird")
    assert found.status["b0"] == "converged" and found.reason.isna()["b0"]
    assert found.status["b1"] == "not fitted"
    assert found.loc["b1", ["A", "k", "sigma", "mature_weight"]].isna().all()
    assert found.reason["b1"]
    nobody = pinfeather.fit_curves(base.iloc[:0].astype({"bird": "str"}))
    assert nobody.num_rows == 0 and "A" in nobody.schema.names


def test_the_program_has_the_same_numbers(weighings, program, tmp_path):
    weighings.to_csv(tmp_path / "weighings.csv", index=False)
    terms = program("fit", tmp_path / "weighings.csv", "--level", "bird", "--curve", "gompertz")["curve_terms"]
    wide = terms.pivot(index="bird", columns="term", values="estimate")
    errors = terms.pivot(index="bird", columns="term", values="std_error")
    found = pinfeather.fit_curves(weighings).to_pandas().set_index("bird").loc[wide.index]
    for name in wide.columns:
        np.testing.assert_allclose(found[name], wide[name], rtol=1e-9)
        np.testing.assert_allclose(found[f"{name}_std_error"], errors[name], rtol=1e-9)


BASE = simulated(2)


@pytest.mark.parametrize(
    "frame, options, expected",
    [
        (BASE, {"value": "grams"}, "column grams: not found among strain, bird, age_d, weight_g, expected the column of value"),
        (BASE, {"bird": 3}, "bird: found 3, expected the name of a column"),
        (BASE, {"by": "farm"}, r"column farm: not found among .* expected the column of by\[0\]"),
        (BASE.assign(weight_g="heavy"), {}, "column weight_g: found text, expected numbers, the mass in g; convert the column to float64"),
        (BASE.assign(weight_g=[1.0, "x"] * 12), {}, "column weight_g: found values that make no column of one type"),
        (BASE.assign(age_d=pd.Timestamp("2026-03-01")), {}, "column age_d: found type Timestamp.*, expected numbers, the age in days"),
        (BASE.assign(weight_g=BASE.weight_g > 3), {}, "column weight_g: found type Boolean, expected numbers"),
        (BASE.assign(bird=BASE.bird.where(BASE.index != 4)), {}, r"column bird: found no value in 1 rows \(the first is row 4"),
        (BASE.assign(bird=1.5), {}, "column bird: found type Float64, expected the birds' names"),
        (BASE.assign(age_d=BASE.age_d.where(BASE.index != 3)), {}, "column age_d: found no number in row 3 .*expected an age in days from 0 to 3650"),
        (BASE.assign(age_d=-BASE.age_d), {}, "column age_d: found -1 in row 0 .* and 23 more rows"),
        (BASE.assign(weight_g=-BASE.weight_g), {}, "column weight_g: found -.* expected a mass in g above 0"),
        (BASE.assign(weight_g=np.inf), {}, "column weight_g: found inf in row 0"),
        (BASE, {"curve": "gompert"}, 'unknown curve "gompert".*did you mean gompertz'),
        (BASE, {"curve": ["gompertz", "gompertz"]}, "curve: found gompertz twice"),
        (BASE, {"variance": "none"}, 'variance: found "none", expected one of constant, proportional, power, lognormal'),
        (BASE.rename(columns={"bird": "status"}), {"bird": "status"}, "column status: found a column of birds of the name"),
        (3, {}, "data: found int, expected a table of pandas"),
        (pl.from_pandas(BASE).lazy(), {}, "data: found a lazy frame"),
    ],
)  # fmt: skip
def test_faults_name_their_column(frame, options, expected):
    with pytest.raises(ValueError, match=expected):
        pinfeather.fit_curves(frame, **options)


def test_any_number_takes_replicates():
    twice = pd.concat([BASE, BASE])
    found = pinfeather.fit_curves(twice, any_number=True)
    assert found.column("n").to_pylist() == [24, 24]
    np.testing.assert_allclose(found.column("A"), pinfeather.fit_curves(BASE).column("A"), rtol=1e-8)


def test_other_threads_run_while_it_computes():
    """The interpreter is free: another thread counts on while birds are fitted."""
    import threading
    import time

    many = simulated(500)
    many = pd.concat([many.assign(bird=many.bird + f"-{copy}") for copy in range(40)], ignore_index=True)
    table = pa.Table.from_pandas(many)
    longest, stop, before = 0.0, threading.Event(), time.perf_counter()

    def count():
        nonlocal longest, before
        while not stop.is_set():
            time.sleep(0)
            now = time.perf_counter()
            longest, before = max(longest, now - before), now

    counting = threading.Thread(target=count)
    counting.start()
    began = time.perf_counter()
    for _ in range(5):
        pinfeather.fit_curves(table, "richards", threads=1)
    took = time.perf_counter() - began
    stop.set()
    counting.join()
    assert longest < took / 5 / 2


