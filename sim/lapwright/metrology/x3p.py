"""X3P, ISO 25178-72: a ZIP of main.xml, the points in bindata/data.bin, and md5checksum.hex.

Metres; x fastest, y growing with the row, so the first row lies at 6 o'clock.  NaN is a point not measured;
of whole numbers a file of one bit a point says which were.  Nothing is ever unpacked to the disk: entries
are read by name, up to the size that the header leads to expect.
"""

from __future__ import annotations

import hashlib
import io
import re
import zipfile
import zlib
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.surface import MOST_POINTS, Surface, checked, refuse
from lapwright.metrology.x3p_main import DTYPES, Axis, Main, main_of, main_text
from lapwright.specification.said import shown

Array = NDArray[np.float64]

MAIN, DATA, VALID, CHECKSUM = "main.xml", "bindata/data.bin", "bindata/valid.bin", "md5checksum.hex"
MOST_ENTRIES = 200
FIRST, LAST = (
    (1980, 1, 1, 0, 0, 0),
    (2107, 12, 31, 23, 59, 58),
)  # that a ZIP can tell, whatever a clock says
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
    if data.count(b"PK\x01\x02") > MOST_ENTRIES:
        raise refuse("is a ZIP of very many files, which no X3P is", "hostile")
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
    except BROKEN:
        raise refuse("is no sound ZIP, so no X3P file", "syntax") from None
    entries = _entries(archive)
    text = _member(archive, entries, MAIN, MOST_XML, exact=False)
    main = main_of(text)
    _check_sum(archive, entries, main, text)
    raw = _listed(main) if main.link is None else _stored(archive, entries, main, main.link)
    return _surface(main, raw)


# --- the ZIP -----------------------------------------------------------------------------------


def _entries(archive: zipfile.ZipFile) -> dict[str, zipfile.ZipInfo]:
    """What is in the ZIP, by the name below the folder that main.xml lies in."""
    infos = [info for info in archive.infolist() if not info.is_dir()]
    if len(infos) > MOST_ENTRIES:
        raise refuse("is a ZIP of very many files, which no X3P is", "hostile")
    mains = [info.filename for info in infos if info.filename.rpartition("/")[2] == MAIN]
    tops = [name for name in mains if name.count("/") == min(n.count("/") for n in mains)]
    if len(tops) != 1:
        raise refuse(f"holds {len(tops) or 'no'} {MAIN}: an X3P has one", "missing")
    folder = tops[0][: -len(MAIN)]
    out: dict[str, zipfile.ZipInfo] = {}
    for info in infos:
        name = info.filename
        if name.startswith(folder):
            short = name[len(folder) :]
            if short in out:
                raise refuse(f"holds {shown(short)} twice", "hostile")
            out[short] = info
    return out


def _path(link: str) -> str:
    """A link of main.xml as a name within the ZIP; none leads out of it."""
    name = link.replace("\\", "/").removeprefix("./")
    parts = name.split("/")
    if name.startswith("/") or ":" in name or ".." in parts or "" in parts or "\0" in name:
        raise refuse(f"points to {shown(link)}, outside itself: not read", "hostile")
    return name


def _member(
    archive: zipfile.ZipFile,
    entries: dict[str, zipfile.ZipInfo],
    name: str,
    size: int,
    *,
    exact: bool = True,
) -> bytes:
    """The content of one entry, of `size` bytes (at most, when not exact)."""
    info = entries.get(name)
    if info is None:
        raise refuse(f"has no {shown(name)} in it, which its main.xml names", "missing")
    if info.file_size > size or (exact and info.file_size != size):
        need = f"{size} bytes are due" if exact else f"{size} bytes is the most"
        raise refuse(
            f"has {info.file_size} bytes in {shown(name)}: {need}", "short" if exact else "size"
        )
    if info.flag_bits & 0x1 or info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise refuse(
            f"has {shown(name)} locked or packed in a way that X3P does not have", "version"
        )
    try:
        with archive.open(info) as file:
            content = file.read(size + 1)
    except BROKEN:
        raise refuse(f"is damaged: {shown(name)} cannot be unpacked whole", "checksum") from None
    if len(content) != info.file_size:
        raise refuse(f"is damaged: {shown(name)} is not as long as it says", "short")
    return content


def _md5(content: bytes) -> str:
    return hashlib.md5(content, usedforsecurity=False).hexdigest()


def _check_sum(
    archive: zipfile.ZipFile, entries: dict[str, zipfile.ZipInfo], main: Main, text: bytes
) -> None:
    """Hold main.xml (or what else the check-sum file names) against its MD5; a missing one is forgiven."""
    name = _path(main.checksum_file) if main.checksum_file else CHECKSUM
    if name not in entries:
        return
    words = _member(archive, entries, name, 2000, exact=False).decode("latin-1").split()
    if not words or re.fullmatch(r"[0-9a-fA-F]{32}", words[0]) is None:
        return
    # Some writers give the sum of the points' file here, and say so.
    of = words[1].lstrip("*") if len(words) > 1 else MAIN
    if of == MAIN and words[0].lower() != _md5(text):
        raise refuse(
            "is damaged or was changed: main.xml does not have the check sum that stands beside it",
            "checksum",
        )


def _checked_member(
    archive: zipfile.ZipFile,
    entries: dict[str, zipfile.ZipInfo],
    link: str,
    size: int,
    digest: str | None,
) -> bytes:
    name = _path(link)
    content = _member(archive, entries, name, size)
    if digest is not None and digest != _md5(content):
        raise refuse(
            f"is damaged or was changed: {shown(name)} does not have the check sum in main.xml",
            "checksum",
        )
    return content


# --- the points --------------------------------------------------------------------------------


def _record(main: Main) -> np.dtype[np.void]:
    """What is stored of each point: the axes that are not evenly spaced."""
    axes = (("x", main.x), ("y", main.y), ("z", main.z))
    return np.dtype([(name, DTYPES[axis.data_type]) for name, axis in axes if axis.kind == "A"])


def _stored(
    archive: zipfile.ZipFile, entries: dict[str, zipfile.ZipInfo], main: Main, link: str
) -> dict[str, Array]:
    """The stored numbers (ny, nx) of each axis that has them; z NaN where nothing was measured."""
    record, count = _record(main), main.nx * main.ny
    content = _checked_member(archive, entries, link, count * record.itemsize, main.digest)
    stored = np.frombuffer(content, record).reshape(main.ny, main.nx)
    raw = {name: stored[name].astype(float) for name in record.names or ()}
    if main.valid_link is not None:
        bits = _checked_member(
            archive, entries, main.valid_link, (count + 7) // 8, main.valid_digest
        )
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
        z = z * main.z.increment + main.z.offset
    dx, z = _even(main.x, raw.get("x"), z, 1)
    dy, z = _even(main.y, raw.get("y"), z, 0)
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
    main = Main(
        x=Axis("I", "D", surface.dx, -0.5 * (nx - 1) * surface.dx),
        y=Axis("I", "D", surface.dy, -0.5 * (ny - 1) * surface.dy),
        z=Axis("A", data_type, step, offset),
        nx=nx,
        ny=ny,
        link=DATA,
        digest=_md5(content),
        valid_link=None,
        valid_digest=None,
        checksum_file=CHECKSUM,
        datums=(),
    )
    if valid:
        main = replace(main, valid_link=VALID, valid_digest=_md5(valid))
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
