"""Spark against one process: 1,000,000 birds x 12 weighings on ``local-cluster[2,1,2048]`` and by one direct call.

``python benches/spark.py [BIRDS]``. The rows are read from Parquet in no order of birds, and the results are written to
Parquet, in both cases. Printed: seconds, birds a second and core, and the ratio.
"""

import os
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from fit import birds

os.environ.setdefault("SPARK_LOCAL_IP", "127.0.0.1")
os.environ["PYSPARK_PYTHON"] = os.environ["PYSPARK_DRIVER_PYTHON"] = sys.executable

from pyspark.sql import SparkSession  # noqa: E402

import pinfeather  # noqa: E402
import pinfeather.spark  # noqa: E402



def processor() -> float:
    """Seconds of processor of this process and all that it started, as far as they live or were waited for."""
    parents, seconds = {}, {}
    for entry in Path("/proc").iterdir():
        try:
            fields = (entry / "stat").read_text().rsplit(")", 1)[1].split() if entry.name.isdigit() else None
        except OSError:
            continue
        if fields:
            parents[int(entry.name)] = int(fields[1])
            seconds[int(entry.name)] = sum(map(int, fields[11:15])) / os.sysconf("SC_CLK_TCK")
    ours = {os.getpid()}
    while more := {pid for pid, parent in parents.items() if parent in ours} - ours:
        ours |= more
    return sum(seconds[pid] for pid in ours)


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    with tempfile.TemporaryDirectory() as folder:
        table = birds(count).set_column(0, "bird", birds(count)["bird"].cast(pa.string()))
        order = np.random.default_rng(1).permutation(count * 12)
        pq.write_table(table.take(order), f"{folder}/rows.parquet", row_group_size=1_000_000)
        del table, order
        began, used = time.perf_counter(), processor()
        fits = pinfeather.fit_curves(pq.read_table(f"{folder}/rows.parquet"), threads=1)
        pq.write_table(fits, f"{folder}/direct.parquet")
        direct, used = time.perf_counter() - began, processor() - used
        print(f"one process, one thread: {direct:.1f} s, processor {used:.1f} s")
        session = (
            SparkSession.builder.master("local-cluster[2,1,2048]")
            .config("spark.executor.memory", "2g")
            .config("spark.driver.memory", "2g")
            .config("spark.ui.enabled", "false")
            .config("spark.sql.shuffle.partitions", "32")
            .getOrCreate()
        )
        session.sparkContext.setLogLevel("OFF")
        rows = session.read.parquet(f"{folder}/rows.parquet")
        pinfeather.spark.fit_curves(rows.limit(1200)).count()
        began, before = time.perf_counter(), processor()
        pinfeather.spark.fit_curves(rows).write.parquet(f"{folder}/spark.parquet")
        took, busy = time.perf_counter() - began, processor() - before
        print(f"Spark, two executors of one core: {took:.1f} s, {2 * took / direct:.2f} times one process per core")
        print(f"processor of driver, executors and workers: {busy:.1f} s, {busy / used:.2f} times one process")
        found = session.read.parquet(f"{folder}/spark.parquet").selectExpr("count(*)", "sum(A)").first()
        mean = np.nansum(fits["A"].to_numpy()) / found[1]
        print(f"{found[0]} rows; sum of A over that of the direct call {1 / mean:.12f}")
        session.stop()
