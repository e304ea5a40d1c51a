"""Carrying a comparison out: each job that is not in safety yet is given to the crew and kept as it comes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from lapwright.planning.crew import Crew
from lapwright.planning.draws import Tolerance
from lapwright.planning.job import Answer, Job, lapped, light
from lapwright.planning.members import Member
from lapwright.planning.store import Store
from lapwright.planning.summary import Summary
from lapwright.planning.work import work_through
from lapwright.study.recorder import Heading

__all__ = ["carry_out", "jobs_of", "lost", "meaningless"]


def meaningless(members: Sequence[Member]) -> list[Summary]:
    """What came of members whose study means nothing: that it failed, and why."""
    return [
        Summary(i, 0, "failed", trouble=member.trouble, code="study")
        for i, member in enumerate(members)
        if member.study is None
    ]


def jobs_of(
    members: Sequence[Member],
    samples: int,
    tolerance: Tolerance,
    heading: Heading,
    follow: bool = False,
) -> list[Job]:
    """Every member as it stands, then draw by draw: so that what was stopped early holds for all members.

    `follow`: keep what a goal asks for along the time.
    """
    found = []
    for draw in range(samples + 1):
        for i, member in enumerate(members):
            if member.study is None:
                continue
            bare = replace(member.study, variants=(), swept=None, goal=None, text="" if draw else member.text)
            job = Job(i, draw, light(bare), None if draw else heading, tolerance, follow)
            found.append(job)
    return found


def lost(job: Job) -> Answer:
    """What is answered for a job whose worker died of it."""
    trouble = "its worker died, perhaps for want of memory: take fewer cells, or fewer --workers"
    return Answer(Summary(job.member, job.draw, "failed", trouble=trouble, code="worker"), None, 0.0)


def carry_out(
    jobs: Sequence[Job],
    members: Sequence[Member],
    crew: Crew,
    store: Store | None,
    stop: Callable[[], bool],
    tell: Callable[[int], None],
) -> list[Summary]:
    """Do the jobs; each chunk of answers is put in safety, if there is a store, before the next is looked at.

    `tell` is told how many are done.  Ends early when `stop` says so.
    """
    found: list[Summary] = []
    for answers in work_through(crew, lapped, jobs, lost=lost, stop=stop):
        if store is not None:
            store.keep(answers, members)
        found += [answer.summary for answer in answers]
        tell(len(found))
    return found
