"""Words and numbers filled into the templates, which stand in one folder; Jinja2 enters here only.

Every text that a template prints is set in type and escaped by itself; what is HTML already comes as Markup.
A name that a template asks for and nobody gave is an error.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from markupsafe import Markup

from lapwright.limits import limit_of
from lapwright.presentation.words import MARK, REMARK, typeset
from lapwright.units import sentence

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def filled(template: str, **data: Any) -> str:
    """A template as text, with the data that it asks for."""
    return templates().get_template(template).render(data)


@cache
def templates() -> Environment:
    """The folder of templates, read once."""
    made = Environment(
        loader=PackageLoader("lapwright.presentation"),
        undefined=StrictUndefined,
        autoescape=select_autoescape(["html", "svg"]),
        finalize=_in_type,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters.update(sentence=sentence, typeset=typeset, svg=_svg)
    made.globals.update(MARK=MARK, REMARK=REMARK, limit_of=limit_of)
    return made


def _in_type(value: object) -> object:
    """Plain text set in type; not what is HTML already, such as what a person typed, printed with `|e`."""
    return typeset(value) if type(value) is str else value


def _svg(figure: Figure, name: str, label: str) -> Markup:
    """A picture for inside a page; `name` begins its ids, `label` is read out in its place."""
    from lapwright.presentation.pictures import svg

    return Markup(svg(figure, name, label))
