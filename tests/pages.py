"""Pages as tests look at them: walked by a parser, and opened in a real headless browser."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from html.parser import HTMLParser
from pathlib import Path

from started import PATIENCE

# Elements without an end tag: HTML Living Standard, section "Void elements" (from memory).
VOID = {
    "area",
    "base",
    "br",
    "col",
    "embed",
    "hr",
    "img",
    "input",
    "link",
    "meta",
    "source",
    "track",
    "wbr",
}
FOREIGN = re.compile(
    r"survivor|eigen|drift|preston|minimum zone|\bnan\b|\binf(inity)?\b", re.IGNORECASE
)


class Sheet(HTMLParser):
    """Walks the page: open tags, ids, addresses, words a person sees, scripts."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.faults: list[str] = []
        self.ids: list[str] = []
        self.addresses: list[str] = []
        self.references: list[str] = []
        self.seen: list[str] = []
        self.scripts: list[str] = []
        self.styles: list[str] = []
        self.labels: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in VOID:
            self.open.append(tag)
        self._attributes(dict(attrs))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._attributes(dict(attrs))

    def _attributes(self, attrs: dict[str, str | None]) -> None:
        if attrs.get("id"):
            self.ids.append(str(attrs["id"]))
        for key in ("href", "src", "xlink:href", "action", "data", "poster", "srcset"):
            if attrs.get(key):
                self.addresses.append(str(attrs[key]))
        self.references += re.findall(r"url\(#([^)]*)\)", " ".join(str(v) for v in attrs.values()))
        if attrs.get("aria-label"):
            self.labels.append(str(attrs["aria-label"]))

    def handle_endtag(self, tag: str) -> None:
        if tag in VOID:
            return
        if not self.open or self.open[-1] != tag:
            self.faults.append(f"</{tag}> closes {self.open[-1:]} at {self.getpos()}")
        else:
            self.open.pop()

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "script":
            self.scripts.append(data)
        elif self.open and self.open[-1] == "style":
            self.styles.append(data)
        else:
            self.seen.append(data)


def walked(page: str) -> Sheet:
    sheet = Sheet()
    sheet.feed(page)
    sheet.close()
    return sheet


CHROMIUM = next(
    (p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None
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
  var result = document.getElementById("result");
  var seen = { wide: innerWidth, first: result ? result.getBoundingClientRect().bottom : 0,
               cut: [].filter.call(document.querySelectorAll("figure"), function (f) {
                 return f.scrollWidth > f.clientWidth + 1; }).map(function (f) { return f.className; }),
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
    // Parts that are folded open by a click or Enter on their head; what is in them is reached after that.
    var folded = range.closest("details"); if (folded) { folded.open = true; }
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


def tried(page: str, folder: Path, *more: str, script: str = TRY) -> dict:
    """Open the page, let it work for a while, and hear what it has to say of itself through a `script`."""
    file = folder / "page.html"
    page = page.replace("<head>", "<head>" + WATCH, 1)
    cut = page.rindex("</body>")
    file.write_text(page[:cut] + script + page[cut:], encoding="utf-8")
    log = folder / "net.json"
    command = [
        str(CHROMIUM), "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
        "--hide-scrollbars",
        f"--user-data-dir={folder / 'profile'}", "--window-size=1366,768", f"--log-net-log={log}",
        "--virtual-time-budget=6000", *more, "--dump-dom", file.as_uri(),
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE, check=True)
    match = re.search(r'data-seen="([^"]*)"', done.stdout)
    assert match is not None, done.stderr[-2000:]
    return json.loads(html.unescape(match[1]))
