"""X3P, ISO 25178-72: a ZIP of main.xml, the points in bindata/data.bin, and md5checksum.hex.

Metres; x fastest, y growing with the row, so the first row lies at 6 o'clock.  NaN is a point not measured;
of whole numbers a file of one bit a point says which were.

Nothing that is read can do harm.  Nothing is ever unpacked to the disk: entries are read by name, up to the
size that the header leads to expect.  main.xml is read element by element and nothing of it is kept but what
is asked for; a document type or an entity is refused where it begins, which leaves nothing to expand.
"""

from __future__ import annotations

import hashlib
import io
import math
import re
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.surface import MOST_POINTS, Surface, check_size, checked, refuse
from lapwright.specification.said import shown

Array = NDArray[np.float64]

MAIN, DATA, VALID, CHECKSUM = "main.xml", "bindata/data.bin", "bindata/valid.bin", "md5checksum.hex"
MOST_ENTRIES = 200
# The first and last time that a ZIP can tell, whatever a clock says.
FIRST, LAST = (1980, 1, 1, 0, 0, 0), (2107, 12, 31, 23, 59, 58)
CHANGED = "is damaged or was changed:"
MOST_XML = 4_000_000  # bytes
UNEVEN = 1e-3  # of a step, by which places that are said one by one may be off an even spacing
BROKEN = (
    zipfile.BadZipFile,
    zlib.error,
    EOFError,
    NotImplementedError,
    RuntimeError,
    OSError,
    ValueError,
)
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


class Link(NamedTuple):
    """A `file` within the ZIP and its MD5, where that is said."""

    file: str
    digest: str | None


@dataclass(frozen=True)
class Main:
    """What a main.xml says: `axes` x, y, z; `points` and which are `valid`, or the points as `datums`."""

    axes: Mapping[str, Axis]
    nx: int
    ny: int
    points: Link | None
    valid: Link | None
    checksum_file: str | None
    datums: tuple[str, ...] = ()


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
    axes = {name: _axis(texts, f"C{name.upper()}") for name in "xyz"}
    if axes["z"].kind != "A":
        raise refuse(
            "has heights (CZ) that are counted, not measured: the axis must be of type A", "type"
        )
    nx, ny, layers = (_whole(texts, f"Record3/MatrixDimension/Size{name}") for name in "XYZ")
    if layers != 1:
        raise refuse(f"holds {layers} layers: one is read", "type")
    check_size(nx, ny)
    points, valid = (_link(texts, what) for what in ("PointData", "ValidPoints"))
    if points is None and not datums:
        raise refuse("says nowhere where its heights are (PointDataLink)", "missing")
    return Main(axes, nx, ny, points, valid, texts.get("Record4/ChecksumFile"), datums)


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


def _link(texts: Mapping[str, str], what: str) -> Link | None:
    file = texts.get(f"Record3/DataLink/{what}Link")
    digest = texts.get(f"Record3/DataLink/MD5Checksum{what}", "").lower()
    known = re.fullmatch(r"[0-9a-f]{32}", digest) is not None
    return None if file is None else Link(file, digest if known else None)


def main_text(main: Main, *, date: datetime, program: str) -> bytes:
    """Write a main.xml of a surface with its points in a file of their own."""
    axes = "".join(
        f"<C{name.upper()}><AxisType>{one.kind}</AxisType><DataType>{one.data_type}</DataType>"
        f"<Increment>{one.increment!r}</Increment><Offset>{one.offset!r}</Offset></C{name.upper()}>"
        for name, one in main.axes.items()
    )
    links = "".join(
        f"<{what}Link>{link.file}</{what}Link><MD5Checksum{what}>{link.digest}</MD5Checksum{what}>"
        for what, link in (("PointData", main.points), ("ValidPoints", main.valid))
        if link is not None
    )
    stamp = date.isoformat(timespec="seconds")
    lines = (
        '<?xml version="1.0" encoding="UTF-8" standalone="no"?>',
        f'<p:ISO5436_2 xmlns:p="{NAMESPACE}" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        f'xsi:schemaLocation="{NAMESPACE} {NAMESPACE}/ISO5436_2.xsd">',
        f"<Record1><Revision>{REVISION}</Revision><FeatureType>SUR</FeatureType>",
        f"<Axes>{axes}</Axes></Record1>",
        f"<Record2><Date>{stamp}</Date><Creator>{program}</Creator><Instrument>"
        f"<Manufacturer>{program}</Manufacturer><Model>computed face, not measured</Model>"
        "<Serial>none</Serial><Version>1</Version></Instrument>"
        f"<CalibrationDate>{stamp}</CalibrationDate><ProbingSystem><Type>Software</Type>"
        "<Identification>none</Identification></ProbingSystem>"
        "<Comment>Drawn looking at the face, y to 12 o'clock, x to 3 o'clock.</Comment></Record2>",
        f"<Record3><MatrixDimension><SizeX>{main.nx}</SizeX><SizeY>{main.ny}</SizeY><SizeZ>1</SizeZ>"
        f"</MatrixDimension><DataLink>{links}</DataLink></Record3>",
        f"<Record4><ChecksumFile>{main.checksum_file}</ChecksumFile></Record4>",
        "</p:ISO5436_2>",
    )
    return ("\n".join(lines) + "\n").encode("utf-8")


def is_x3p(data: bytes) -> bool:
    """Whether a file begins like a ZIP."""
    return data[:4] == b"PK\x03\x04"


def from_x3p(data: bytes) -> Surface:
    """Read an X3P file.

    Raises
    ------
    SurfaceFileError
        Not a sound ZIP, a wrong check sum, entities in its XML, sizes that do not agree, or no map.

    """
    archive = _Archive(data)
    text = archive.member(MAIN, MOST_XML, exact=False)
    main = main_of(text)
    archive.check(main, text)
    raw = _listed(main) if main.points is None else _stored(archive, main, main.points)
    return _surface(main, raw)


# --- the ZIP -----------------------------------------------------------------------------------


class _Archive:
    """What is in the ZIP, by the name below the folder that main.xml lies in."""

    def __init__(self, data: bytes) -> None:
        if data.count(b"PK\x01\x02") > MOST_ENTRIES:
            raise refuse("is a ZIP of very many files, which no X3P is", "hostile")
        try:
            self.archive = zipfile.ZipFile(io.BytesIO(data))
        except BROKEN:
            raise refuse("is no sound ZIP, so no X3P file", "syntax") from None
        # An entry may have no name at all, of which `is_dir` would take the last letter.
        infos = [i for i in self.archive.infolist() if i.filename and not i.is_dir()]
        if len(infos) > MOST_ENTRIES:
            raise refuse("is a ZIP of very many files, which no X3P is", "hostile")
        mains = [info.filename for info in infos if info.filename.rpartition("/")[2] == MAIN]
        tops = [name for name in mains if name.count("/") == min(n.count("/") for n in mains)]
        if len(tops) != 1:
            raise refuse(f"holds {len(tops) or 'no'} {MAIN}: an X3P has one", "missing")
        folder = tops[0][: -len(MAIN)]
        self.entries: dict[str, zipfile.ZipInfo] = {}
        for info in infos:
            if info.filename.startswith(folder):
                short = info.filename[len(folder) :]
                if short in self.entries:
                    raise refuse(f"holds {shown(short)} twice", "hostile")
                self.entries[short] = info

    def member(self, name: str, size: int, *, exact: bool = True) -> bytes:
        """The content of one entry, of `size` bytes (at most, when not exact)."""
        info = self.entries.get(name)
        if info is None:
            raise refuse(f"has no {shown(name)} in it, which its main.xml names", "missing")
        if info.file_size > size or (exact and info.file_size != size):
            need = f"{size} bytes are due" if exact else f"{size} bytes is the most"
            raise refuse(
                f"has {info.file_size} bytes in {shown(name)}: {need}", "short" if exact else "size"
            )
        packed = info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
        if info.flag_bits & 0x1 or packed:
            raise refuse(
                f"has {shown(name)} locked or packed in a way that X3P does not have", "version"
            )
        damaged = f"is damaged: {shown(name)}"
        try:
            with self.archive.open(info) as file:
                content = file.read(size + 1)
        except BROKEN:
            raise refuse(f"{damaged} cannot be unpacked whole", "checksum") from None
        if len(content) != info.file_size:
            raise refuse(f"{damaged} is not as long as it says", "short")
        return content

    def linked(self, link: Link, size: int) -> bytes:
        """The content of an entry that main.xml names, held against its check sum."""
        name = _path(link.file)
        content = self.member(name, size)
        if link.digest is not None and link.digest != _md5(content):
            raise refuse(
                f"{CHANGED} {shown(name)} does not have the check sum in main.xml", "checksum"
            )
        return content

    def check(self, main: Main, text: bytes) -> None:
        """Hold main.xml (or what else the sum's file names) against its MD5; a missing one is forgiven."""
        name = _path(main.checksum_file) if main.checksum_file else CHECKSUM
        if name not in self.entries:
            return
        words = self.member(name, 2000, exact=False).decode("latin-1").split()
        if not words or re.fullmatch(r"[0-9a-fA-F]{32}", words[0]) is None:
            return
        # Some writers give the sum of the points' file here, and say so.
        of = words[1].lstrip("*") if len(words) > 1 else MAIN
        if of == MAIN and words[0].lower() != _md5(text):
            raise refuse(
                f"{CHANGED} main.xml does not have the check sum that stands beside it", "checksum"
            )


def _path(link: str) -> str:
    """A link of main.xml as a name within the ZIP; none leads out of it."""
    name = link.replace("\\", "/").removeprefix("./")
    parts = name.split("/")
    if name.startswith("/") or ":" in name or ".." in parts or "" in parts or "\0" in name:
        raise refuse(f"points to {shown(link)}, outside itself: not read", "hostile")
    return name


def _md5(content: bytes) -> str:
    return hashlib.md5(content, usedforsecurity=False).hexdigest()


# --- the points --------------------------------------------------------------------------------


def _record(main: Main) -> np.dtype[np.void]:
    """What is stored of each point: the axes that are not evenly spaced."""
    axes = main.axes.items()
    return np.dtype([(name, DTYPES[axis.data_type]) for name, axis in axes if axis.kind == "A"])


def _stored(archive: _Archive, main: Main, points: Link) -> dict[str, Array]:
    """The stored numbers (ny, nx) of each axis that has them; z NaN where nothing was measured."""
    record, count = _record(main), main.nx * main.ny
    content = archive.linked(points, count * record.itemsize)
    stored = np.frombuffer(content, record).reshape(main.ny, main.nx)
    raw = {name: stored[name].astype(float) for name in record.names or ()}
    if main.valid is not None:
        bits = archive.linked(main.valid, (count + 7) // 8)
        valid = np.unpackbits(np.frombuffer(bits, np.uint8), count=count, bitorder="little")
        raw["z"][valid.reshape(main.ny, main.nx) == 0] = np.nan
    return raw


def _listed(main: Main) -> dict[str, Array]:
    """The same from a list within main.xml."""
    names = _record(main).names or ()
    if len(main.datums) != main.nx * main.ny:
        raise refuse(
            f"lists {len(main.datums)} points where {main.nx} x {main.ny} are due", "short"
        )
    out = np.full((len(main.datums), len(names)), np.nan)
    for k, datum in enumerate(main.datums):
        if datum:
            try:
                out[k] = [float(part) for part in datum.split(";")]
            except ValueError:
                raise refuse(f"lists {shown(datum)}, which is no point", "type") from None
    return {name: out[:, k].reshape(main.ny, main.nx) for k, name in enumerate(names)}


def _surface(main: Main, raw: dict[str, Array]) -> Surface:
    with np.errstate(over="ignore", invalid="ignore"):
        z = raw["z"]
        z[~np.isfinite(z)] = np.nan
        z = z * main.axes["z"].increment + main.axes["z"].offset
    dx, z = _even(main.axes["x"], raw.get("x"), z, 1)
    dy, z = _even(main.axes["y"], raw.get("y"), z, 0)
    return checked(z, dx, dy)


def _even(axis: Axis, places: Array | None, z: Array, along: int) -> tuple[float, Array]:
    """Spacing [m] along an axis, and the map with that axis growing."""
    step = axis.increment
    if places is not None:
        with np.errstate(over="ignore", invalid="ignore"):
            there = places * axis.increment
            line = (
                np.nanmean(there, axis=1 - along)
                if np.isfinite(there).any(axis=1 - along).all()
                else None
            )
            step = float(line[-1] - line[0]) / (line.size - 1) if line is not None else np.nan
            ideal = line[0] + step * np.arange(line.size) if line is not None else np.zeros(1)
            off = np.abs(there - (ideal[None, :] if along == 1 else ideal[:, None]))
            if not (np.isfinite(step) and np.nanmax(off) <= UNEVEN * abs(step)):
                raise refuse(
                    "has points that are not evenly spaced in rows and columns: export an even grid",
                    "type",
                )
    if step < 0.0:
        z = np.flip(z, axis=along)
    return abs(step), z


# --- writing -----------------------------------------------------------------------------------


def to_x3p(surface: Surface, *, data_type: str = "D", date: datetime | None = None) -> bytes:
    """Write an X3P file; `data_type` D, F, or of whole steps L, I (four bytes, two)."""
    z = surface.heights
    ny, nx = z.shape
    if nx * ny > MOST_POINTS:
        raise refuse(f"{nx} x {ny} points are too many for a file that is read here again", "size")
    date = date or datetime.now(UTC)
    dtype = np.dtype(DTYPES[data_type])
    there = np.isfinite(z)
    step, offset, valid = 1.0, 0.0, b""
    if dtype.kind == "i":
        low, high = (float(f(z[there])) if there.any() else 0.0 for f in (np.min, np.max))
        offset = 0.5 * (low + high)
        step = max(high - low, 1e-12) / (2 * int(np.iinfo(dtype).max))
        stored = np.rint((np.where(there, z, offset) - offset) / step).astype(dtype)
        valid = b"" if there.all() else np.packbits(there.ravel(), bitorder="little").tobytes()
    else:
        stored = np.where(there, z, np.nan).astype(dtype)
    content = stored.tobytes()
    # The middle of the map is the middle of the face.
    axes = {
        "x": Axis("I", "D", surface.dx, -0.5 * (nx - 1) * surface.dx),
        "y": Axis("I", "D", surface.dy, -0.5 * (ny - 1) * surface.dy),
        "z": Axis("A", data_type, step, offset),
    }
    valid_link = Link(VALID, _md5(valid)) if valid else None
    main = Main(axes, nx, ny, Link(DATA, _md5(content)), valid_link, CHECKSUM)
    text = main_text(main, date=date, program="lapwright")
    store = io.BytesIO()
    with zipfile.ZipFile(store, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, part in (
            (MAIN, text),
            (CHECKSUM, f"{_md5(text)} *{MAIN}\n".encode()),
            (DATA, content),
            (VALID, valid),
        ):
            if part:
                info = zipfile.ZipInfo(name, min(max(FIRST, date.timetuple()[:6]), LAST))
                info.compress_type = zipfile.ZIP_DEFLATED
                archive.writestr(info, part)
    return store.getvalue()
