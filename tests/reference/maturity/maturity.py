"""Cue against first egg: mean difference with its t interval, Pearson correlation with its Fisher interval.
usage: python maturity.py > expected.json     (scipy, numpy)"""
import json
import numpy as np
import scipy
from scipy import stats

cue = [112.4, 118.0, 109.7, 121.3, 115.2, 117.9, 123.6, 114.1]
egg = [131.0, 136.0, 125.0, 137.0, 134.0, 131.0, 142.0, 130.0]
d = np.array(egg) - np.array(cue)
r = stats.pearsonr(cue, egg)
ci = r.confidence_interval(.95)
h = stats.sem(d) * stats.t.ppf(.975, len(d) - 1)
print(json.dumps({"scipy": scipy.__version__, "numpy": np.__version__, "cue_d": cue, "first_egg_d": egg,
    "mean": d.mean(), "sd": d.std(ddof=1), "std_error": stats.sem(d), "lower": d.mean()-h, "upper": d.mean()+h,
    "correlation": r.statistic, "correlation_lower": ci.low, "correlation_upper": ci.high}, indent=1))
