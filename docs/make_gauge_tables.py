"""Makes the tables of gauges.md and flat-or-mated.md from the null space of each gauge and of each proof.

python docs/make_gauge_tables.py          # writes them anew between their marks
python docs/make_gauge_tables.py --check  # exit 1 when a page differs
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

from lapwright.metrology.budget import PRACTICES, places, ratios, sight
from lapwright.metrology.instruments import Gauge
from lapwright.metrology.reading import usual_gauges
from lapwright.specification.outline import Disc, Outline, Rectangle
from lapwright.specification.plate import Plate
from lapwright.verification.form_rows import PROOFS, hidden_by

DOCS = Path(__file__).resolve().parent
WORDS = {"yes": "sees", "no": "**blind**", "mixed": "mixed"}
NAMES = {
    "sphere": "dome",
    "saddle": "saddle",
    "twist": "twist",
    "bow": "bow",
    "crown": "crown",
    "wind": "wind",
}


def sights(outline: Outline) -> str:
    """One row a gauge: what it tells of each form, used in each way."""
    plate = Plate(outline, thickness=0.03, name="A")
    forms = ("bow", "crown", "wind") if outline.long else ("sphere", "saddle", "twist")
    head = ["gauge", *(NAMES.get(f, f) for f in forms), "how it was used"]
    lines = [f"| {' | '.join(head)} |", f"| {' | '.join(['---'] * len(head))} |"]
    for gauge in usual_gauges(outline):
        for practice, said in _rows(gauge, plate, forms):
            lines.append(f"| {gauge.name} | {' | '.join(said)} | {practice} |")
    return "\n".join(lines)


def _rows(gauge: Gauge, plate: Plate, forms: tuple[str, ...]) -> list[tuple[str, list[str]]]:
    """Ways of use that tell the same are put together."""
    rows: list[tuple[str, list[str]]] = []
    for practice in PRACTICES:
        sees = sight(gauge, plate, places(gauge, plate.outline, practice)).sees
        said = [WORDS[sees[form]] for form in forms]
        same = next((k for k, row in enumerate(rows) if row[1] == said), None)
        if same is None:
            rows.append((practice, said))
        else:
            rows[same] = (f"{rows[same][0]}; {practice}", said)
    return rows


def shares() -> str:
    """What each gauge shows of 1 um on the whole plate, at angle 0 in the middle."""
    outline = Disc(0.16)
    plate = Plate(outline, thickness=0.03, name="A")
    lines = ["| gauge | of a dome | of a saddle | of a twist |", "| --- | --- | --- | --- |"]
    for gauge in usual_gauges(outline):
        if gauge.angular or gauge.kind == "bridge":
            continue
        row = ratios(gauge, plate, places(gauge, outline, "once")[0])
        lines.append(
            f"| {gauge.name} | {' | '.join(f'{abs(v) and v:.3g}' for v in map(_round, row.values()))} |"
        )
    return "\n".join(lines)


def _round(value: float) -> float:
    return 0.0 if abs(value) < 1e-12 else value


def proofs() -> str:
    """What may still be wrong with two plates that pass each proof."""
    lines = ["| what you tried | what may still be there |", "| --- | --- |"]
    for said, proof in PROOFS:
        got = hidden_by(proof, 6)
        left = ", ".join(got.forms) if got.forms else "nothing" if got.ways == 0 else "waves"
        if got.ways > 3:
            left += ", and waves that go round"
        lines.append(f"| {said} | {left} |")
    return "\n".join(lines)


TABLES = {
    "gauges.md": {
        "round": lambda: sights(Disc(0.16)),
        "long": lambda: sights(Rectangle(0.3, 0.1)),
        "shares": shares,
    },
    "flat-or-mated.md": {"proofs": proofs},
}


def written(page: str) -> str:
    """The page with its tables made anew."""
    text = (DOCS / page).read_text("utf-8")
    for name, table in TABLES[page].items():
        mark = re.compile(rf"(<!-- made: {name} -->\n).*?(\n<!-- end -->)", re.DOTALL)
        if not mark.search(text):
            raise ValueError(f"{page} has no place for the table {name}")
        text = mark.sub(lambda found, table=table: found[1] + table() + found[2], text)
    return text


def main() -> int:
    """Write the pages, or compare them."""
    different = [page for page in TABLES if written(page) != (DOCS / page).read_text("utf-8")]
    if "--check" in sys.argv:
        return 1 if different else 0
    for page in different:
        (DOCS / page).write_text(written(page), "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
