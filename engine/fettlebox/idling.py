"""Threads that have nothing to do shall sleep: by default, those of the libraries wait by turning in circles.

After each product of matrices OpenBLAS keeps a thread for each core busy for a tenth of a second, and GNU's
OpenMP, which runs numba's kernels, does likewise for some milliseconds. Nothing is faster for it where jobs
follow each other, and another job, or another program, goes without those cores.
"""

from __future__ import annotations

import os

SLEEPING = {"OPENBLAS_NUM_THREADS": "1", "OMP_WAIT_POLICY": "passive"}
"""Read by OpenBLAS and OpenMP (whose specification has OMP_WAIT_POLICY) when they are loaded. Turning a part
is too little work to share: children whose BLAS wakes a thread for each core wait for each other (60,000
points with both cores busy: 23 ms instead of 0.3)."""


def let_idle_threads_sleep() -> None:
    """For this process and those it starts, unless whoever started it has said otherwise. To be called before
    numpy is imported.
    """
    for name, value in SLEEPING.items():
        os.environ.setdefault(name, value)
