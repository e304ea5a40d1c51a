"""What a study with a batch means, said back before anything is lapped; nothing heavy is imported."""

from __future__ import annotations

from lapwright.presentation.words import say
from lapwright.specification.batch import MOST_STOOD, SHORT_SPELL, Batch, Dress
from lapwright.study.model import Study
from lapwright.units import Units, joined, sentence

SIDES = {"dome": "dome or dish"}  # forms that a plate is dressed at, whichever way


def before_words(study: Study) -> list[str]:
    """How many parts, where they lie, how they scatter, and when the plate is dressed."""
    batch, units = study.batch, study.units
    if batch is None:
        return []
    given = {"count": str(batch.count), "part": batch.part, "loads": str(batch.loads)}
    lies = "singly" if batch.together == 1 else "together"
    lines = [
        say(
            f"batch.before.{lies}",
            **given,
            together=str(batch.together),
            places=_places(study, batch),
        )
    ]
    if batch.carrier is not None:
        lines.append(say("batch.before.carrier", carrier=batch.carrier))
    if batch.joined:
        lines.append(say("batch.before.one_weight"))
    if batch.scatter:
        sizes = [f"{name} {units.size(size)}" for name, size in batch.scatter.items()]
        lines.append(say("batch.before.scatter", sizes=joined(sizes)))
    lines.append(
        _dressing(batch, batch.dress, units) if batch.dress else say("batch.before.undressed")
    )
    if batch.many:
        lines.append(say("batch.before.many"))
    lines += _averaged(study, batch)
    return [sentence(line) for line in lines]


def _averaged(study: Study, batch: Batch) -> list[str]:
    """Whether loads stand for others; why not, where that was asked for or there are many."""
    if batch.averages(study.steps):
        first = str(batch.alone * batch.together)
        lines = [say("batch.before.averaged", first=first, most=str(MOST_STOOD))]
        if batch.dress is not None and batch.dress.when:
            lines.append(say("batch.before.averaged_read", few=str(SHORT_SPELL)))
        return lines
    if batch.average or (batch.many and batch.average is None):
        asked = batch.average is not None
        return [say(f"batch.before.unlike.{batch.unlike(study.steps)}", asked=asked)]
    return []


def _places(study: Study, batch: Batch) -> str:
    """Where they lie: at which angles on which circle, or where."""
    step = next(step for step in study.steps if batch.laps(step))
    centre = (0.0, 0.0) if batch.carried else step.centre
    at = [batch.place(k, centre) for k in range(batch.together)]
    far = sorted({Units.number((x * x + y * y) ** 0.5 / 1e-3, 3) for x, y in at})
    if len(far) == 1:
        return say(
            "batch.before.circle", study.units, radius=(at[0][0] ** 2 + at[0][1] ** 2) ** 0.5
        )
    each = (f"({study.units.length(x)}, {study.units.length(y)})" for x, y in at)
    return say("batch.before.places", each=joined(list(each)))


def _dressing(batch: Batch, dress: Dress, units: Units) -> str:
    """When the plate is dressed, or that it never comes to that."""
    step = str(dress.step)
    if dress.every is None:
        sizes = [f"{units.size(most)} {SIDES.get(name, name)}" for name, most in dress.when.items()]
        return say("batch.before.when", step=step, reads=joined(sizes, "or"))
    if not dress.times(batch):
        return say("batch.before.never", parts=str(dress.every), count=str(batch.count))
    return say("batch.before.every", step=step, several=dress.every > 1, parts=str(dress.every))
