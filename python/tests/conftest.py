"""Simulated birds, and the program to compare with."""

import os
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "data-demo"


def gompertz(age_d, a, k, ti):
    return a * np.exp(-np.exp(-k * (age_d - ti)))


def simulated(birds=20, seed=1, strains=("Alder", "Birch")):
    """Birds weighed at 12 ages from 1 to 155 d: gompertz curves, errors of 2 %."""
    random = np.random.default_rng(seed)
    ages = np.linspace(1.0, 155.0, 12)
    rows = []
    for bird in range(birds):
        a, k, ti = 1600 + 80 * random.normal(), 0.03 * (1 + 0.05 * random.normal()), 50 + 2 * random.normal()
        weights = gompertz(ages, a, k, ti) * (1 + 0.02 * random.normal(size=ages.size))
        rows.append(
            pd.DataFrame({"strain": strains[bird % len(strains)], "bird": f"b{bird}", "age_d": ages, "weight_g": weights})
        )
    return pd.concat(rows, ignore_index=True)


@pytest.fixture(scope="session")
def weighings():
    return simulated()


@pytest.fixture(scope="session")
def program(tmp_path_factory):
    """Runs the program and returns its tables."""
    path = os.environ.get("PINFEATHER")
    if not path:
        pytest.skip("PINFEATHER does not name the program")

    def run(*arguments):
        out = tmp_path_factory.mktemp("program")
        call = [path, *map(str, arguments), "--out", str(out), "--quiet"]
        subprocess.run(call, check=True, capture_output=True, text=True)
        return {
            file.stem: pd.read_csv(file, keep_default_na=False, na_values=[""]) for file in (out / "tables").glob("*.csv")
        }

    return run


def same_table(ours, program):
    """That a table has the rows of the program's CSV: text equal, numbers to its 10 digits."""
    ours = ours.to_pandas()
    assert list(ours.columns) == list(program.columns)
    assert len(ours) == len(program)
    for name in ours.columns:
        own, other = ours[name], program[name]
        assert list(own.isna()) == list(other.isna()), name
        own, other = own.dropna(), other.dropna()
        if pd.api.types.is_numeric_dtype(other):
            np.testing.assert_allclose(own.astype(float), other.astype(float), rtol=1e-9, err_msg=name)
        else:
            assert list(own.astype(str)) == list(other.astype(str)), name
