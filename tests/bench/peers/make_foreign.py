"""Makes a CSV as another instrument might write it: so many rows of time and two currents in mA, with noise."""

import sys
import time

import numpy as np
import polars as pl

rows = int(sys.argv[1])
noise = np.random.default_rng(1).normal(0, 0.05, (2, rows))
pl.DataFrame(
    {
        "Time (s)": np.arange(rows) / 1000,
        "Supply 1 (mA)": np.round(90 + noise[0], 4),
        "Supply 2 (mA)": np.round(268 + noise[1], 4),
    }
).write_csv(sys.argv[2])
print(time.process_time())
