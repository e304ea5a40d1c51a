"""SDF and X3P against independent packages, both ways, and every kind of file against itself.

Sources: ISO 25178-71 and ISO 25178-72 as the packages `sdfio` and `x3pio` (and `SurfaceTopography`, where it
is installed) read them; the header of check 27.
"""

import io
import struct
import zipfile
from datetime import UTC, datetime

import numpy as np
import pytest
import sdfio
import x3pio

from lapwright.metrology.sdf import from_sdf, to_sdf
from lapwright.metrology.surface import Surface
from lapwright.metrology.surface_files import Head, read_surface, to_csv, write_surface
from lapwright.metrology.x3p import from_x3p, to_x3p

DAY = datetime(2026, 1, 31, 12, 30, tzinfo=UTC)
DX, DY = 0.5e-3, 0.4e-3


def heights(ny=7, nx=9):
    """Heights in um that no flip or turn leaves alone, with two gaps."""
    z = np.random.default_rng(5).normal(size=(ny, nx)) * 1e-6
    z[0, 0], z[-1, -1] = 10e-6, -10e-6
    z[2, 3] = z[5, 1] = np.nan
    return z


def same(got, want, step):
    assert np.array_equal(np.isnan(got), np.isnan(want))
    assert np.nanmax(np.abs(got - want)) <= step


# a step of each type; as text that package keeps the 15 digits that the standard asks for
STEP = {3: 1e-12, 4: 10e-6 / 127, 5: 10e-6 / 32767, 6: 1e-14, 7: 1e-20}


# --- SDF ---------------------------------------------------------------------------------------


def test_the_binary_header_is_that_of_the_standard():
    # check 27: 81 bytes, little endian, at these places
    data = to_sdf(Surface(heights(), DX, DY), data_type=5, date=DAY)
    assert len(data) == 81 + 7 * 9 * 2
    magic, maker, created, changed, nx, ny, dx, dy, dz, fine, packed, kind, check = struct.unpack(
        "<8s10s12s12sHHddddBBB", data[:81]
    )
    assert (magic, maker, created, changed) == (
        b"bISO-1.0",
        b"lapwright ",
        b"310120261230",
        b"310120261230",
    )
    assert (nx, ny, dx, dy, packed, kind, check) == (9, 7, DX, DY, 0, 5, 0)
    assert fine < 0.0  # no resolution is claimed
    first = struct.unpack_from("<h", data, 81)[0]
    assert first * dz == pytest.approx(
        10e-6, rel=1e-4
    )  # the 6 o'clock, 9 o'clock corner comes first
    # an invalid point is the type's minimum
    assert struct.unpack_from("<h", data, 81 + 2 * (2 * 9 + 3))[0] == -32768


@pytest.mark.parametrize("form", ["binary", "ascii"])
@pytest.mark.parametrize("kind", [5, 6, 7])
def test_what_is_written_sdfio_reads(form, kind):
    z = heights()
    got = sdfio.read(io.BytesIO(to_sdf(Surface(z, DX, DY), form=form, data_type=kind, date=DAY)))
    assert str(got.header.revision) == "ISO-1.0"
    assert (got.header.x_scale, got.header.y_scale) == (DX, DY)
    assert got.header.create_date.year == 2026
    # its rows grow with y, and so do ours
    same(got.data, z, STEP[kind])


@pytest.mark.parametrize("form", list(sdfio.FileFormat))
@pytest.mark.parametrize(
    ("revision", "kind"),
    # that package has the types 3 and 4 in ISO-2.0 only
    [("ISO-1.0", kind) for kind in (5, 6, 7)] + [("ISO-2.0", kind) for kind in (3, 4, 5, 6, 7)],
)
def test_what_sdfio_writes_is_read(form, revision, kind):
    z, store = heights(), io.BytesIO()
    metadata = sdfio.Metadata(revision=sdfio.Revision(revision), data_type=sdfio.DataType(kind))
    sdfio.write(store, z, x_scale=DX, y_scale=DY, format=form, metadata=metadata)
    got = from_sdf(store.getvalue())
    assert (got.dx, got.dy) == (DX, DY)
    same(got.heights, z, STEP[kind])


@pytest.mark.parametrize("form", ["binary", "ascii"])
@pytest.mark.parametrize("kind", [3, 4, 5, 6, 7])
def test_sdf_there_and_back(form, kind):
    z = heights()
    got = from_sdf(to_sdf(Surface(z, DX, DY), form=form, data_type=kind, date=DAY))
    assert (got.dx, got.dy) == (DX, DY)
    same(got.heights, z, STEP[kind] if kind != 7 else 0.0)


def test_a_flat_map_of_whole_numbers_keeps_its_gaps():
    z = np.zeros((5, 5))
    z[1, 2] = np.nan
    assert np.array_equal(
        from_sdf(to_sdf(Surface(z, DX, DY), data_type=5)).heights, z, equal_nan=True
    )


def test_an_ascii_file_as_others_lay_it_out():
    # the layout of the standard's own example: one value a line, blanks as they come, bad points as BAD
    head = (
        "aISO-1.0\nManufacID = shop\nCreateDate = 210520051200\nModDate = 210520051200\nNumPoints = 4\n"
        "NumProfiles = 4\nXscale = 1.0E-3\nYscale=2.0E-03\nZscale = 1E-06\nZresolution = -1\n"
        "Compression = 0\nDataType = 7\nCheckType = 0\n*\n"
    )
    values = [str(k / 4) for k in range(16)]
    values[5] = "BAD"
    got = from_sdf((head + "\n".join(values) + "\n*\nmade by hand\n*\n").encode())
    assert (got.dx, got.dy) == (1e-3, 2e-3)
    want = np.arange(16.0).reshape(4, 4) / 4 * 1e-6
    want[1, 1] = np.nan
    same(got.heights, want, 1e-18)


# --- X3P ---------------------------------------------------------------------------------------

GRAIN = {"I": 10e-6 / 32767, "L": 1e-14, "F": 1e-12, "D": 0.0}


@pytest.mark.parametrize("kind", ["I", "L", "F", "D"])
def test_what_is_written_x3pio_reads(kind):
    z = heights()
    got = x3pio.read(io.BytesIO(to_x3p(Surface(z, DX, DY), data_type=kind, date=DAY)))
    assert isinstance(got, x3pio.Surface)
    assert got.revision is x3pio.Revision.ISO5436_2000
    assert got.header.x.increment == DX
    assert got.header.y.increment == DY
    same(got.layers[0].z, z, GRAIN[kind])
    # said of itself: computed, not measured
    assert got.metadata.probing_system.type is x3pio.ProbingType.SOFTWARE


@pytest.mark.parametrize("storage", list(x3pio.DataStorage))
@pytest.mark.parametrize("revision", list(x3pio.Revision))
@pytest.mark.parametrize("kind", ["I", "L", "F", "D"])
def test_what_x3pio_writes_is_read(storage, revision, kind):
    z, store = heights(), io.BytesIO()
    scale = {"I": 1e-9, "L": 1e-13}.get(kind, 1.0)
    file = x3pio.Surface.from_array(
        z,
        x_scale=DX,
        y_scale=DY,
        z_type=x3pio.DataType(kind),
        z_scale=scale,
        revision=revision,
        storage=storage,
    )
    file.save(store)
    got = from_x3p(store.getvalue())
    assert (got.dx, got.dy) == (DX, DY)
    same(got.heights, z, max(scale if kind in "IL" else 0.0, GRAIN[kind] if kind == "F" else 1e-20))


@pytest.mark.parametrize("kind", ["I", "L", "F", "D"])
def test_x3p_there_and_back(kind):
    z = heights()
    got = from_x3p(to_x3p(Surface(z, DX, DY), data_type=kind, date=DAY))
    assert (got.dx, got.dy) == (DX, DY)
    same(got.heights, z, GRAIN[kind])


def test_an_x3p_holds_what_the_standard_asks():
    # check 27: main.xml, bindata/data.bin, md5checksum.hex; root p:ISO5436_2; Records 1-4; x fastest
    z = heights()
    archive = zipfile.ZipFile(io.BytesIO(to_x3p(Surface(z, DX, DY), date=DAY)))
    assert archive.namelist() == ["main.xml", "md5checksum.hex", "bindata/data.bin"]
    text = archive.read("main.xml").decode()
    assert "<p:ISO5436_2 " in text
    assert all(f"<Record{k}>" in text for k in (1, 2, 3, 4))
    assert "<Revision>ISO5436 - 2000</Revision>" in text
    assert np.array_equal(
        np.frombuffer(archive.read("bindata/data.bin"), "<f8").reshape(7, 9), z, equal_nan=True
    )


def test_the_same_face_and_day_give_the_same_bytes():
    one, two = (to_x3p(Surface(heights(), DX, DY), date=DAY) for _ in range(2))
    assert one == two


def rewritten(data, change, **more):
    """An X3P with its main.xml changed (and its check sum left out)."""
    archive, store = zipfile.ZipFile(io.BytesIO(data)), io.BytesIO()
    with zipfile.ZipFile(store, "w") as out:
        for name in archive.namelist():
            content = more.get(name.replace("/", "_").replace(".", "_"), archive.read(name))
            if name == "main.xml":
                content = change(content.decode()).encode()
            if name != "md5checksum.hex":
                out.writestr(name, content)
    return store.getvalue()


def test_heights_are_scaled_and_offset():
    z = heights()
    data = rewritten(
        to_x3p(Surface(z, DX, DY)),
        lambda text: text.replace(
            "<Increment>1.0</Increment><Offset>0.0</Offset>",
            "<Increment>1e-3</Increment><Offset>5e-4</Offset>",
        ),
    )
    same(from_x3p(data).heights, 1e-3 * z + 5e-4, 1e-18)


def test_an_axis_that_runs_backwards_is_turned():
    z = heights()
    data = rewritten(
        to_x3p(Surface(z, DX, DY)),
        lambda text: text.replace("<Increment>0.0005", "<Increment>-0.0005"),
    )
    got = from_x3p(data)
    assert got.dx == DX
    same(got.heights, z[:, ::-1], 0.0)


def test_places_that_are_said_one_by_one():
    # axes of type A are stored point by point, x, y and z together (ISO 25178-72)
    z = heights()
    x, y = np.meshgrid(np.arange(9) * DX + 3.0e-3, np.arange(7)[::-1] * DY)
    points = np.stack([x, y, z], -1).astype("<f8").tobytes()

    def change(text):
        text = text.replace("<AxisType>I</AxisType>", "<AxisType>A</AxisType>")
        text = text.replace("<Increment>0.0005<", "<Increment>1.0<").replace(
            "<Increment>0.0004<", "<Increment>1.0<"
        )
        head, _, tail = text.partition("<MD5ChecksumPointData>")
        return head + tail.partition("</MD5ChecksumPointData>")[2]

    got = from_x3p(rewritten(to_x3p(Surface(z, DX, DY)), change, bindata_data_bin=points))
    assert (got.dx, got.dy) == (pytest.approx(DX), pytest.approx(DY))
    same(got.heights, z[::-1], 0.0)  # y said from the top down


def test_surface_topography_reads_what_is_written(tmp_path):
    # a third reader, heavy, so not among those that every test run installs
    topography = pytest.importorskip("SurfaceTopography")
    z = heights()
    for name, content in (
        ("A.x3p", to_x3p(Surface(z, DX, DY))),
        ("A.sdf", to_sdf(Surface(z, DX, DY), data_type=5)),
        ("B.sdf", to_sdf(Surface(z, DX, DY), form="ascii")),
        ("L.x3p", to_x3p(Surface(z, DX, DY), data_type="L")),
    ):
        (tmp_path / name).write_bytes(content)
        got = topography.read_topography(str(tmp_path / name)).to_unit("m")
        assert got.physical_sizes == pytest.approx((9 * DX, 7 * DY))
        found = np.ma.filled(got.heights(), np.nan).T  # its first index is x
        assert np.nanmax(np.abs(found - z)) <= 10e-6 / 32767
        assert np.array_equal(np.isnan(found), np.isnan(z))


def test_what_surface_topography_writes_is_read(tmp_path):
    topography = pytest.importorskip("SurfaceTopography")
    z = np.nan_to_num(heights())
    there = topography.Topography(z.T * 1e6, physical_sizes=(9 * DX * 1e6, 7 * DY * 1e6), unit="µm")
    for kind in "DFLI":
        there.to_x3p(str(tmp_path / "A.x3p"), dtype=kind)
        got = read_surface(tmp_path / "A.x3p")
        assert (got.dx, got.dy) == (pytest.approx(DX), pytest.approx(DY))
        same(got.heights, z, 20e-6 / 65535)


# --- CSV and NPY -------------------------------------------------------------------------------


def test_a_table_shows_the_face_as_it_is_looked_at(tmp_path):
    z = np.zeros((4, 4))
    z[-1, 0] = 1e-6  # 12 o'clock, 9 o'clock: upper left to whoever looks
    write_surface(tmp_path / "A.csv", np.arange(4) * DX, np.arange(4) * DY, z)
    lines = (tmp_path / "A.csv").read_text().splitlines()
    assert lines[1:4] == ["# unit: um", "# spacing: 0.5 mm x 0.4 mm", "# first row: 12 o'clock"]
    assert lines[4].startswith("1.000000,0.000000")
    got = read_surface(tmp_path / "A.csv")
    assert (got.dx, got.dy) == (DX, DY)
    same(got.heights, z, 0.0)


def table(text):
    return f"# unit: um\n# spacing: 1 mm\n# first row: 6 o'clock\n{text}".encode()


ROWS = np.arange(16.0).reshape(4, 4) / 8.0


@pytest.mark.parametrize(
    ("between", "comma"),
    [
        (",", False),
        (", ", False),
        (";", False),
        (";", True),
        ("\t", True),
        (" ", True),
        (" ", False),
    ],
)
def test_tables_as_shops_write_them(tmp_path, between, comma):
    text = "\n".join(between.join(f"{v:.3f}" for v in row) for row in ROWS)
    if comma:
        text = text.replace(".", ",")
    (tmp_path / "A.csv").write_bytes(table(text))
    same(read_surface(tmp_path / "A.csv").heights, ROWS * 1e-6, 1e-18)


@pytest.mark.parametrize("gap", ["", " ", "nan", "NaN", "BAD", "bad"])
@pytest.mark.parametrize("place", [(0, 0), (0, 3), (3, 3), (2, 1)])
def test_gaps_in_a_table(tmp_path, gap, place):
    for between in (",", ";"):
        fields = [[f"{v:.3f}" for v in row] for row in ROWS]
        fields[place[0]][place[1]] = gap
        (tmp_path / "A.csv").write_bytes(
            table("\r\n".join(between.join(row) for row in fields) + "\r\n")
        )
        want = ROWS * 1e-6
        want[place] = np.nan
        same(read_surface(tmp_path / "A.csv").heights, want, 1e-18)


def test_two_gaps_beside_each_other_and_a_separator_at_the_end(tmp_path):
    want = np.full((4, 5), 0.5e-6)
    want[1, 1:4] = want[2, :] = np.nan
    want[2, 0] = 0.5e-6
    text = "0.5;0.5;0.5;0.5;0.5;\n0.5;;;;0.5;\n0.5;;;;;\n0.5;0.5;0.5;0.5;0.5;\n"
    (tmp_path / "A.csv").write_bytes(table(text))
    same(read_surface(tmp_path / "A.csv").heights, want, 1e-18)


def test_a_table_in_inches(tmp_path):
    text = "# Unit = uin\n# spacing: 0.25 in\n" + "\n".join("1 2 3 4" for _ in range(4))
    (tmp_path / "A.txt").write_text(text)
    got = read_surface(tmp_path / "A.txt")
    assert got.dx == pytest.approx(6.35e-3)
    assert got.heights[0] == pytest.approx(np.arange(1, 5) * 25.4e-9)


@pytest.mark.parametrize("order", ["C", "F"])
@pytest.mark.parametrize("dtype", ["<f8", ">f8", "<f4", "<i2", "|u1", "<i8"])
def test_plain_arrays(tmp_path, order, dtype):
    z = np.array(np.round(ROWS * 8), dtype=dtype, order=order)
    np.save(tmp_path / "A.npy", z)
    got = read_surface(tmp_path / "A.npy", Head(unit=1e-6, spacing=(DX, DY)))
    assert (got.dx, got.dy) == (DX, DY)
    same(got.heights, ROWS * 8e-6, 1e-18)
    upside = read_surface(
        tmp_path / "A.npy", Head(unit=1e-6, spacing=(DX, DY), first_row="12 o'clock")
    )
    same(upside.heights, ROWS[::-1] * 8e-6, 1e-18)


@pytest.mark.parametrize("ending", ["x3p", "sdf", "csv", "npy"])
def test_a_face_there_and_back(tmp_path, ending):
    z, land = np.nan_to_num(heights()), np.ones((7, 9))
    land[0, :3] = 0.4
    x, y = (np.arange(9) - 4.0) * DX, (np.arange(7) - 3.0) * DY
    write_surface(tmp_path / f"A.{ending}", x, y, z, land)
    head = Head(spacing=(DX, DY)) if ending == "npy" else Head()
    want = np.where(land < 0.5, np.nan, z)
    same(read_surface(tmp_path / f"A.{ending}", head).heights, want, 0.6e-12)


def test_more_than_a_picometre_is_kept_in_a_table():
    z = np.full((4, 4), 1.234567e-6)
    assert b"1.234567," in to_csv(Surface(z, DX, DY))


@pytest.mark.parametrize("year", [1970, 2150])
def test_a_clock_that_no_zip_can_tell_is_no_hindrance(year):
    # PKWARE, APPNOTE 6.3.10, section 4.4.6: MS-DOS dates begin in 1980, with seven bits for the year.
    z = heights()
    got = from_x3p(to_x3p(Surface(z, DX, DY), date=datetime(year, 1, 1, tzinfo=UTC)))
    assert np.array_equal(got.heights, z, equal_nan=True)
