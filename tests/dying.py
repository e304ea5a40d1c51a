"""Work at which a worker dies, or takes its time; a module of its own, so that workers load little else."""

import os
import time


def dies_of_two(job: int) -> int:
    """Ten times the job; the worker that is given 2 is gone."""
    if job == 2:
        os._exit(3)
    return 10 * job


def dies(job: int) -> int:
    """Nobody lives to tell."""
    os._exit(3)


def naps(job: int) -> int:
    """Ten times the job, after a while."""
    time.sleep(0.2)
    return 10 * job
