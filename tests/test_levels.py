"""Marks of `conftest.py`: each test stands at one level, and each level is chosen by its name."""

from pathlib import Path
from types import SimpleNamespace

import pytest

pytest_plugins = ["pytester"]

MARKED = """import pytest

def test_plain(): pass

@pytest.mark.campaign
def test_some_seconds(): pass

@pytest.mark.always("a", 3)
@pytest.mark.often("b")
@pytest.mark.parametrize("one", "abcde")
def test_family(one): pass

@pytest.mark.long
@pytest.mark.parametrize("one", ["f", pytest.param("g", marks=pytest.mark.campaign)])
def test_minutes(one): pass
"""


@pytest.fixture
def levels(request: pytest.FixtureRequest) -> SimpleNamespace:
    """What `conftest.py` does with marks, for tests elsewhere."""
    here = request.config.pluginmanager.getplugin(str(Path(__file__).with_name("conftest.py")))
    return SimpleNamespace(pytest_pycollect_makeitem=here.pytest_pycollect_makeitem)


@pytest.mark.parametrize(
    ("asked", "chosen"),
    [
        ("not campaign and not long", {"test_plain", "test_family[a]", "test_family[d]"}),
        ("campaign", {"test_some_seconds", "test_family[b]"}),
        ("long", {"test_family[c]", "test_family[e]", "test_minutes[f]", "test_minutes[g]"}),
    ],
)
def test_each_level_has_its_own(
    pytester: pytest.Pytester, levels: SimpleNamespace, asked: str, chosen: set[str]
) -> None:
    pytester.makepyfile(MARKED)
    ran = pytester.inline_run("-m", asked, "-W", "ignore", plugins=[levels])
    passed, *others = ran.listoutcomes()
    assert others == [[], []]
    assert {report.nodeid.split("::")[1] for report in passed} == chosen


def test_a_name_that_is_no_parameter_is_refused(
    pytester: pytest.Pytester, levels: SimpleNamespace
) -> None:
    pytester.makepyfile(MARKED.replace('often("b")', 'often("z")'))
    assert pytester.inline_run("-W", "ignore", plugins=[levels]).ret != 0
