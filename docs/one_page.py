"""What the scripts that make a page share: `--check`, and pictures of few colours, enough for drawings."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

from matplotlib.figure import Figure
from PIL import Image

from lapwright.presentation.pictures.ink import png, sheet

DOCS = Path(__file__).resolve().parent
CONFIGS = DOCS.parent / "configs"
SCALE = 1.05  # pixels to a point
COLOURS = 96


def finish(page: Path, text: str, pictures: Callable[[], Mapping[str, Figure]]) -> int:
    """Write the page and its pictures by name; with --check only tell whether the page would differ."""
    if "--check" in sys.argv:
        return 0 if page.read_text("utf-8") == text else 1
    page.write_text(text, encoding="utf-8")
    with sheet():
        for name, figure in pictures().items():
            drawn = Image.open(io.BytesIO(png(figure, SCALE))).convert("RGB").quantize(COLOURS)
            drawn.save(DOCS / "pictures" / f"{name}.png", optimize=True)
    return 0
