"""What stands above the pictures: where the faces came from, what to do next, what to take care of."""

from __future__ import annotations

from lapwright.report.account import Account
from lapwright.report.advice import advise
from lapwright.report.beforehand import came_from
from lapwright.report.finding_words import care
from lapwright.report.typeset import escaped

__all__ = ["asides"]

IN_FULL = 2  # things to take care of, the gravest; the rest unfolds


def asides(said: Account) -> str:
    """Where the faces came from, what to do next, and what to take care of."""
    advice = advise(said)
    start = said.study.start
    told = {
        "Start": [] if start is None else [came_from(start)],
        "Next": [] if advice is None else [advice.text],
        "Take care": care(said.run, said.study),
    }
    return "".join(
        f'<p class="aside"><b>{lead}</b> {"<br>".join(map(escaped, texts[:IN_FULL]))}</p>' + _more(texts)
        for lead, texts in told.items()
        if texts
    )


def _more(texts: list[str]) -> str:
    """What does not stand in full on the first screen, to be opened."""
    more = texts[IN_FULL:]
    if not more:
        return ""
    return (
        f'<details class="aside"><summary>{len(more)} more to take care of</summary>'
        f"{'<br>'.join(map(escaped, more))}</details>"
    )
