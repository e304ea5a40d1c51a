"""SDF, ISO 25178-71: ASCII and binary, ISO-1.0 (read and written) and ISO-2.0 (read).

A header, then profile after profile, y growing with the profile and x with the point (so the first profile
lies at 6 o'clock), heights = stored number x Zscale [m].  A point not measured is BAD in ASCII and the least
number of the type in binary; NaN is taken as such too.
"""

from __future__ import annotations

import math
import re
import struct
import warnings
from datetime import UTC, datetime
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.surface import MOST_POINTS, Surface, check_size, checked, refuse
from lapwright.specification.said import shown

Array = NDArray[np.float64]

TYPES = {3: "<f4", 4: "<i1", 5: "<i2", 6: "<i4", 7: "<f8"}
MAGICS = (b"aISO-1.0", b"bISO-1.0", b"aISO-2.0", b"bISO-2.0")
MOST_TEXT = 16_000_000  # bytes of an ASCII file
LONGEST_HEADER = 20_000  # letters
FIELDS = (
    "ManufacID",
    "CreateDate",
    "ModDate",
    "NumPoints",
    "NumProfiles",
    "Xscale",
    "Yscale",
    "Zscale",
    "Zresolution",
    "Compression",
    "DataType",
    "CheckType",
)
# After the texts; ISO-1.0 counts points in two bytes (81 bytes in all), ISO-2.0 in four.
_NUMBERS = {"<H": struct.Struct("<HHddddBBB"), "<I": struct.Struct("<IIddddBBB")}
MAKER = "lapwright"


def is_sdf(data: bytes) -> bool:
    """Whether a file begins like any SDF, also an older one that is not read."""
    return re.match(rb"[abAB](ISO|BCR)-\d", data) is not None


def from_sdf(data: bytes) -> Surface:
    """Read an SDF file.

    Raises
    ------
    SurfaceFileError
        Another version, a header that cannot be, data that are short or no numbers.

    """
    magic = data[:8]
    if magic not in MAGICS:
        raise refuse(
            f"is of the version {shown(magic.decode('latin-1'))}: ISO-1.0 and ISO-2.0 are read; "
            "save it as one of them",
            "version",
        )
    return _binary(data) if magic[:1] == b"b" else _text(data)


# --- reading -----------------------------------------------------------------------------------


def _binary(data: bytes) -> Surface:
    numbers = _NUMBERS["<H" if data[:8].endswith(b"1.0") else "<I"]
    begin = 8 + 10 + 12 + 12
    end = begin + numbers.size
    if len(data) < end:
        raise refuse(f"ends within its header: {len(data)} bytes of {end}", "short")
    nx, ny, dx, dy, scale, _, compression, kind, check = numbers.unpack(data[begin:end])
    dtype = _checked_header(nx, ny, scale, compression, kind, check)
    needed = nx * ny * dtype.itemsize
    if len(data) - end < needed:
        raise refuse(
            f"is short: {nx} x {ny} points need {needed} bytes, and {len(data) - end} are there",
            "short",
        )
    raw = np.frombuffer(data, dtype, nx * ny, end).reshape(ny, nx)
    return _scaled(raw.astype(float), raw == _least(dtype), scale, dx, dy)


def _least(dtype: np.dtype[Any]) -> float:
    """What marks a point that was not measured: the least number of the type."""
    return float(np.finfo(dtype).min if dtype.kind == "f" else np.iinfo(dtype).min)


def _checked_header(
    nx: int, ny: int, scale: float, compression: int, kind: int, check: int
) -> np.dtype[Any]:
    """The type of the numbers, when all that the header says can be."""
    if compression != 0 or check != 0:
        raise refuse(
            "is compressed or has a check sum, which is not read: save it without", "version"
        )
    if kind not in TYPES:
        raise refuse(f"has the data type {kind}: 3 to 7 are known", "version")
    if not (math.isfinite(scale) and scale > 0.0):
        raise refuse(f"has a Zscale of {scale:.6g}: it is more than 0", "range")
    check_size(nx, ny)
    return np.dtype(TYPES[kind])


def _scaled(raw: Array, bad: NDArray[np.bool_], scale: float, dx: float, dy: float) -> Surface:
    raw[bad] = np.nan
    with np.errstate(over="ignore", invalid="ignore"):
        raw *= scale
    return checked(raw, dx, dy)


def _text(data: bytes) -> Surface:
    if len(data) > MOST_TEXT:
        raise refuse(
            f"is more than {MOST_TEXT / 1e6:.0f} MB of text: save it as binary SDF", "size"
        )
    try:
        text = data.decode("ascii")
    except UnicodeDecodeError:
        raise refuse("begins like an ASCII SDF but is not plain text", "encoding") from None
    star = re.search(r"^[ \t]*\*[ \t]*\r?$", text[:LONGEST_HEADER], flags=re.MULTILINE)
    if star is None:
        raise refuse("has no line with a * after its header", "short")
    fields = {"compression": "0", "checktype": "0"} | _fields(text[: star.start()])
    body = text[star.end() :].partition("*")[0]  # no number has one
    count = {
        name: _whole(fields, name) for name in FIELDS if name[:3] in ("Num", "Com", "Dat", "Che")
    }
    nx, ny = count["NumPoints"], count["NumProfiles"]
    dx, dy, scale = (_number(fields, name) for name in ("Xscale", "Yscale", "Zscale"))
    dtype = _checked_header(
        nx, ny, scale, count["Compression"], count["DataType"], count["CheckType"]
    )
    raw = _heights(body, nx * ny).reshape(ny, nx)
    if dtype.kind == "i" and not np.all((raw == np.rint(raw)) | np.isnan(raw)):
        raise refuse(
            f"holds fractions, though its data type {count['DataType']} is of whole numbers", "type"
        )
    return _scaled(raw, np.isnan(raw), scale, dx, dy)


def _fields(text: str) -> dict[str, str]:
    """The header's fields by name in small letters."""
    out = {}
    for line in text.splitlines()[1:100]:
        name, sign, value = line.partition("=")
        if sign:
            out[name.strip().lower()] = value.strip()
    return out


def _number(fields: dict[str, str], name: str) -> float:
    value = fields.get(name.lower())
    if value is None:
        raise refuse(f"has no {name} in its header", "missing")
    try:
        return float(value)
    except ValueError:
        raise refuse(f"has the {name} {shown(value)}, which is no number", "type") from None


def _whole(fields: dict[str, str], name: str) -> int:
    number = _number(fields, name)
    if not (math.isfinite(number) and number == int(number) and abs(number) < 1e15):
        raise refuse(f"has the {name} {number:.6g}, which is no whole number", "type")
    return int(number)


def _heights(text: str, count: int) -> Array:
    """All numbers of a text, of which there must be `count`; BAD is NaN."""
    blank = np.frombuffer(text.encode("ascii"), np.uint8) <= 32
    there = int(np.count_nonzero(blank[:-1] & ~blank[1:])) + int(blank.size > 0 and not blank[0])
    if there != count:  # counted first: a text may hold far more than any map
        raise refuse(f"holds {there} heights where its header says {count}", "short")
    plain = text
    for bad in ("BAD", "Bad", "bad"):
        plain = plain.replace(bad, "nan")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            return np.fromstring(plain, dtype=float, count=count, sep=" ")
        except (DeprecationWarning, ValueError):
            raise refuse(
                "holds something among its heights that is no number and not BAD", "type"
            ) from None


# --- writing -----------------------------------------------------------------------------------


def to_sdf(
    surface: Surface,
    *,
    form: Literal["binary", "ascii"] = "binary",
    data_type: int = 7,
    date: datetime | None = None,
) -> bytes:
    """Write ISO-1.0; `data_type` 3 to 7 as in `TYPES` (sizes of 4 to 6 are steps of a fitting Zscale).

    Raises
    ------
    SurfaceFileError
        When the map has more points along a side than the header can count.

    """
    z = surface.heights
    ny, nx = z.shape
    if max(nx, ny) > 65535 or nx * ny > MOST_POINTS:
        raise refuse(f"{nx} x {ny} points are too many for an SDF file", "size")
    dtype = np.dtype(TYPES[data_type])
    scale, raw = _coded(z, dtype)
    stamp = (date or datetime.now(UTC)).strftime("%d%m%Y%H%M")
    if form == "binary":
        text = MAKER.ljust(10).encode() + stamp.encode() + stamp.encode()
        numbers = _NUMBERS["<H"].pack(nx, ny, surface.dx, surface.dy, scale, -1.0, 0, data_type, 0)
        return b"bISO-1.0" + text + numbers + raw.tobytes()
    values = (MAKER, stamp, stamp, nx, ny, surface.dx, surface.dy, scale, -1.0, 0, data_type, 0)
    head = [
        f"{name} = {value!r}" if isinstance(value, float) else f"{name} = {value}"
        for name, value in zip(FIELDS, values, strict=True)
    ]
    missing = ~np.isfinite(z)
    rows = [
        " ".join(
            "BAD" if bad else repr(value)
            for value, bad in zip(line.tolist(), gone.tolist(), strict=True)
        )
        for line, gone in zip(raw, missing, strict=True)
    ]
    return ("\r\n".join(["aISO-1.0", *head, "*", *rows, "*", "*"]) + "\r\n").encode("ascii")


def _coded(z: Array, dtype: np.dtype[Any]) -> tuple[float, NDArray[np.generic]]:
    """Zscale [m] and the stored numbers; points not measured as the least number of the type."""
    there = np.isfinite(z)
    if dtype.kind == "f":
        return 1.0, np.where(there, z, _least(dtype)).astype(dtype)
    high = int(np.iinfo(dtype).max)
    largest = float(np.abs(z[there]).max(initial=0.0))
    scale = largest / high if largest > 0.0 else 1e-9
    return scale, np.where(there, np.rint(np.where(there, z, 0.0) / scale), _least(dtype)).astype(
        dtype
    )
