"""What every test stands on, however it was started: one thread for small matrices, Ctrl-C as it comes."""

import gc
import os
import signal
import sys
import time
from collections.abc import Generator, Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# Before NumPy is loaded, as `lapwright.commands.main` sets it; two threads wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Hundreds of processes begin here, and load the same modules: what one made of them the next reads.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# In the background of a shell, or under one that traps it, Ctrl-C is ignored: here, and in every process that
# is started from here.  A handler in its place is not handed on, and those begin with what is usual.
signal.signal(signal.SIGINT, signal.default_int_handler)

# How long an example takes, or finding one, hangs on what else the machine does.
settings.register_profile("steady", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("steady")

# The files that take longest begin first, of the campaigns and of what always runs, so that no core is left
# with one of them when the rest is done.
LONGEST = (
    "commands/test_new.py",
    "presentation/test_advice.py",
    "presentation/test_card.py",
    "test_reliability.py",
    "integration/test_outlook_studies.py",
    "checks/test_mutations.py",
    "study/test_configs.py",
    "optimisation/test_tune.py",
    "optimisation/test_history.py",
    "commands/test_tune.py",
    "checks/test_mutation_list.py",
    "commands/test_gauge.py",
    "test_fuzzing.py",
    "test_cli.py",
    "presentation/test_page.py",
    "modal/test_glance.py",
    "commands/test_fine.py",
    "integration/test_batch.py",
    "optimisation/test_batches.py",
    "commands/test_going_on.py",
    "contact/test_compiled_once.py",
    "modal/test_operator.py",
    "commands/test_book.py",
    "checks/test_invariances.py",
    "test_glossary.py",
    "results/test_budget.py",
    "integration/test_averaging.py",
    "commands/test_one_parse.py",
    "results/test_everywhere.py",
    "checks/test_edges.py",
)


@pytest.hookimpl(wrapper=True)
def pytest_pycollect_makeitem() -> Generator[None, object, object]:
    """Each test stands at one level: run always, as a campaign, or by hand where it is long."""
    made = yield
    items = (
        [one for one in made if isinstance(one, pytest.Function)] if isinstance(made, list) else []
    )
    for mark, level in (("always", "campaign"), ("often", "long")):
        for item in _not_named(items, mark):
            if mark == "always" or item.get_closest_marker("campaign"):
                item.add_marker(level)
    for item in items:
        if item.get_closest_marker("long"):
            item.own_markers = [mark for mark in item.own_markers if mark.name != "campaign"]
    return made


def _not_named(items: list[pytest.Function], mark: str) -> list[pytest.Function]:
    """Those of all the parameters of a test whose names, or places among them, its mark does not tell."""
    told = items[0].get_closest_marker(mark) if items else None
    if told is None:
        return []
    ids = [item.callspec.id for item in items]
    named = {ids[one] if isinstance(one, int) else one for one in told.args}
    if gone := sorted(named - set(ids)):
        raise pytest.UsageError(f"{items[0].nodeid}: {mark} names what is no parameter: {gone}")
    return [item for item in items if item.callspec.id not in named]


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """All tests that are put together stay: what can go is looked for among later things alone."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()


def pytest_addoption(parser: pytest.Parser) -> None:
    """What a campaign takes a sample of may be asked for whole."""
    told = "each fault of the disk at each operation, and each mutation, not a sample (hours)"
    parser.addoption("--all-faults", action="store_true", help=told)
    told = "with -m long: how many inputs and files are changed, and how many are made up (%(default)s)"
    parser.addoption("--changes", type=int, default=40, help=told)


def pytest_sessionstart(session: pytest.Session) -> None:
    """One worker compiles the kernels while the others wait, and then read what it left."""
    import lapwright
    from lapwright.errors import CannotDoError
    from lapwright.files import locked

    kept = Path(lapwright.__file__).parent / "contact" / "__pycache__"
    if not hasattr(session.config, "workerinput") or not os.access(kept.parent, os.W_OK):
        return
    kept.mkdir(exist_ok=True)
    while not any(kept.glob("wear._turned*.nbi")):
        try:
            with locked(kept):
                from lapwright.optimisation.workers import warm

                warm()
                break
        except CannotDoError:  # another is at it
            time.sleep(0.2)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the tests of the longest files first; the order within a file stays."""
    here = Path(__file__).parent
    place = {here / name: k for k, name in enumerate(LONGEST)}
    gone = [str(path) for path in place if not path.exists()]
    if gone:
        raise pytest.UsageError(f"LONGEST of tests/conftest.py names what is not there: {gone}")
    items.sort(key=lambda item: place.get(item.path, len(place)))


@pytest.fixture(autouse=True, scope="session")
def hurried() -> None:
    """What a run says to do next is looked for in one round; what it will take is hardly looked at."""
    import hurry

    hurry.search(hurry.HASTE)
    hurry.foretell_nothing()


@pytest.fixture(scope="module")
def searched() -> Iterator[None]:
    """What a run says to do next is looked for as at the bench."""
    import hurry

    hurry.search(hurry.USUAL)
    yield
    hurry.search(hurry.HASTE)


@pytest.fixture(scope="module")
def unsearched() -> Iterator[None]:
    """What a run says to do next is not looked for at all: for tests of what a run leaves behind."""
    import hurry

    hurry.search(hurry.NONE)
    yield
    hurry.search(hurry.HASTE)


@pytest.fixture(scope="module")
def foretold() -> Iterator[None]:
    """What a run will take is foretold as at the bench."""
    import hurry

    hurry.foretell(hurry.REHEARSED, hurry.TOLD_FROM)
    yield
    hurry.foretell_nothing()


@pytest.fixture(scope="module")
def glanced() -> Iterator[None]:
    """What steps do is seen by the fewest shapes: for tests of what is said, not of how near it is."""
    import hurry

    hurry.glance(hurry.GLANCE)
    yield
    hurry.glance(hurry.USUAL_GLANCE)


@pytest.fixture
def hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    """A book that plays few spells to their end: for what it writes and says, not for how well it chooses."""
    import lapwright.optimisation.advise as choice
    import lapwright.optimisation.rollout as rules
    import lapwright.optimisation.spell as lapped

    monkeypatch.setattr(lapped, "MEMBERS", 128)
    monkeypatch.setattr(rules, "FINES", (2.5,))
    monkeypatch.setattr(rules, "FINISHES", (1.0,))
    monkeypatch.setattr(rules, "OF_TURNS", 1)
    monkeypatch.setattr(choice, "LOOKED_AT", 1)
    monkeypatch.setattr(choice, "CHOOSING", 12)
    monkeypatch.setattr(choice, "TELLING", 24)


@pytest.fixture(params=["hasty", pytest.param("whole", marks=pytest.mark.long)])
def choosing(request: pytest.FixtureRequest) -> str:
    """A hasty book, and by hand one that plays as many spells as it does at the bench."""
    if request.param == "hasty":
        request.getfixturevalue("hasty")
    return str(request.param)
