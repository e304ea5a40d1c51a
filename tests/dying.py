"""Work at which a worker dies; a module of its own, so that workers load little else."""

import os


def dies_of_two(job: int) -> int:
    """Ten times the job; the worker that is given 2 is gone."""
    if job == 2:
        os._exit(3)
    return 10 * job


def dies(job: int) -> int:
    """Nobody lives to tell."""
    os._exit(3)
