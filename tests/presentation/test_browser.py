"""The page in a real headless browser: silent console, no request, a slider that moves, a first screen.

Skipped, with the reason printed, where there is no chromium on the PATH.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from pages import CHROMIUM, tried

pytestmark = pytest.mark.skipif(
    CHROMIUM is None, reason="no chromium on the PATH: the page was not tried in a browser"
)


LONG_FORM = [
    pytest.param(name, marks=pytest.mark.long)
    for name in ("three_plates", "ring_on_plate", "rail", "grooved_pair")
]


@pytest.mark.campaign
@pytest.mark.parametrize("name", ["disc_pair", *LONG_FORM])
def test_page_in_a_browser(page_of, tmp_path: Path, name: str) -> None:
    seen = tried(page_of(name), tmp_path)
    assert seen["faults"] == []
    assert seen["requests"] == []
    assert seen["wide"] == 1366
    assert seen["first"] <= 768, "faces and sections must show without scrolling at 1366 x 768"
    assert seen["over"] <= 0, "nothing may stick out sideways"
    assert seen["start"] != seen["end"]
    assert seen["start"][0] != seen["end"][0], "the picture must change with the slider"
    assert seen["start"][1] == "at the start"
    assert seen["keyboard"]
    assert seen["playing"] == "Pause"
    assert seen["after"] > 0, "playing must move the slider on"


@pytest.mark.campaign
@pytest.mark.often("disc_pair")
@pytest.mark.parametrize("name", ["disc_pair", "three_plates", "rail", "strange_names"])
def test_a_narrow_page_does_not_scroll_sideways(page_of, tmp_path: Path, name: str) -> None:
    """The narrowest window that a headless chromium opens is 500 wide; a phone's 360 is had by squeezing."""
    narrow = tried(page_of(name), tmp_path, "--window-size=500,900", "--force-dark-mode")
    assert narrow["faults"] == []
    assert narrow["requests"] == []
    assert narrow["wide"] <= 500
    assert narrow["over"] <= 0
    squeezed = "<style>html { width: 360px; overflow-x: auto; }</style></head>"
    seen = tried(page_of(name).replace("</head>", squeezed, 1), tmp_path, "--window-size=500,900")
    assert seen["held"] <= 360, (
        "nothing may stick out of a page 360 wide, but inside what scrolls by itself"
    )
