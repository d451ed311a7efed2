"""One computing thread a process. Imports nothing: it must come before numpy in a new process."""

ONE_THREAD = dict.fromkeys(
    (
        "NUMBA_NUM_THREADS",
        "OMP_NUM_THREADS",
        "OPENBLAS_NUM_THREADS",
        "MKL_NUM_THREADS",
        "VECLIB_MAXIMUM_THREADS",
    ),
    "1",
)
"""Environment of a process that shares its machine with as many others as there are cores."""
