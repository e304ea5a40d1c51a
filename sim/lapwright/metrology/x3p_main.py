"""main.xml of an X3P file (ISO 25178-72): what it says, read so that no document can do harm.

The document is read element by element and nothing of it is kept but what is asked for.  A document type or
an entity is refused where it begins, which leaves nothing to expand.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from lapwright.metrology.surface import check_size, refuse
from lapwright.specification.said import shown

DTYPES = {"I": "<i2", "L": "<i4", "F": "<f4", "D": "<f8"}
NAMESPACE = "http://www.opengps.eu/2008/ISO5436_2"
REVISION = "ISO5436 - 2000"
MOST_ELEMENTS = 300_000
DEEPEST = 30
LONGEST = 2000  # letters of one entry


@dataclass(frozen=True)
class Axis:
    """One axis: `kind` I (evenly spaced) or A (each point says its place), its numbers' type, m a step."""

    kind: str
    data_type: str
    increment: float
    offset: float


@dataclass(frozen=True)
class Main:
    """What a main.xml says of the points; `link` where they are, or `datums` the points themselves."""

    x: Axis
    y: Axis
    z: Axis
    nx: int
    ny: int
    link: str | None
    digest: str | None
    valid_link: str | None
    valid_digest: str | None
    checksum_file: str | None
    datums: tuple[str, ...]


@dataclass
class _Reader:
    """Gathers the text of the leaves by their path below the root, such as "Record1/Axes/CX/Increment"."""

    texts: dict[str, str] = field(default_factory=dict)
    datums: list[str] = field(default_factory=list)
    root: str = ""
    path: list[str] = field(default_factory=list)
    text: list[str] = field(default_factory=list)
    length: int = 0
    elements: int = 0

    def start(self, name: str, _: dict[str, str]) -> None:
        local = name.rpartition(":")[2]
        self.elements += 1
        if self.elements > MOST_ELEMENTS or len(self.path) >= DEEPEST:
            raise refuse("has a main.xml with far more in it than a map needs", "size")
        if not self.root:
            self.root = local
            if local != "ISO5436_2":
                raise refuse(
                    f"has a main.xml of another kind: its root is {shown(local)}, not ISO5436_2",
                    "type",
                )
        else:
            self.path.append(local)
        self.text, self.length = [], 0

    def end(self, _: str) -> None:
        if not self.path:
            return
        place, text = "/".join(self.path), "".join(self.text).strip()
        self.path.pop()
        if place == "Record3/DataList/Datum":
            self.datums.append(text)
        elif text:
            self.texts.setdefault(place, text)
        self.text, self.length = [], 0

    def characters(self, text: str) -> None:
        self.length += len(text)
        if self.length <= LONGEST:
            self.text.append(text)

    def refuse_entities(self, *_: Any) -> None:
        raise refuse(
            "has a main.xml with a document type or entities, which no map needs: not read",
            "hostile",
        )


def main_of(data: bytes) -> Main:
    """Read a main.xml.

    Raises
    ------
    SurfaceFileError
        Not XML, entities in it, another kind of document, or data that are no map.

    """
    from xml.parsers import expat

    reader = _Reader()
    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartElementHandler = reader.start
    parser.EndElementHandler = reader.end
    parser.CharacterDataHandler = reader.characters
    parser.StartDoctypeDeclHandler = reader.refuse_entities
    parser.EntityDeclHandler = reader.refuse_entities
    try:
        parser.Parse(data, True)
    except (expat.ExpatError, ValueError, LookupError) as trouble:
        raise refuse(f"has a main.xml that is no sound XML: {trouble}", "syntax") from None
    return _said(reader.texts, tuple(reader.datums))


def _said(texts: Mapping[str, str], datums: tuple[str, ...]) -> Main:
    revision = re.sub(r"[^A-Z0-9]", "", texts.get("Record1/Revision", REVISION).upper())
    if not revision.startswith(("ISO5436", "ISO25178")):
        raise refuse(
            f"is of the revision {shown(texts['Record1/Revision'])}, which is not known", "version"
        )
    kind = texts.get("Record1/FeatureType", "SUR").upper()
    if kind != "SUR":
        what = {"PRF": "a profile", "PCL": "a cloud of points"}.get(kind, shown(kind))
        raise refuse(f"holds {what}, not a surface (SUR): export a height map", "type")
    _refuse_rotation(texts)
    x, y, z = (_axis(texts, name) for name in ("CX", "CY", "CZ"))
    if z.kind != "A":
        raise refuse(
            "has heights (CZ) that are counted, not measured: the axis must be of type A", "type"
        )
    nx, ny, layers = (_whole(texts, f"Record3/MatrixDimension/Size{name}") for name in "XYZ")
    if layers != 1:
        raise refuse(f"holds {layers} layers: one is read", "type")
    check_size(nx, ny)
    link = texts.get("Record3/DataLink/PointDataLink")
    if link is None and not datums:
        raise refuse("says nowhere where its heights are (PointDataLink)", "missing")
    return Main(
        x=x,
        y=y,
        z=z,
        nx=nx,
        ny=ny,
        link=link,
        digest=_digest(texts, "Record3/DataLink/MD5ChecksumPointData"),
        valid_link=texts.get("Record3/DataLink/ValidPointsLink"),
        valid_digest=_digest(texts, "Record3/DataLink/MD5ChecksumValidPoints"),
        checksum_file=texts.get("Record4/ChecksumFile"),
        datums=datums,
    )


def _axis(texts: Mapping[str, str], name: str) -> Axis:
    place = f"Record1/Axes/{name}/"
    kind = texts.get(f"{place}AxisType", "").upper()
    if kind not in ("I", "A"):
        raise refuse(f"has an axis {name} of the type {shown(kind)}: I or A is due", "type")
    data_type = texts.get(f"{place}DataType", "D" if kind == "I" else "").upper()
    if data_type not in DTYPES:
        raise refuse(
            f"has an axis {name} of the data type {shown(data_type)}: I, L, F and D are known",
            "type",
        )
    increment, offset = (
        _number(texts, f"{place}Increment", 1.0),
        _number(texts, f"{place}Offset", 0.0),
    )
    if increment == 0.0:
        raise refuse(f"has an axis {name} whose increment is 0", "range")
    return Axis(kind, data_type, increment, offset)


def _refuse_rotation(texts: Mapping[str, str]) -> None:
    for row in "123":
        for column in "123":
            still = 1.0 if row == column else 0.0
            if abs(_number(texts, f"Record1/Axes/Rotation/r{row}{column}", still) - still) > 1e-6:
                raise refuse(
                    "is turned by a rotation, which is not undone here: export it unturned", "type"
                )


def _number(texts: Mapping[str, str], place: str, default: float) -> float:
    text = texts.get(place)
    try:
        number = default if text is None else float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise refuse(
            f"has {shown(text)} for {place.rpartition('/')[2]} where a number is due", "type"
        )
    return number


def _whole(texts: Mapping[str, str], place: str) -> int:
    text = texts.get(place)
    if text is None:
        raise refuse(
            f"does not say its {place.rpartition('/')[2]}: it holds no grid of points", "missing"
        )
    if re.fullmatch(r"\d{1,9}", text) is None:
        raise refuse(
            f"has {shown(text)} for {place.rpartition('/')[2]}, which is no number of points",
            "type",
        )
    return int(text)


def _digest(texts: Mapping[str, str], place: str) -> str | None:
    text = texts.get(place, "").lower()
    return text if re.fullmatch(r"[0-9a-f]{32}", text) else None


def main_text(main: Main, *, date: datetime, program: str) -> bytes:
    """Write a main.xml of a surface with its points in a file of their own."""

    def axis(name: str, one: Axis) -> str:
        return (
            f"<{name}><AxisType>{one.kind}</AxisType><DataType>{one.data_type}</DataType>"
            f"<Increment>{one.increment!r}</Increment><Offset>{one.offset!r}</Offset></{name}>"
        )

    valid = ""
    if main.valid_link is not None:
        valid = (
            f"<ValidPointsLink>{main.valid_link}</ValidPointsLink>"
            f"<MD5ChecksumValidPoints>{main.valid_digest}</MD5ChecksumValidPoints>"
        )
    stamp = date.isoformat(timespec="seconds")
    lines = (
        '<?xml version="1.0" encoding="UTF-8" standalone="no"?>',
        f'<p:ISO5436_2 xmlns:p="{NAMESPACE}" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        f'xsi:schemaLocation="{NAMESPACE} {NAMESPACE}/ISO5436_2.xsd">',
        f"<Record1><Revision>{REVISION}</Revision><FeatureType>SUR</FeatureType>",
        f"<Axes>{axis('CX', main.x)}{axis('CY', main.y)}{axis('CZ', main.z)}</Axes></Record1>",
        f"<Record2><Date>{stamp}</Date><Creator>{program}</Creator><Instrument>"
        f"<Manufacturer>{program}</Manufacturer><Model>computed face, not measured</Model>"
        "<Serial>none</Serial><Version>1</Version></Instrument>"
        f"<CalibrationDate>{stamp}</CalibrationDate><ProbingSystem><Type>Software</Type>"
        "<Identification>none</Identification></ProbingSystem>"
        "<Comment>Drawn looking at the face, y to 12 o'clock, x to 3 o'clock.</Comment></Record2>",
        f"<Record3><MatrixDimension><SizeX>{main.nx}</SizeX><SizeY>{main.ny}</SizeY><SizeZ>1</SizeZ>"
        f"</MatrixDimension><DataLink><PointDataLink>{main.link}</PointDataLink>"
        f"<MD5ChecksumPointData>{main.digest}</MD5ChecksumPointData>{valid}</DataLink></Record3>",
        f"<Record4><ChecksumFile>{main.checksum_file}</ChecksumFile></Record4>",
        "</p:ISO5436_2>",
    )
    return ("\n".join(lines) + "\n").encode("utf-8")
