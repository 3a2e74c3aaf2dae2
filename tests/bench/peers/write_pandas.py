"""Writes a run's readings as CSV with pandas; they are in memory already."""

import sys
import time

import pandas as pd

table = pd.read_parquet(sys.argv[1])
begun_s = time.process_time()
table.to_csv(sys.argv[2], index=False)
print(time.process_time() - begun_s)
