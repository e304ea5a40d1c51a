"""Pages: the templates filled in.  Jinja2 enters here only, when something is written."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from lapwright.kinematics.motion import spins
from lapwright.limits import limit_of
from lapwright.metrology.instruments import OpticalFlat
from lapwright.presentation.words import MARK, REMARK, say, typeset
from lapwright.specification.materials import HAZARDS
from lapwright.units import sentence

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup
    from matplotlib.figure import Figure

    from lapwright.study.model import Study


def filled(template: str, **data: Any) -> str:
    """A template as text, with the data that it asks for."""
    return templates().get_template(template).render(data)


@cache
def templates() -> Environment:
    """The folder of templates, read once; Jinja2 enters here only, when something is written."""
    from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

    made = Environment(
        loader=PackageLoader("lapwright.presentation"),
        undefined=StrictUndefined,
        autoescape=select_autoescape(["html", "svg"]),
        finalize=_in_type,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters.update(sentence=sentence, typeset=typeset, svg=_svg)
    made.globals.update(
        MARK=MARK,
        REMARK=REMARK,
        limit_of=limit_of,
        say=say,
        hazards_of=hazards_of,
        cautions_of=cautions_of,
        has_flat=has_flat,
    )
    return made


def hazards_of(study: Study) -> list[str]:
    """Codes of the cautions that the materials of a study ask for."""
    return list(
        dict.fromkeys(
            HAZARDS[m] for p in study.plates.values() if (m := p.material.name) in HAZARDS
        )
    )


def cautions_of(study: Study) -> list[str]:
    """What a machine that turns a plate asks for."""
    return [say("caution.driven")] if driven(study) else []


def has_flat(study: Study) -> bool:
    """Whether fringes are counted on a face, by whatever light."""
    return any(isinstance(gauge, OpticalFlat) for gauge in study.gauges.values())


def driven(study: Study) -> bool:
    """Whether a plate is turned by a machine in any step."""
    return any(spins(step) for step in study.steps)


def _in_type(value: object) -> object:
    """Plain text set in type; not what is HTML already, such as what a person typed, printed with `|e`."""
    return typeset(value) if type(value) is str else value


def _svg(figure: Figure, name: str, label: str) -> Markup:
    """A picture for inside a page; `name` begins its ids, `label` is read out in its place."""
    from markupsafe import Markup

    from lapwright.presentation.pictures import svg

    return Markup(svg(figure, name, label))
