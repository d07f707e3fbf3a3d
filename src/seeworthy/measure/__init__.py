"""Measures: pure functions from arrays and numbers to results; no files, no database."""
