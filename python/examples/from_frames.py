"""From data frames to curves, a mixed model, deviations from target and a whole analysis.

Cells (``# %%``) run one by one in a notebook or an editor, or all at once:
``python from_frames.py path/to/data-demo``.
"""

# %% Weighings of the demo study: one row a bird and date; ages follow from the day of hatch.
import sys
from pathlib import Path

import pandas as pd

import pinfeather

demo = Path(sys.argv[1] if len(sys.argv) > 1 else "data-demo")
birds = pd.read_csv(demo / "birds.csv", parse_dates=["hatch_date"])
weighings = pd.read_csv(demo / "weighings.csv", parse_dates=["date"]).merge(birds, on="bird")
weighings["age_d"] = (weighings.date - weighings.hatch_date).dt.days

# %% A curve to each bird. The table is Arrow: to pandas, polars or DuckDB without a copy of its numbers.
fits = pinfeather.fit_curves(weighings, ["gompertz", "two-phase-gompertz"], by="strain", at_age=[126], covariance=True)
wide = fits.to_pandas()
print(wide.groupby(["strain", "curve", "status"], observed=True).size())
print(wide[wide.curve == "gompertz"].groupby("strain")[["A", "k", "ti", "weight_at_126d"]].mean())

# %% Their values at other ages, with 95 % intervals.
print(pinfeather.predict(fits.slice(0, 2), [56, 112]).to_pandas())

# %% All birds at once by a mixed model: typical birds of each strain.
population = pinfeather.fit_population(weighings[["strain", "bird", "age_d", "weight_g"]], "gompertz", at_age=[126])
print(population.answers.to_pandas()[["strain", "quantity", "age_d", "estimate", "lower", "upper"]])

# %% Deviations from target.
targets = pd.read_csv(demo / "targets.csv")
judged = pinfeather.deviation(weighings[["strain", "bird", "age_d", "weight_g"]], targets)
deviation = judged.tables["deviation"].to_pandas()
print(deviation[deviation.level == "strain"].groupby("strain").tail(1).T)

# %% The whole study: a notebook shows the figures of `results.figures`.
results = pinfeather.analyse(demo)
print(results)
print(results.answers.to_pandas().query("quantity == 'age_in_lay_50pct'")[["strain", "estimate", "lower", "upper"]])
results.figures

# %% A fault is a ValueError that names the column.
try:
    pinfeather.fit_curves(weighings, value="grams")
except ValueError as fault:
    print(fault)
