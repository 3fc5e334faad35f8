"""The first egg of single birds given their weighings, by quadrature over their terms.

Every bird follows a two-phase gompertz curve whose A2 (log scale) and ti2 (ln(ti2 - ti1)) differ
between birds; log-normal residuals. The integrals over both effects are sums on a fine grid: no
mode, no linearisation. `python one_bird.py > one_bird.json`
"""
import json
import sys

import numpy as np
from scipy.stats import norm

A1, K1, TI1, A2, K2, TI2 = 1380.0, 0.03, 42.0, 400.0, 0.085, 120.0
SD_A2, SD_TI2, SIGMA = 0.1, 0.05, 0.02
LAG, EFFECT, ERROR, SEEN = 17.0, -1.5, 2.8, 119.0


def weight(age, a2, ti2):
    return A1 * np.exp(-np.exp(-K1 * (age - TI1))) + a2 * np.exp(-np.exp(-K2 * (age - ti2)))


z = np.linspace(-6, 6, 601)
za, zt = np.meshgrid(z, z, indexing="ij")
a2, ti2 = A2 * np.exp(SD_A2 * za), TI1 + (TI2 - TI1) * np.exp(SD_TI2 * zt)
prior = norm.logpdf(za) + norm.logpdf(zt)
birds = []
random = np.random.default_rng(8)
for last in [98, 112, 119, 119, 126, 133]:
    ages = np.arange(0.0, last + 1, 7.0)
    true = random.normal(size=2)
    own = weight(ages, A2 * np.exp(SD_A2 * true[0]), TI1 + (TI2 - TI1) * np.exp(SD_TI2 * true[1]))
    values = np.round(own * np.exp(SIGMA * random.normal(size=len(ages))), 1)
    log = prior.copy()
    for age, value in zip(ages, values):
        log += norm.logpdf(np.log(value), np.log(weight(age, a2, ti2)), SIGMA)
    posterior = np.exp(log - log.max())
    posterior /= posterior.sum()
    centre = ti2 + LAG + EFFECT * za
    mean = (posterior * centre).sum()
    sd = np.sqrt((posterior * (centre - mean) ** 2).sum() + ERROR**2)
    left = (posterior * norm.sf((SEEN - centre) / ERROR)).sum()
    laid_by = {
        age: 1 - (posterior * norm.sf((age - centre) / ERROR)).sum() / left for age in (130, 135, 140, 145)
    }
    birds.append(
        dict(ages=ages.tolist(), values=values.tolist(), mean=mean, sd=sd,
             laid_by=[[age, share] for age, share in laid_by.items()])
    )
json.dump(dict(python=sys.version.split()[0], numpy=np.__version__, birds=birds), sys.stdout, indent=1)
