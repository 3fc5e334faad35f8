"""SciPy's curve_fit on the birds of benches/fit.rs's kind: microseconds a fit.

usage: python compare_fit.py BIRDS.csv   (bird, age_d, weight_g)
Prints the curve, the number of birds and microseconds of one thread's CPU a fit,
tab-separated. Starts: A 1.4 times the heaviest weight, k 0.05, ti the age at 40% of
the heaviest; analytic Jacobian; method "lm" (MINPACK).
"""

import csv
import sys
import time
import warnings
from collections import defaultdict

import numpy as np
from scipy.optimize import curve_fit

warnings.filterwarnings("ignore")


def gompertz(t, a, k, ti):
    return a * np.exp(-np.exp(-k * (t - ti)))


def gompertz_gradient(t, a, k, ti):
    e = np.exp(-k * (t - ti))
    share = np.exp(-e)
    rise = a * share * e
    return np.column_stack([share, rise * (t - ti), -rise * k])


def richards(t, a, k, ti, m):
    return a * (1 + (m - 1) * np.exp(-k * (t - ti))) ** (1 / (1 - m))


birds = defaultdict(lambda: ([], []))
with open(sys.argv[1], newline="") as table:
    for row in csv.DictReader(table):
        ages, weights = birds[row["bird"]]
        ages.append(float(row["age_d"]))
        weights.append(float(row["weight_g"]))
birds = [(np.array(ages), np.array(weights)) for ages, weights in birds.values()]

for name, curve, gradient, shape in [
    ("gompertz", gompertz, gompertz_gradient, []),
    ("richards", richards, None, [1.5]),
]:
    began = time.thread_time()
    failed = 0
    for ages, weights in birds:
        top = weights.max()
        ti = ages[np.argmax(weights >= 0.4 * top)]
        try:
            curve_fit(curve, ages, weights, [1.4 * top, 0.05, ti, *shape], jac=gradient, method="lm")
        except (RuntimeError, ValueError):
            failed += 1
    took = (time.thread_time() - began) / len(birds)
    print(f"scipy\t{name}\t{len(birds)}\t{1e6 * took:.1f}\t{failed}")
