"""The page in a real headless browser: silent console, no request, a slider that moves, a first screen.

Skipped, with the reason printed, where there is no chromium on the PATH.
"""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from sim.report.page import render

CHROMIUM = next(
    (p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None
)
pytestmark = pytest.mark.skipif(
    CHROMIUM is None, reason="no chromium on the PATH: the page was not tried in a browser"
)

WATCH = """<script>
window.faults = [];
window.onerror = function (m) { window.faults.push(String(m)); };
["error", "warn"].forEach(function (k) {
  console[k] = function () { window.faults.push([].join.call(arguments, " ")); };
});
</script>"""
TRY = """<script>
function widest(e) {
  // How far right anything reaches that does not scroll (or is not clipped) by itself.
  var far = e.getBoundingClientRect().right;
  if (getComputedStyle(e).overflowX !== "visible" || e.tagName === "svg") { return far; }
  for (var i = 0; i < e.children.length; i++) { far = Math.max(far, widest(e.children[i])); }
  return far;
}
window.addEventListener("load", function () {
  var range = document.getElementById("slider-range"), canvas = document.getElementById("slider-canvas-0");
  var seen = { wide: innerWidth, first: document.getElementById("result").getBoundingClientRect().bottom,
               held: widest(document.body), over: document.documentElement.scrollWidth - innerWidth };
  function sum() {
    var d = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data, s = 0;
    for (var i = 0; i < d.length; i += 97) { s = (s * 31 + d[i]) % 1000003; }
    return s;
  }
  function state() {
    return [sum(), document.getElementById("slider-told").textContent,
      document.getElementById("slider-words-0").textContent];
  }
  if (range) {
    seen.end = state();
    range.value = 0; range.dispatchEvent(new Event("input"));
    seen.start = state();
    range.focus(); seen.keyboard = document.activeElement === range;
    document.getElementById("slider-play").click();
    seen.playing = document.getElementById("slider-play").textContent;
  }
  setTimeout(function () {
    if (range) { seen.after = Number(range.value); }
    seen.faults = window.faults;
    seen.requests = performance.getEntriesByType("resource").map(function (e) { return e.name; })
      .filter(function (n) { return n.indexOf("data:") !== 0; });
    document.body.innerHTML = ""; document.body.setAttribute("data-seen", JSON.stringify(seen));
  }, 900);
});
</script>"""


def tried(page: str, folder: Path, *more: str) -> dict:
    """Open the page, let it work for a while, and hear what it has to say of itself."""
    file = folder / "page.html"
    page = page.replace("<head>", "<head>" + WATCH, 1)
    cut = page.rindex("</body>")
    file.write_text(page[:cut] + TRY + page[cut:], encoding="utf-8")
    log = folder / "net.json"
    command = [
        str(CHROMIUM), "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
        "--hide-scrollbars",
        f"--user-data-dir={folder / 'profile'}", "--window-size=1366,768", f"--log-net-log={log}",
        "--virtual-time-budget=6000", *more, "--dump-dom", file.as_uri(),
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    match = re.search(r'data-seen="([^"]*)"', done.stdout)
    assert match is not None, done.stderr[-2000:]
    return json.loads(html.unescape(match[1]))


@pytest.mark.parametrize("name", ["disc_pair", "three_plates", "ring_on_plate", "rail", "grooved_pair"])
def test_page_in_a_browser(make_run, tmp_path: Path, name: str) -> None:
    seen = tried(render(make_run(name)), tmp_path)
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


@pytest.mark.parametrize("name", ["disc_pair", "three_plates", "rail", "strange_names"])
def test_a_narrow_page_does_not_scroll_sideways(make_run, tmp_path: Path, name: str) -> None:
    """The narrowest window that a headless chromium opens is 500 wide; a phone's 360 is had by squeezing."""
    narrow = tried(render(make_run(name)), tmp_path, "--window-size=500,900", "--force-dark-mode")
    assert narrow["faults"] == []
    assert narrow["requests"] == []
    assert narrow["wide"] <= 500
    assert narrow["over"] <= 0
    squeezed = "<style>html { width: 360px; overflow-x: auto; }</style></head>"
    seen = tried(render(make_run(name)).replace("</head>", squeezed, 1), tmp_path, "--window-size=500,900")
    assert seen["held"] <= 360, "nothing may stick out of a page 360 wide, but inside what scrolls by itself"
