"""docs/reference.md: every public name, complete, and as it is now."""

from __future__ import annotations

import importlib
import importlib.util
import inspect
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

import lapwright

DOCS = Path(__file__).resolve().parents[2] / "docs"


def script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_reference", DOCS / "make_reference.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


MADE = script()


def public() -> dict[str, Any]:
    """Functions and methods among the public names, of the package and of its rooms."""
    found = {}
    for package in (lapwright, *(importlib.import_module(f"lapwright.{r}") for r in MADE.ROOMS)):
        for name in package.__all__:
            thing = getattr(package, name)
            if inspect.isfunction(thing):
                found[name] = thing
            elif inspect.isclass(thing):
                found |= {
                    f"{name}.{method}": function for method, function in MADE.public_methods(thing)
                }
    return found


def test_it_is_up_to_date() -> None:
    assert (DOCS / "reference.md").read_text("utf-8") == MADE.reference(), (
        "run python docs/make_reference.py"
    )


def test_it_looks_into_methods() -> None:
    assert {"Study.run", "Run.plot_faces", "Plate.land_inside", "measure", "settle"} <= set(
        public()
    )


@pytest.mark.parametrize("room", MADE.ROOMS)
def test_a_room_has_few_public_names_each_told(room: str) -> None:
    package = importlib.import_module(f"lapwright.{room}")
    page = (DOCS / "reference.md").read_text("utf-8")
    part = page.partition(f"\n# lapwright.{room}\n")[2].partition("\n# ")[0]
    assert 0 < len(package.__all__) <= 20
    for name in package.__all__:
        assert name in dir(package)
        assert (getattr(package, name).__doc__ or "").strip()
        assert f"\n## {name}\n" in part or (f"`{name}`" in part and f"\n## {name}\n" in page)
    with pytest.raises(AttributeError, match=f"lapwright.{room} has no nothing: it has "):
        package.nothing  # noqa: B018


@pytest.mark.parametrize("name", sorted(public()))
def test_what_is_taken_and_given_is_said(name: str) -> None:
    function = public()[name]
    text, signature = inspect.getdoc(function) or "", inspect.signature(function)
    takes = [parameter for parameter in signature.parameters if parameter not in ("self", "cls")]
    if takes:
        assert "Parameters\n----------" in text
        said = text.partition("Parameters\n----------\n")[2].partition("\n\n")[0]
        listed = {
            part
            for line in said.splitlines()
            if " : " in line
            for part in line.partition(" : ")[0].split(", ")
        }
        listed |= {line for line in said.splitlines() if line.startswith("*")}
        assert {one.removeprefix("**") for one in listed} >= {
            one for one in takes if f"`{one}`" not in text
        }
    if signature.return_annotation not in (None, "None"):
        assert "Returns\n-------" in text
