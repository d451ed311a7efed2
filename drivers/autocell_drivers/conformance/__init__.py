"""What every driver must do, as tests that run against any bench file.

    pytest --pyargs autocell_drivers.conformance.suite --bench bench.yaml

opens the bench, and moves each kind of axis by at most 1 % of its range. Cautions of the bench
apply: see docs/drivers.md. It needs pytest, which autocell's extra ``test`` brings.
"""
