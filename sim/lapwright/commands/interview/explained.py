"""What `?` answers: each question in the words of the bench, and why it matters."""

from __future__ import annotations

from lapwright.units import Units

__all__ = [
    "FAR",
    "GRIT",
    "GROOVED",
    "GROOVES",
    "GROOVE_SIZE",
    "MATERIAL",
    "PART_SIZE",
    "ROUND",
    "SIZE",
    "STROKE",
    "THICKNESS",
    "TURN",
    "UNITS",
    "WORK",
    "reads",
]


UNITS = """\
Write metric or inch. It sets what a number without a unit means in the next questions, and in which
units the answers come. You may still type any other unit, such as 6 in at a metric bench."""

WORK = """\
Two plates lapped on each other come to fit; which way they go depends on who lies on top and how you stroke.
Three plates, lapped by turns, have nowhere to hide a dome: each must fit the two others.
A part on a plate (a ring, a rail, a block) comes to fit the plate, and wears the plate meanwhile.
Write two, three or part."""

SIZE = """\
For a disc the diameter: 160. For a rectangle length x width: 300 x 200. For a ring: ring 80 x 50.
The size sets the weight that presses, and how far the top can hang over before it lifts."""

PART_SIZE = """\
The face that is lapped. A disc: 80. A ring, outside x bore: ring 80 x 50. A rail or block: 240 x 40.
A long part is laid with its length along 3-9 of the bench."""

THICKNESS = """\
With the size it gives the weight, and the weight presses: twice as thick presses twice as hard.
A thin plate also bends; the program takes plates as rigid, and says so when that is not good enough.
Where they differ write one for each: 25 mm and 60 mm. The heavier one then stays on top for less time."""

MATERIAL = """\
Hard things wear slower under the same grit: hardened steel about half as fast as iron, carbide a tenth.
Write iron, steel, hardened steel, stainless, bronze, carbide, glass, granite, ..."""

GROOVES = """\
Grooves carry nothing, so the land beside them carries more and wears faster. A grooved plate on a plain one
loses more than the plain one does. Write no, square (a grid), triangle, rings or radial (like spokes)."""

GROOVED = """\
Write the one plate that has the grooves, or both (all, of three)."""

GROOVE_SIZE = """\
From the middle of one groove to the middle of the next, x the width of the groove: 12 x 2.
Radial grooves: how many x how wide."""

GRIT = """\
The grain as it is printed on the tin, in um (also at an inch bench): 15. Or a FEPA F number: F400.
A mere 400 is refused: it means 17, 23 or 35 um by system. Coarser cuts faster and leaves a thicker layer of
grit between the faces; the layer gives, and what it gives stays in both faces as a small hollow."""

STROKE = """\
The path that your hands push the top along. One stroke is a whole eight, once round, or out and back.
Straight strokes, never turned, leave ridges and twist where they are; an eight or a circle with turning
takes them out. A zigzag goes out and back while it moves slowly sideways."""

FAR = """\
At the farthest place of the stroke, how far does the top stand out over the edge of the bottom? 27 means
27 mm (or inches, at an inch bench). Or say the whole stroke as a share of the top: travel 1/3.
A stroke that goes over the edge hollows the top and domes the bottom, the faster the farther it goes. Equal
flat discs begin to lift and rock at about a fifth of the diameter over the edge; from a half on they tip off.
To stay inside the edge of a larger plate: inside 5."""

TURN = """\
Turned a little at each stroke (8 means 8 degrees a stroke), every side of the top meets every side of the
bottom, and a twist has nowhere to stay. A rail is turned end for end: end for end every 10 strokes.
By quarters, lifted and set down again: 90 every 10 strokes. No: whatever lies along and across the stroke
stays different."""

ROUND = """\
If you step round the bench as you lap, or somebody (or a turntable) turns the bottom under you, your habits
do not always fall on the same side of the bottom. walk 4: 4 degrees a stroke; bottom 4: the bottom is turned
4 degrees a stroke; no: you stand where you stand."""


def reads(long: bool, units: Units) -> str:
    """What to answer when asked what a face reads."""
    unit, a, b = ("uin", "100", "20") if units is Units.INCH else ("um", "3", "0.5")
    if long:
        shapes = f"""\
bow {a}: the middle stands {a} {unit} above the ends (bow -{a}: below). crown: the middle above the long
edges. wind {b}: the corners at 1:30 and 7:30 stand {b} {unit} above the other two. Several at once:
bow {a}, wind {b}."""
    else:
        shapes = f"""\
dome {a}: the middle stands {a} {unit} above the rim. dish {a}: it lies below. Looking at the face, twist {b}:
the rim at 1:30 and 7:30 stands {b} {unit} above the rim at 10:30 and 4:30. Several at once:
dome {a}, twist {b}."""
    return f"""{shapes}
A spherometer or a straightedge and feelers tell. If you have not read it, don't know is an honest answer: it
is taken as flat, and what comes out is what the stroke makes of a flat face. Read it first, and it is
about yours."""
