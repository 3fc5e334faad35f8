"""Expected values for target interpolation, uniformity intervals and a worked deviation table.
usage: python flock.py > expected.json     (scipy, numpy)"""
import json
import numpy as np
import scipy
from scipy import optimize, stats
from scipy.interpolate import PchipInterpolator

out = {"scipy": scipy.__version__, "numpy": np.__version__}

# Monotone cubic through the RPN 14 data of Fritsch and Carlson 1980 and through a pullet-like table.
cases = {
    "rpn14": ([7.99, 8.09, 8.19, 8.7, 9.2, 10, 12, 15, 20],
              [1e-9, 2.76429e-5, 4.37498e-2, 0.169183, 0.469428, 0.943740, 0.998636, 0.999919, 0.999994]),
    "uneven_with_fall": ([0, 7, 14, 28, 56, 63, 84, 126], [38, 70, 125, 280, 640, 640, 600, 1450]),
}
out["monotone_cubic"] = []
for name, (x, y) in cases.items():
    f = PchipInterpolator(x, y)
    at = np.linspace(x[0], x[-1], 41)
    out["monotone_cubic"].append({"name": name, "x": x, "y": y, "at": at.tolist(), "value": f(at).tolist()})

# Share within the range: Wilson's interval.
out["wilson"] = []
for k, n, c in [(95, 115, .95), (10, 20, .95), (0, 9, .95), (9, 9, .9), (80, 100, .99)]:
    ci = stats.binomtest(k, n).proportion_ci(c, method="wilson")
    out["wilson"].append({"within": k, "n": n, "confidence": c, "lower_pct": 100*ci.low, "upper_pct": 100*ci.high})

# Exact limits of a CV under normality: sqrt(n)/K is noncentral t on n-1 with noncentrality sqrt(n)/cv.
def exact(k, n, p):
    f = lambda cv: stats.nct.cdf(np.sqrt(n)/k, n-1, np.sqrt(n)/cv) - p
    return optimize.brentq(f, k/20, k*20, xtol=1e-14)

out["cv_exact"] = []
chicks = [156, 162, 168, 182, 186, 190, 190, 196, 202, 210, 214, 220, 226, 230, 230, 236, 236, 242, 246, 270]
for name, w in [("chicks", chicks), ("five", [1180., 1240., 1315., 1202., 1288.])]:
    k = np.std(w, ddof=1)/np.mean(w); n = len(w)
    out["cv_exact"].append({"name": name, "weights": w, "cv_pct": 100*k,
                            "lower_pct": 100*exact(k, n, .025), "upper_pct": 100*exact(k, n, .975)})

# A strain of five birds at 100 d against a linear stretch of target: mean, standard error, t interval.
w = np.array([1180., 1240., 1315., 1202., 1288.]); m = w.mean(); se = stats.sem(w)
h = se*stats.t.ppf(.975, 4)
out["group"] = {"weights": w.tolist(), "mean": m, "std_error": se, "half_width": h}
print(json.dumps(out, indent=1))
