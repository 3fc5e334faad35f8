#!/usr/bin/env python3
"""Time and memory of `fit --level bird --memory` on tables of 1, 2 and 4 million birds with
twelve weighings each, rows grouped by bird or in the order of age, beside a table in memory.

    cargo build --release
    benches/long_tables.py FOLDER [MILLIONS ...]

FOLDER gets the tables (0.3 GB a million birds) and the results, which are removed again. Needs
numpy; time is that of the clock, memory the greatest resident set of the program.
"""

import os
import shutil
import subprocess
import sys
import time

import numpy as np

AGES_D = np.array([0, 7, 14, 28, 42, 56, 70, 84, 98, 112, 126, 140.0])
STRAINS = ["Alder", "Birch", "Cedar", "Dogwood"]
BLOCK = 20_000
PROGRAM = os.path.join(os.path.dirname(__file__), "..", "target", "release", "pinfeather")


def weights(first, count):
    """Weights of some birds, a row each: Gompertz curves with two percent of error."""
    rng = np.random.default_rng(first)
    asymptote = 1700 * np.exp(0.08 * rng.standard_normal(count))
    rate = 0.030 * np.exp(0.05 * rng.standard_normal(count))
    inflection = 50 + 2 * rng.standard_normal(count)
    age = AGES_D[None, :] - inflection[:, None]
    mean = asymptote[:, None] * np.exp(-np.exp(-rate[:, None] * age))
    return mean * np.exp(0.02 * rng.standard_normal(mean.shape))


def write(path, birds, grouped):
    """A table of birds, a row a weighing."""
    with open(path, "w", encoding="utf-8") as out:
        out.write("bird,strain,age_d,weight_g\n")
        columns = [None] if grouped else range(len(AGES_D))
        for column in columns:
            for first in range(0, birds, BLOCK):
                some = weights(first, min(BLOCK, birds - first))
                ages = AGES_D if grouped else AGES_D[column : column + 1]
                some = some if grouped else some[:, column : column + 1]
                rows = (
                    f"b{first + at:07d},{STRAINS[(first + at) % 4]},{age:.0f},{weight:.1f}\n"
                    for at, row in enumerate(some.tolist())
                    for age, weight in zip(ages, row)
                )
                out.writelines(rows)


def measure(name, table, folder, options):
    """Runs the program and prints time and memory."""
    out = os.path.join(folder, "results")
    program = os.environ.get("PINFEATHER", PROGRAM)
    call = [program, "fit", table, "--level", "bird", "--curve", "gompertz", "--out", out]
    begin = time.time()
    process = subprocess.Popen([*call, "--quiet", *options], stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.time() - begin
    written = sum(
        os.path.getsize(os.path.join(at, file)) for at, _, files in os.walk(out) for file in files
    )
    shutil.rmtree(out, ignore_errors=True)
    print(
        f"| {name} | {seconds:.1f} s | {usage.ru_utime + usage.ru_stime:.1f} s | "
        f"{usage.ru_maxrss / 1024:.0f} MB | {written / 1e9:.2f} GB |"
        + ("" if status == 0 else f" status {status}"),
        flush=True,
    )


def main():
    folder = sys.argv[1]
    millions = [float(text) for text in sys.argv[2:]] or [1, 2, 4]
    print("| birds x 12 | time | processor time | memory | results |\n| --- | --- | --- | --- | --- |")
    for million in millions:
        for grouped in (True, False):
            table = os.path.join(folder, "long.csv")
            write(table, int(million * 1_000_000), grouped)
            order = "grouped" if grouped else "by age"
            base = f"{million:g} M, {order}"
            for tables in ("terms_wide", "curve_terms,curve_fits,curve_choice,curves,residuals"):
                name = "one wide table" if tables == "terms_wide" else "all five tables"
                options = ["--memory", "500", "--temporary-folder", folder, "--tables", tables]
                measure(f"{base}, {name}", table, folder, options)
            if grouped and million <= 1:
                measure(f"{base}, in memory, all five tables", table, folder, [])
            os.remove(table)


if __name__ == "__main__":
    main()
