"""Writes a run's readings as CSV with polars; they are in memory already."""

import sys
import time

import polars as pl

table = pl.read_parquet(sys.argv[1])
begun_s = time.process_time()
table.write_csv(sys.argv[2])
print(time.process_time() - begun_s)
