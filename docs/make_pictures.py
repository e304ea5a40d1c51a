"""Makes the pictures of the pages: a result from a real run, and the drawings of the conventions.

    python docs/make_pictures.py             writes docs/pictures/*.png and *.svg

The result is what `lapwright run configs/first-pair.toml` gives; nothing in it is drawn by hand.
The work card is set by a browser: without a chromium on the PATH its picture is left as it was.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from math import cos, radians, sin
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "sim"))

from lapwright.commands.main import main as lapwright
from lapwright.presentation.card import card_page
from lapwright.presentation.pictures import faces, history
from lapwright.presentation.pictures.ink import png, sheet
from lapwright.presentation.run_view import run_view
from lapwright.results.runfile import read_run

PICTURES = ROOT / "docs" / "pictures"
SCALE = 1.05  # pixels to a point: enough for a page, and a small file

PAPER, INK, FAINT = "#fcfbf8", "#1b2026", "#5b636c"
HIGH, LOW, POINT = "#1c4f90", "#c97a1e", "#a3122a"


def result() -> None:
    """Faces, history and work card of the first pair."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "first-pair-run"
        code = lapwright(
            ["run", str(ROOT / "configs" / "first-pair.toml"), "--out", str(out), "--no-page"]
        )
        if code:
            sys.exit(code)
        run = read_run(out / "run.h5")
        said = run_view(run)
        card(card_page(run), Path(folder))
    with sheet():
        (PICTURES / "first-pair-faces.png").write_bytes(png(faces(said), SCALE))
        drawn = history(said)
        if drawn is not None:
            (PICTURES / "first-pair-history.png").write_bytes(png(drawn, SCALE))


def card(page: str, folder: Path) -> None:
    """The work card as it is printed, in a browser."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    if browser is None:
        print(
            "no chromium on the PATH: the picture of the work card is left as it was",
            file=sys.stderr,
        )
        return
    file = folder / "card.html"
    file.write_text(page.replace("background: #777", "background: #fcfbf8"), encoding="utf-8")
    command = [
        browser, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
        "--hide-scrollbars", f"--user-data-dir={folder / 'profile'}", "--window-size=790,1000",
        f"--screenshot={PICTURES / 'first-pair-card.png'}", file.as_uri(),
    ]  # fmt: skip
    subprocess.run(command, capture_output=True, timeout=120, check=True)


# --- drawings -----------------------------------------------------------------------------------


def _svg(width: int, height: int, title: str, parts: list[str]) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" font-family="DejaVu Sans, Arial, sans-serif" font-size="14" '
        f'fill="{INK}" role="img">\n<title>{title}</title>\n'
        f'<defs><marker id="tip" viewBox="0 0 10 10" refX="9" refY="5" markerWidth="7" markerHeight="7" '
        f'orient="auto-start-reverse"><path d="M0 0 L10 5 L0 10 z" fill="{INK}"/></marker></defs>\n'
        f'<rect width="{width}" height="{height}" fill="{PAPER}"/>\n'
        + "\n".join(parts)
        + "\n</svg>\n"
    )


def _words(x: float, y: float, text: str, *, anchor: str = "middle", more: str = "") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" {more}>{text}</text>'


def _line(x0: float, y0: float, x1: float, y1: float, more: str = "") -> str:
    return f'<line x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}" stroke="{INK}" {more}/>'


def _at(x: float, y: float, radius: float, hour: float) -> tuple[float, float]:
    """Place on a clock face; the paper's y runs down."""
    angle = radians(90.0 - 30.0 * hour)
    return x + radius * cos(angle), y - radius * sin(angle)


def _spot(x: float, y: float, high: bool) -> str:
    colour, sign = (HIGH, "+") if high else (LOW, "−")
    return (
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="15" fill="{colour}" fill-opacity="0.85"/>'
        f'<text x="{x:.1f}" y="{y + 6:.1f}" text-anchor="middle" fill="#fff" font-size="18">{sign}</text>'
    )


def _face(x: float, y: float, mirrored: bool, *, down: bool) -> list[str]:
    """A disc with its clock marks and its twist; `down`: the face is hidden."""
    r = 92.0
    dash = 'stroke-dasharray="6 4"' if down else ""
    parts = [
        f'<circle cx="{x}" cy="{y}" r="{r}" fill="none" stroke="{INK}" stroke-width="1.6" {dash}/>'
    ]
    for hour in (12, 3, 6, 9):
        shown = (12 - hour) % 12 if mirrored else hour
        x0, y0 = _at(x, y, r - 5, shown)
        x1, y1 = _at(x, y, r + 6, shown)
        xt, yt = _at(x, y, r + 18, shown)
        parts += [_line(x0, y0, x1, y1), _words(xt, yt + 5, str(hour), more=f'fill="{FAINT}"')]
    for hour, high in ((1.5, True), (7.5, True), (10.5, False), (4.5, False)):
        parts.append(_spot(*_at(x, y, 0.72 * r, 12 - hour if mirrored else hour), high))
    return parts


def _point(x: float, y: float, mirrored: bool) -> list[str]:
    """One point of the top, before and after."""
    side, said, anchor = (-1.0, "(−u, v)", "start") if mirrored else (1.0, "(u, v)", "end")
    px, py = x + side * 56.0, y - 14.0
    return [
        f'<circle cx="{px}" cy="{py}" r="4.5" fill="{POINT}"/>',
        _words(px - 9 * side, py + 4, said, anchor=anchor, more=f'fill="{POINT}" font-size="13"'),
    ]


def turned_over() -> str:
    """The top turned over like a page of a book, and what that does to a twist and to a dome."""
    y = 168.0
    parts = [
        _words(140, 26, "1. The top, looking at its face", more='font-weight="bold"'),
        _words(430, 26, "2. Turned over, seen from above", more='font-weight="bold"'),
        _words(720, 26, "3. The bottom, face up", more='font-weight="bold"'),
        *_face(140, y, False, down=False),
        *_face(430, y, True, down=True),
        *_face(720, y, False, down=False),
        *_point(140, y, False),
        *_point(430, y, True),
        _line(140, y, 214, y, 'stroke-width="1" marker-end="url(#tip)"').replace(INK, FAINT),
        _line(140, y, 140, y - 74, 'stroke-width="1" marker-end="url(#tip)"').replace(INK, FAINT),
        _words(208, y + 16, "+x", more=f'fill="{FAINT}"'),
        _words(158, y - 62, "+y", more=f'fill="{FAINT}"'),
        f'<path d="M262 96 C 280 60, 304 60, 318 90" fill="none" stroke="{INK}" stroke-width="1.4" '
        'marker-end="url(#tip)"/>',
        _words(430, 300, "12 stays at 12; its 3 o’clock lies at 9 of the bench"),
        _words(430, 320, "the top’s high places (+) lie over the bottom’s low ones (−):"),
        _words(430, 340, "plates of the SAME twist mate, and a comparator reads them the same"),
    ]
    parts += _cut(215.0, 440.0, dish=True) + _cut(645.0, 440.0, dish=False)
    return _svg(860, 530, "The turned-over top", parts)


def _cut(x: float, y: float, dish: bool) -> list[str]:
    """A section through both: a domed top on a dish, or on a dome."""
    half, sag = 130.0, 13.0
    top = (
        f"M{x - half} {y - 42} L{x + half} {y - 42} L{x + half} {y - sag + 2} "
        f"Q{x} {y + 3 * sag} {x - half} {y - sag + 2} z"
    )
    if dish:
        bottom = (
            f"M{x - half} {y + 66} L{x + half} {y + 66} L{x + half} {y - sag + 7} "
            f"Q{x} {y + 3 * sag + 5} {x - half} {y - sag + 7} z"
        )
    else:
        bottom = (
            f"M{x - half} {y + 66} L{x + half} {y + 66} L{x + half} {y + 2 * sag + 10} "
            f"Q{x} {y + 2} {x - half} {y + 2 * sag + 10} z"
        )
    says = (
        "a dome needs a dish: they mate"
        if dish
        else "two domes touch in the middle: they do not mate"
    )
    return [
        f'<path d="{top}" fill="#dcdddc" stroke="{INK}" stroke-width="1.4"/>',
        f'<path d="{bottom}" fill="#cdcfcf" stroke="{INK}" stroke-width="1.4"/>',
        _words(x, y - 26, "top"),
        _words(x, y + 60, "bottom"),
        _words(x, y + 84, says),
    ]


def angles() -> str:
    """Where the operator stands (alpha), how he holds the top (beta), how it lies on the bench (theta)."""
    x, y, far = 210.0, 172.0, 130.0
    alpha, beta = radians(30.0), radians(25.0)
    theta = alpha + beta
    cx, cy = x + 26 * cos(alpha), y - 26 * sin(alpha)
    hand = (x + far * sin(alpha), y + far * cos(alpha))
    mark = (cx - 62 * sin(theta), cy - 62 * cos(theta))
    along = (cx - 96 * sin(alpha), cy - 96 * cos(alpha))
    up = (cx, cy - 104)
    parts = [
        f'<circle cx="{x}" cy="{y}" r="92" fill="none" stroke="{INK}" stroke-width="1.6"/>',
        _words(x - 74, y + 78, "bottom", anchor="end", more=f'fill="{FAINT}"'),
        f'<circle cx="{cx:.1f}" cy="{cy:.1f}" r="62" fill="#dcdddc" fill-opacity="0.75" stroke="{INK}"/>',
        _line(cx, cy, *up, 'stroke-dasharray="2 4"'),
        _line(cx, cy, *along, 'stroke-dasharray="6 4"'),
        _line(cx, cy, *mark, 'stroke-width="2.4"'),
        _words(cx - 77 * sin(alpha / 2), cy - 70 * cos(alpha / 2), "α"),
        _words(cx - 50 * sin(alpha + beta / 2), cy - 46 * cos(alpha + beta / 2), "β"),
        _words(mark[0] - 16, mark[1] + 2, "12", more='font-weight="bold"'),
        f'<circle cx="{cx:.1f}" cy="{cy:.1f}" r="3.5" fill="{POINT}"/>',
        _words(cx + 12, cy + 18, "c", more=f'fill="{POINT}"'),
        f'<circle cx="{hand[0]:.1f}" cy="{hand[1]:.1f}" r="13" fill="{HIGH}"/>',
        _words(hand[0] + 20, hand[1] + 6, "you", anchor="start"),
        _words(up[0] + 6, up[1] - 4, "12 of the bench", anchor="start", more=f'fill="{FAINT}"'),
        _words(along[0] + 4, along[1] - 6, "away from you", anchor="end", more=f'fill="{FAINT}"'),
        _words(400, 120, "α (alpha): how far you have walked round the bench", anchor="start"),
        _words(400, 146, "β (beta): how far you have turned the top in your hands", anchor="start"),
        _words(400, 172, "θ (theta) = α + β: how the top lies on the bench", anchor="start"),
        _words(
            400, 206, "all anticlockwise, seen from above", anchor="start", more=f'fill="{FAINT}"'
        ),
    ]
    return _svg(860, 320, "Angles", parts)


def main() -> None:
    """Write every picture."""
    PICTURES.mkdir(parents=True, exist_ok=True)
    (PICTURES / "turned-over.svg").write_text(turned_over(), encoding="utf-8")
    (PICTURES / "angles.svg").write_text(angles(), encoding="utf-8")
    result()


if __name__ == "__main__":
    main()
