"""Reads a CSV of time and two currents with polars."""

import sys
import time

import polars as pl

begun_s = time.process_time()
table = pl.read_csv(sys.argv[1], schema_overrides={"Time (s)": pl.Float64})
total = table["Supply 1 (mA)"].sum() + table["Supply 2 (mA)"].sum()
print(table.height, "rows, sum of the currents", total / 1000, "A")
print(time.process_time() - begun_s)
