"""Time of a bird's fit from Python: 100,000 birds x 12 weighings as in benches/fit.rs, gompertz, one thread.

``python benches/fit.py [US]``, US the microseconds a bird of ``BIRDS_CSV=birds.csv cargo bench --bench fit`` on the same
machine. Beside it: with derived quantities, rows in no order, and every processor.
"""

import sys
import time

import numpy as np
import pyarrow as pa

import pinfeather

BIRDS, AGES = 100_000, 12


def birds(count: int) -> pa.Table:
    """A 2500 g (12 % between birds), k 0.075/d (10 %), ti 26 d (8 %), errors of 3 %, ages to 2.2 times ti."""
    random = np.random.default_rng(20_240_613)
    a, k, ti = (mean * (1 + share * random.normal(size=(count, 1))) for mean, share in [(2500, 0.12), (0.075, 0.1), (26, 0.08)])
    ages = np.linspace(1.0, 2.2 * 26, AGES) * np.ones((count, 1))
    weights = a * np.exp(-np.exp(-k * (ages - ti))) * (1 + 0.03 * random.normal(size=ages.shape))
    names = pa.array([f"bird {bird}" for bird in range(count)]).dictionary_encode()
    names = pa.DictionaryArray.from_arrays(np.repeat(np.arange(count, dtype=np.int32), AGES), names.dictionary)
    return pa.table({"bird": names, "age_d": ages.ravel(), "weight_g": weights.ravel()})


def best(work, clock, times: int = 7) -> float:
    took = []
    for _ in range(times):
        began = clock()
        work()
        took.append(clock() - began)
    return min(took)


if __name__ == "__main__":
    table = birds(BIRDS)
    text = table.set_column(0, "bird", table["bird"].cast(pa.string()))
    shuffled = text.take(np.random.default_rng(1).permutation(table.num_rows))
    rust = float(sys.argv[1]) if len(sys.argv) > 1 else None
    for name, frame, options in [
        ("terms and standard errors, one thread", table, {"derived": False, "threads": 1}),
        ("the same, names as text", text, {"derived": False, "threads": 1}),
        ("with derived quantities", table, {"threads": 1}),
        ("terms and standard errors, rows in no order", shuffled, {"derived": False, "threads": 1}),
        ("with derived quantities, all processors", table, {}),
    ]:
        # Of one thread the processor's time, which other work on the machine disturbs less.
        clock = time.process_time if options.get("threads") == 1 else time.perf_counter
        us = 1e6 * best(lambda: pinfeather.fit_curves(frame, **options), clock) / BIRDS
        print(f"{name}: {us:.2f} us a bird" + (f", {us / rust:.2f} times Rust" if rust else ""))
