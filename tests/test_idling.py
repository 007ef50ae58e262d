"""Idle threads are held against the clocks of the operating system: who sleeps uses no processor."""

from __future__ import annotations

import os
import subprocess
import sys

from fettlebox.idling import SLEEPING

WORK_AND_WAIT = """
import time
from fettlebox.idling import let_idle_threads_sleep
let_idle_threads_sleep()
import numba
import numpy as np

@numba.njit(parallel=True)
def sums(points):
    out = np.empty(len(points))
    for i in numba.prange(len(points)):
        out[i] = points[i].sum()
    return out

points = np.random.default_rng(0).random((200_000, 3))
sums(points @ np.eye(3))
waited, used = 0.0, 0.0
for _ in range(10):
    sums(points @ np.eye(3))
    clock, processor = time.perf_counter(), time.process_time()
    time.sleep(0.05)
    waited += time.perf_counter() - clock
    used += time.process_time() - processor
print(used / waited)
"""


def test_threads_with_nothing_to_do_use_no_processor() -> None:
    """After a product of matrices and a parallel kernel; left to themselves they use a core and more."""
    plain = {name: value for name, value in os.environ.items() if name not in SLEEPING}
    done = subprocess.run(
        [sys.executable, "-c", WORK_AND_WAIT],
        env={**plain, "NUMBA_NUM_THREADS": str(os.cpu_count())},
        capture_output=True,
        text=True,
        check=True,
    )
    assert float(done.stdout) < 0.05


def test_the_command_lets_them_sleep() -> None:
    """Whatever it then starts inherits it."""
    told = "import os; print([os.environ.get(name) for name in ('OPENBLAS_NUM_THREADS', 'OMP_WAIT_POLICY')])"
    ask = (
        "import sys; sys.argv = ['fettlebox', '--version']\n"
        "from fettlebox.cli import main\n"
        "try: main()\n"
        f"finally: {told}"
    )
    plain = {name: value for name, value in os.environ.items() if name not in SLEEPING}
    done = subprocess.run([sys.executable, "-c", ask], env=plain, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "['1', 'passive']"
