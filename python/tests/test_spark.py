"""Fits on Spark with separate executor processes: the same rows as the direct call, whatever happens on the way."""

import os
import signal
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from conftest import simulated

import pinfeather

os.environ["SPARK_LOCAL_IP"] = "127.0.0.1"
os.environ["PYSPARK_PYTHON"] = os.environ["PYSPARK_DRIVER_PYTHON"] = sys.executable
pyspark = pytest.importorskip("pyspark")

from pyspark.sql import SparkSession  # noqa: E402

import pinfeather.spark  # noqa: E402


@pytest.fixture(scope="module")
def spark():
    session = (
        SparkSession.builder.master("local-cluster[2,1,1280]")
        .config("spark.executor.memory", "1g")
        .config("spark.driver.memory", "1g")
        .config("spark.sql.shuffle.partitions", "4")
        .config("spark.ui.enabled", "false")
        .config("spark.ui.showConsoleProgress", "false")
        .config("spark.sql.execution.arrow.maxRecordsPerBatch", "100")
        .getOrCreate()
    )
    session.sparkContext.setLogLevel("OFF")
    yield session
    session.stop()


@pytest.fixture(scope="module")
def rows():
    """Rows of 60 birds, of which the first 50 stand on one huge farm, in no order; one bird has too few."""
    base = simulated(60)
    number = base.bird.str[1:].astype(int)
    base["farm"] = np.where(number < 50, 1, number)
    base = base[(base.bird != "b59") | (base.age_d < 20)]
    return base.sample(frac=1, random_state=2)[["farm", "bird", "age_d", "weight_g"]]


def direct(rows):
    found = pinfeather.fit_curves(rows, by="farm").to_pandas()
    return ordered(found.assign(curve=found.curve.astype(str), status=found.status.astype(str)))


def ordered(frame):
    return frame.sort_values(["farm", "bird"], ignore_index=True)


def same(found, expected):
    pd.testing.assert_frame_equal(ordered(found), expected, check_exact=True, check_dtype=False)


def test_the_same_as_the_direct_call(spark, rows):
    expected = direct(rows)
    assert "not fitted" in set(expected.status)
    df = spark.createDataFrame(rows)
    # Nearly all rows are of one farm.
    same(pinfeather.spark.fit_curves(df.coalesce(1), by="farm").toPandas(), expected)
    # Most of 12 partitions are empty.
    few = rows[rows.bird.isin(["b0", "b1", "b52"])]
    found = pinfeather.spark.fit_curves(spark.createDataFrame(few), by="farm", partitions=12)
    same(found.toPandas(), direct(few))
    nobody = pinfeather.spark.fit_curves(df.where("farm = -1"), by="farm")
    assert nobody.count() == 0 and nobody.columns == list(expected.columns)


def test_birds_that_batches_cut_are_whole(rows):
    whole = rows.sort_values(["farm", "bird", "age_d"])
    table = pa.Table.from_pandas(whole, preserve_index=False)
    before = pinfeather.spark.ROWS_AT_ONCE
    try:
        for size, at_once in [(1, 1), (7, 1), (7, 30), (100, 65_536), (13, 13)]:
            pinfeather.spark.ROWS_AT_ONCE = at_once
            parts = list(pinfeather.spark.whole_birds(table.to_batches(max_chunksize=size), ["farm", "bird"]))
            birds = [bird for part in parts for bird in set(part["bird"].to_pylist())]
            assert len(birds) == len(set(birds)) == 60
            assert pa.concat_tables(parts).equals(table)
    finally:
        pinfeather.spark.ROWS_AT_ONCE = before


def test_faults_of_columns_are_found_before_a_job(spark, rows):
    df = spark.createDataFrame(rows)
    with pytest.raises(ValueError, match="column grams: not found among farm, bird, age_d, weight_g"):
        pinfeather.spark.fit_curves(df, value="grams")
    with pytest.raises(ValueError, match="column weight_g: found type string, expected numbers, the mass in g"):
        pinfeather.spark.fit_curves(df.withColumn("weight_g", df.weight_g.cast("string")))
    with pytest.raises(ValueError, match="column bird: found type double, expected names: text or whole numbers"):
        pinfeather.spark.fit_curves(df.withColumn("bird", df.weight_g))
    with pytest.raises(ValueError, match='unknown curve "gompert"'):
        pinfeather.spark.fit_curves(df, "gompert")
    with pytest.raises(ValueError, match="column line: not found among"):
        pinfeather.spark.fit_by_group(df, "line")


def test_a_fault_in_the_rows_fails_the_job_with_its_text(spark, rows):
    spoilt = spark.createDataFrame(rows.assign(weight_g=-rows.weight_g))
    with pytest.raises(Exception, match="column weight_g: found -.* expected a mass in g above 0"):
        pinfeather.spark.fit_curves(spoilt, by="farm").collect()
    nameless = spark.createDataFrame(rows.assign(bird=rows.bird.where(rows.bird != "b7", None)))
    with pytest.raises(Exception, match="column bird: found no value in 12 rows"):
        pinfeather.spark.fit_curves(nameless, by="farm").collect()


@pytest.mark.parametrize("accident", ["a task fails", "an executor is killed"])
def test_accidents_change_nothing(spark, rows, tmp_path, accident):
    """A task that fails in the middle of its rows, or whose executor dies, is run again by Spark."""
    once = str(tmp_path / "happened")

    def spoil(batches):
        for place, batch in enumerate(batches):
            if place == 2 and not os.path.exists(once):
                Path(once).touch()
                if accident == "a task fails":
                    raise OSError("a broken disk")
                # The executor is the parent of the daemon that this worker comes from.
                daemon = Path(f"/proc/{os.getppid()}/stat").read_text()
                executor = int(daemon.rsplit(")", 1)[1].split()[1])
                Path(once).write_text(Path(f"/proc/{executor}/comm").read_text())
                os.kill(executor, signal.SIGKILL)
            yield batch

    df = spark.createDataFrame(rows).repartition(2)
    fits = pinfeather.spark.fit_curves(df.mapInArrow(spoil, df.schema), by="farm")
    same(fits.toPandas(), direct(rows))
    assert Path(once).read_text() == ("java\n" if accident == "an executor is killed" else "")


def test_a_model_a_group(spark, rows):
    farms = rows.assign(strain=np.where(rows.bird.str[1:].astype(int) % 2 == 0, "Alder", "Birch"))
    df = spark.createDataFrame(farms)
    found = pinfeather.spark.fit_by_group(df, "strain", "gompertz").toPandas()
    assert list(found.columns)[:2] == ["group_strain", "level"]
    for strain, own in farms.groupby("strain"):
        expected = pinfeather.fit_population(own.drop(columns=["strain", "farm"]), "gompertz", group="none")
        expected = expected.tables["curve_terms"].to_pandas()
        mine = found[found.group_strain == strain].drop(columns="group_strain")
        by = ["level", "bird", "term"]
        mine, expected = (
            one.fillna({"bird": "", "strain": ""}).sort_values(by, ignore_index=True) for one in (mine, expected)
        )
        assert list(mine.columns) == list(expected.columns)
        assert list(mine.bird) == list(expected.bird) and list(mine.term) == list(expected.term)
        # The order of the birds, by which sums are rounded, is Spark's.
        np.testing.assert_allclose(mine.estimate.astype(float), expected.estimate.astype(float), rtol=1e-4)
    answers = pinfeather.spark.fit_by_group(df, "strain", "gompertz", table="answers").toPandas()
    assert set(answers.quantity) >= {"typical_mass"}
    with pytest.raises(Exception, match="strain Alder: .*weight_g"):
        pinfeather.spark.fit_by_group(df.selectExpr("strain", "bird", "age_d", "-weight_g AS weight_g").where("strain = 'Alder'"), "strain").collect()
