"""Dense restricted likelihood and universal kriging of the model relative to the target.

Every covariance is written out as one matrix over all weighings; nothing is shared with the
program but the model's equations. Run: python3 relative.py > expected.json (numpy, scipy).
"""

import csv
import json

import numpy as np
from scipy.optimize import minimize

MEMORY = 28.0
rng = np.random.default_rng(20261130)

# Two strains, weighed at these ages; some weighings are missing.
AGES = [49.0, 56.0, 63.0, 77.0, 84.0, 91.0, 105.0]
AHEAD = [112.0, 126.0]
TABLE = np.arange(42.0, 141.0, 7.0)
TARGET = np.round(1500.0 * np.exp(-np.exp(-0.03 * (TABLE - 45.0))))
target_at = dict(zip(TABLE, TARGET))

with open("targets.csv", "w") as file:
    file.write("age_d,target_g\n")
    for age, grams in zip(TABLE, TARGET):
        file.write(f"{age:.0f},{grams:.0f}\n")


def walk(s, t):
    return np.minimum.outer(s, t)


def slope(s, t):
    s, t = np.meshgrid(s / MEMORY, t / MEMORY, indexing="ij")
    fading = np.exp(-s) + np.exp(-t) - np.exp(-np.abs(s - t))
    return MEMORY**2 * (2 * np.minimum(s, t) - 1 + fading)


rows = []
for strain, (name, birds) in enumerate([("East", 9), ("West", 6)]):
    days = np.array(AGES) - AGES[0]
    path = rng.multivariate_normal(
        np.zeros(len(days)), 1.5e-5 * walk(days, days) + 1e-7 * slope(days, days)
    )
    for bird in range(birds):
        own = 0.06 * rng.normal() + rng.multivariate_normal(
            np.zeros(len(days)), 3e-5 * walk(days, days) + 4e-7 * slope(days, days)
        )
        for at, age in enumerate(AGES):
            log = -0.02 + 0.04 * strain + path[at] + own[at] + 0.015 * rng.normal()
            if rng.random() > 0.12:
                rows.append((f"{name[0]}{bird}", name, age, round(target_at[age] * np.exp(log), 1)))
with open("weighings.csv", "w") as file:
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(["bird", "strain", "age_d", "weight_g"])
    writer.writerows(rows)

bird = np.array([row[0] for row in rows])
strain = np.array([row[1] for row in rows])
age = np.array([row[2] for row in rows])
y = np.log([row[3] / target_at[row[2]] for row in rows])
day = age - AGES[0]
same_bird = bird[:, None] == bird[None, :]
same_strain = strain[:, None] == strain[None, :]
n = len(y)


def restricted(v, x):
    """-1/2 (ln|V| + ln|X'V^-1 X| + r'V^-1 r + (n - p) ln 2 pi)."""
    inverse = np.linalg.inv(v)
    information = x.T @ inverse @ x
    beta = np.linalg.solve(information, x.T @ inverse @ y)
    r = y - x @ beta
    logs = np.linalg.slogdet(v)[1] + np.linalg.slogdet(information)[1]
    return -0.5 * (logs + r @ inverse @ r + (n - x.shape[1]) * np.log(2 * np.pi))


def of_birds(theta):
    level, of_walk, of_slope, error = theta
    process = level + of_walk * walk(day, day) + of_slope * slope(day, day)
    return same_bird * process + error * np.eye(n)


occasions = np.array(
    [(strain == s) & (age == a) for s in ("East", "West") for a in AGES], dtype=float
).T
start = np.log([3e-3, 3e-5, 4e-7, 2e-4])
found = minimize(
    lambda log: -restricted(of_birds(np.exp(log)), occasions),
    start,
    method="Nelder-Mead",
    options=dict(xatol=1e-10, fatol=1e-12, maxiter=40000, maxfev=40000, adaptive=True),
)
found = minimize(
    lambda log: -restricted(of_birds(np.exp(log)), occasions),
    found.x,
    method="Nelder-Mead",
    options=dict(xatol=1e-11, fatol=1e-13, maxiter=40000, maxfev=40000, adaptive=True),
)
theta = np.exp(found.x)

PATH = (2e-5, 2e-7)
of_path = PATH[0] * walk(day, day) + PATH[1] * slope(day, day)
v = of_birds(theta) + same_strain * of_path
strains = np.array([strain == s for s in ("East", "West")], dtype=float).T
whole = restricted(v, strains)

inverse = np.linalg.inv(v)
information = strains.T @ inverse @ strains
beta = np.linalg.solve(information, strains.T @ inverse @ y)


def at_bird(one, ahead):
    """Covariance of a bird's log ratio to come with all weighings, and its design row."""
    then = np.array([ahead - AGES[0]])
    own_strain = strain[bird == one][0]
    shared = PATH[0] * walk(day, then)[:, 0] + PATH[1] * slope(day, then)[:, 0]
    own = theta[0] + theta[1] * walk(day, then)[:, 0] + theta[2] * slope(day, then)[:, 0]
    x = np.array([own_strain == "East", own_strain == "West"], dtype=float)
    return (strain == own_strain) * shared + (bird == one) * own, x


def alone(one, other, ahead):
    then = np.array([ahead - AGES[0]])
    shared = (PATH[0] * walk(then, then) + PATH[1] * slope(then, then))[0, 0]
    own = (theta[0] + theta[1] * walk(then, then) + theta[2] * slope(then, then))[0, 0]
    return (strain[bird == one][0] == strain[bird == other][0]) * shared + (one == other) * own


def kriging(members, ahead):
    """Universal kriging of some birds' log ratios, errors of weighing apart: means, covariance."""
    between, x = (np.array(part) for part in zip(*[at_bird(one, ahead) for one in members]))
    before = np.array([[alone(one, other, ahead) for other in members] for one in members])
    mean = x @ beta + between @ inverse @ (y - strains @ beta)
    left = x.T - strains.T @ inverse @ between.T
    return mean, before - between @ inverse @ between.T + left.T @ np.linalg.solve(information, left)


def own_variance(one, ahead):
    """Variance of a bird's own deviation given its weighings and its strain's path."""
    then = np.array([ahead - AGES[0]])
    mine = bird == one
    c = theta[0] + theta[1] * walk(day[mine], then)[:, 0] + theta[2] * slope(day[mine], then)[:, 0]
    before = (theta[0] + theta[1] * walk(then, then) + theta[2] * slope(then, then))[0, 0]
    return before - c @ np.linalg.inv(of_birds(theta)[np.ix_(mine, mine)]) @ c


forecasts = []
for one in sorted(set(bird)):
    for ahead in AHEAD:
        mean, variance = (part.item() for part in kriging([one], ahead))
        forecasts.append(
            dict(bird=one, age_d=ahead, weight_g=target_at[ahead] * np.exp(mean), variance=variance)
        )
means = []
for members in (["E0", "E1", "E2"], ["E3", "W0", "W1"]):
    for ahead in AHEAD:
        mean, covariance = kriging(members, ahead)
        own = np.array([own_variance(one, ahead) for one in members])
        expected = target_at[ahead] * np.exp(mean + 0.5 * (own + theta[3]))
        k = len(members)
        variance = expected @ covariance @ expected / k**2
        means.append(
            dict(
                birds=members,
                age_d=ahead,
                weight_g=expected.mean(),
                standard_error=np.sqrt(variance),
                prediction_error=np.sqrt(variance + theta[3] * (expected @ expected) / k**2),
            )
        )
print(
    json.dumps(
        dict(
            theta=list(theta),
            birds_log_lik=-found.fun,
            path=list(PATH),
            log_lik=whole,
            forecasts=forecasts,
            means=means,
        ),
        indent=1,
    )
)
