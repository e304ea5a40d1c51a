"""The house keeps its floors: imports point down only, and heavy libraries enter in one room each."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

import lapwright
from lapwright.commands.main import main
from lapwright.errors import CannotDoError

ROOT = Path(lapwright.__file__).parent
FLOORS = (
    ("errors", "limits", "machine", "units", "files", "face"),
    ("specification",),
    ("metrology",),
    ("kinematics",),
    ("contact",),
    ("integration",),
    ("modal",),
    ("study",),
    ("results",),
    ("optimisation",),
    ("verification",),
    ("presentation",),
    ("commands", "__main__"),
)
LEVEL = {room: level for level, rooms in enumerate(FLOORS) for room in rooms}
# Where a heavy library may be imported: None anywhere but at the head of a module.
HEAVY = {
    "numba": "lapwright.contact",
    "llvmlite": "lapwright.contact",
    "matplotlib": "lapwright.presentation",
    "h5py": "lapwright.results.runfile",
    "tomlkit": "lapwright.study.write",
    "jinja2": "lapwright.presentation.filling",
}


# Methods for people with Python that reach up to what draws, tells or laps; the program never calls them.
FACE = {
    "lapwright.study.model": {"optimisation", "results"},
    "lapwright.study.faces": {"results"},
    "lapwright.results.record": {"presentation"},
    "lapwright.results.answer": {"presentation"},
    "lapwright.results.gauge": {"presentation"},
    "lapwright.results.why": {"presentation"},
    "lapwright.optimisation.comparison": {"presentation"},
    "lapwright.optimisation.track": {"presentation"},
}


@dataclass(frozen=True)
class Import:
    """One import: from which module, of what, at the head of the module (or inside a function)."""

    module: str
    target: str
    head: bool
    checking: bool

    def __str__(self) -> str:
        return f"{self.module} imports {self.target}"


def _modules() -> dict[str, Path]:
    found = {}
    for path in ROOT.rglob("*.py"):
        parts = path.relative_to(ROOT.parent).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


MODULES = _modules()


@cache
def parsed(module: str) -> ast.Module:
    """What a module says."""
    return ast.parse(MODULES[module].read_text("utf-8"))


def _imports(module: str) -> Iterator[Import]:
    def walk(node: ast.AST, head: bool, checking: bool) -> Iterator[Import]:
        for child in ast.iter_child_nodes(node):
            if not isinstance(child, ast.stmt | ast.excepthandler | ast.match_case):
                continue  # an expression imports nothing
            inside = isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef)
            guard = isinstance(child, ast.If) and "TYPE_CHECKING" in ast.dump(child.test)
            if isinstance(child, ast.Import):
                for alias in child.names:
                    yield Import(module, alias.name, head, checking)
            elif isinstance(child, ast.ImportFrom):
                assert child.level == 0, f"{module} has a relative import"
                for alias in child.names:
                    full = f"{child.module}.{alias.name}"
                    yield Import(
                        module, full if full in MODULES else str(child.module), head, checking
                    )
            yield from walk(child, head and not inside, checking or guard)

    yield from walk(parsed(module), True, False)


STUBS = {
    path.parent.relative_to(ROOT).as_posix(): ast.parse(path.read_text("utf-8"))
    for path in ROOT.rglob("__init__.pyi")
}


@cache
def every_import() -> list[Import]:
    """Of all modules."""
    return [found for module in MODULES for found in _imports(module)]


def _room(module: str) -> str:
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else ""


def test_every_room_stands_on_a_floor() -> None:
    assert {_room(module) for module in MODULES} - {""} <= set(LEVEL)


@pytest.mark.campaign
def test_imports_point_down_only() -> None:
    up = []
    for found in every_import():
        here, there = _room(found.module), _room(found.target)
        if not found.target.startswith("lapwright.") or here == there or not here:
            continue
        inside = found.target.removeprefix("lapwright.")
        late = found.checking or not found.head
        if late and any((inside + ".").startswith(up + ".") for up in FACE.get(found.module, ())):
            continue
        if LEVEL[there] > LEVEL[here]:
            up.append(str(found))
    assert not up


def test_a_stub_lists_names_of_its_own_room() -> None:
    """And none that is a module's name too, which would hide it once that module is loaded."""
    assert set(LEVEL) - set(STUBS) == {*FLOORS[0], "commands", "__main__"}
    for room, stub in STUBS.items():
        lines = [line for line in stub.body if isinstance(line, ast.ImportFrom)]
        names = [alias.name for line in lines for alias in line.names]
        assert all(alias.asname == alias.name for line in lines for alias in line.names)
        assert len(names) == len(set(names))
        if room != ".":
            assert {_room(str(line.module)) for line in lines} == {room}
            assert not {f"lapwright.{room}.{name}" for name in names} & set(MODULES)


def test_the_program_names_the_module_a_thing_lives_in() -> None:
    """Faces are for people: through one, a name would have two homes and starting up would be slower."""
    rooms = {f"lapwright.{room}" for room in STUBS}
    assert not [
        str(found)
        for found in every_import()
        if found.target in rooms and not found.module.startswith(found.target + ".")
    ]


def test_no_module_imports_itself_in_a_circle() -> None:
    below = {
        module: {
            f.target for f in every_import() if f.module == module and f.head and not f.checking
        }
        & set(MODULES)
        for module in MODULES
    }
    done: set[str] = set()

    def visit(module: str, path: tuple[str, ...]) -> None:
        assert module not in path, f"a circle: {' -> '.join((*path, module))}"
        if module not in done:
            for other in below[module]:
                visit(other, (*path, module))
            done.add(module)

    for module in MODULES:
        visit(module, ())


@pytest.mark.parametrize("library", HEAVY)
def test_a_heavy_library_enters_in_one_room(library: str) -> None:
    outside = [
        str(found)
        for found in every_import()
        if found.target.split(".")[0] == library
        and not found.checking
        and not (found.module + ".").startswith(HEAVY[library] + ".")
    ]
    assert not outside


def test_scipy_is_imported_inside_functions_only() -> None:
    assert not [
        str(f)
        for f in every_import()
        if f.target.split(".")[0] == "scipy" and f.head and not f.checking
    ]


def _docstrings(tree: ast.AST) -> int:
    """Lines of docstrings."""
    told = 0
    for node in ast.walk(tree):
        if (
            isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
            and ast.get_docstring(node) is not None
        ):
            told += (node.body[0].end_lineno or 0) - node.body[0].lineno + 1
    return told


LONG = 480


@cache
def _lines(module: str) -> int:
    """Docstrings are not counted: complete ones must not part what belongs together."""
    return len(MODULES[module].read_text("utf-8").splitlines()) - _docstrings(parsed(module))


def test_no_module_is_long() -> None:
    assert {name: _lines(name) for name in MODULES if _lines(name) > LONG} == {}


def test_no_drawer_for_odds_and_ends() -> None:
    assert not {name.split(".")[-1] for name in MODULES} & {"utils", "helpers", "common", "misc"}


STUDY = """
plates.A = { disc = "160 mm", thickness = "30 mm", form = { dome = "3 um" } }
plates.B = { like = "A" }
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
time = "40 min"
"""


@pytest.mark.always("words0", "words1")
@pytest.mark.parametrize(
    "words", [["-h"], [], ["preview", "pair.toml"], ["preview", "pair.toml", "--json"]]
)
def test_help_and_preview_import_nothing_heavy(tmp_path: Path, words: list[str]) -> None:
    (tmp_path / "pair.toml").write_text(STUDY)
    script = (
        "import sys; from lapwright.commands.main import main; code = main(sys.argv[1:]); "
        "print(code, *sorted(set(m.split('.')[0] for m in sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, *words],
        cwd=tmp_path,
        env={"PYTHONPATH": str(ROOT.parent), "PATH": ""},
        capture_output=True,
        text=True,
        check=True,
    )
    code, *loaded = done.stderr.split("\n")[-2].split()
    assert code == "0", done.stderr
    heavy = {"numba", "scipy", "matplotlib", "h5py", "tomlkit", "jinja2"}
    if "preview" not in words:
        heavy |= {"numpy"}
    assert not heavy & set(loaded)


def test_a_module_with_one_importer_is_long_or_of_a_table() -> None:
    """Else it is folded into that one, where the two make no long module and stand in one room."""
    lines = {name: _lines(name) for name in MODULES}
    asked = {module: {f.module for f in every_import() if f.target == module} for module in MODULES}
    tables = ("lapwright.commands.", "lapwright.verification.", "lapwright.presentation.pictures.")
    thin = [
        f"{module} ({lines[module]}) belongs into {next(iter(by))}"
        for module, by in asked.items()
        if len(by) == 1 and lines[module] < 150 and not module.startswith(tables)
        for one in by
        if _room(one) == _room(module) and lines[one] + lines[module] <= LONG
    ]
    assert thin == []


def test_from_main_to_the_time_loop_it_is_not_far(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Four calls of the command, and sixty lines of code that are gone through in them."""
    way: list[tuple[str, str, int]] = []

    def reached(*given: object, **more: object) -> None:
        frame = sys._getframe(1)
        while frame.f_code.co_name != "_run":
            way.append((frame.f_globals["__name__"], frame.f_code.co_name, frame.f_lineno))
            frame = frame.f_back
        raise CannotDoError("reached")

    (tmp_path / "pair.toml").write_text(STUDY)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("lapwright.integration.loop.lap", reached)
    monkeypatch.setattr("lapwright.commands.run._takes", lambda *given: None)
    assert main(["run", "pair.toml"]) == 1
    assert way[0][1] == "states"
    assert way[-1][:2] == ("lapwright.commands.run", "main")
    assert len(way) - 1 <= 4
    assert sum(_passed(*one) for one in way) <= 60


def _passed(module: str, name: str, line: int) -> int:
    """Lines of code of a function up to one of them."""
    text = MODULES[module].read_text("utf-8").splitlines()
    functions = (node for node in ast.walk(parsed(module)) if isinstance(node, ast.FunctionDef))
    (one,) = (f for f in functions if f.name == name and f.lineno <= line <= (f.end_lineno or 0))
    silent = 0 if ast.get_docstring(one) is None else (one.body[0].end_lineno or 0)
    before = text[max(one.body[0].lineno - 1, silent) : line]
    return sum(1 for said in before if said.strip() and not said.strip().startswith("#"))
