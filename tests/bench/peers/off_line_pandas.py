"""The steps of `steady examine --as soak` as one writes them with pandas and scipy: reading, events by a rolling median
and median absolute deviation, and the drift of the settled current with a Newey-West interval."""

import sys
import time

import numpy as np
import pandas as pd
from scipy.optimize import curve_fit
from scipy.stats import norm

begun_s = time.process_time()

# Readings of one second, and what stands out of them: common practice, no source.
WINDOW = 1001
OUTLYING = 6.0
# From the median absolute deviation to the standard deviation of a normal distribution.
MAD_TO_SIGMA = 1.4826

table = pd.read_csv(sys.argv[1], usecols=["elapsed_s", "ch1_current_a", "ch2_current_a"])
events = 0
for name in ("ch1_current_a", "ch2_current_a"):
    current = table[name]
    middle = current.rolling(WINDOW, center=True).median()
    sigma = MAD_TO_SIGMA * (current - middle).abs().rolling(WINDOW, center=True).median()
    outlying = (current - middle).abs() > OUTLYING * sigma
    events += int((outlying & ~outlying.shift(fill_value=False)).sum())

minutes = table.groupby((table["elapsed_s"] // 60).astype("int64")).mean()
hours = minutes["elapsed_s"].to_numpy() / 3600


def settling(t, settled, slope, excess, time_constant):
    return settled + slope * t + excess * np.exp(-t / time_constant)


for name in ("ch1_current_a", "ch2_current_a"):
    mean = minutes[name].to_numpy()
    start = (mean[-1], 0.0, mean[0] - mean[-1], 0.3)
    fitted, _ = curve_fit(settling, hours, mean, p0=start, maxfev=20000)
    residuals = mean - settling(hours, *fitted)
    step = 1e-6
    jacobian = np.column_stack(
        [
            (settling(hours, *(fitted + step * np.eye(4)[k])) - settling(hours, *fitted)) / step
            for k in range(4)
        ]
    )
    # W. K. Newey and K. D. West, Econometrica 55 (1987) 703; the lag by their rule of 1994 in its usual short form.
    lag = int(4 * (len(mean) / 100) ** (2 / 9))
    scores = jacobian * residuals[:, None]
    middle = scores.T @ scores
    for k in range(1, lag + 1):
        product = scores[k:].T @ scores[:-k]
        middle += (1 - k / (lag + 1)) * (product + product.T)
    bread = np.linalg.pinv(jacobian.T @ jacobian)
    error = np.sqrt((bread @ middle @ bread)[1, 1])
    print(name, "drift", fitted[1], "A/h, to", norm.ppf(0.975) * error)
print("events", events)
print(time.process_time() - begun_s)
