"""Reading files: each format gives the same table; what is wrong is named with file, row and column; files stay as they
are.
"""

import astropy.units as u
import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from helpers.shared import files as tables
from helpers.shared.pictures import read_fits_image

WANTED = {"ra": "deg", "magnitude": "mag"}


def star_table():
    table = Table({"ra": [10.5, 11.5], "magnitude": [8.0, 9.5], "note": ["a", "b"]})
    table["ra"].unit = "deg"
    table["magnitude"].unit = "mag"
    return table


@pytest.mark.parametrize(
    ("name", "kind"), [("s.ecsv", "ascii.ecsv"), ("s.csv", "ascii.csv"), ("s.fits", "fits"), ("s.vot", "votable")]
)
def test_each_format_gives_the_same_table(tmp_path, name, kind):
    path = tmp_path / name
    star_table().write(path, format=kind)
    before = path.read_bytes()
    table = tables.read_table(path, WANTED)
    assert table.colnames == ["ra", "magnitude"]
    assert table["ra"].tolist() == [10.5, 11.5]
    assert table["magnitude"].unit == u.mag
    assert path.read_bytes() == before
    assert "note" in tables.column_names(path)


def test_a_votable_is_parsed_once_until_it_changes(tmp_path, monkeypatch):
    path, parsed, read = tmp_path / "s.vot", [], Table.read

    class Counted(Table):
        @classmethod
        def read(cls, *arguments, **keywords):
            parsed.append(keywords)
            return read(*arguments, **keywords)

    monkeypatch.setattr(tables, "Table", Counted)
    monkeypatch.setattr(tables, "_last_votable", {})
    star_table().write(path, format="votable")
    first = tables.read_table(path, WANTED)
    first["magnitude"][0] = 99  # what a reader does with its table changes no other
    assert tables.read_table(path, WANTED)["magnitude"][0] == 8 and len(parsed) == 1
    star_table()[::-1].write(path, format="votable", overwrite=True)
    assert tables.read_table(path, WANTED)["magnitude"][0] == 9.5 and len(parsed) == 2


def test_units_are_converted_and_names_mapped(tmp_path):
    table = Table({"RA_hours": [1.0] * u.hourangle, "Gmag": [8.0]})
    table.write(tmp_path / "s.ecsv")
    read = tables.read_table(tmp_path / "s.ecsv", WANTED, columns={"ra": "RA_hours", "magnitude": "Gmag"})
    assert read["ra"][0] == pytest.approx(15)
    assert read["ra"].unit == u.deg


@pytest.mark.parametrize("text", ["RA;magnitude\r\n1.5;2\r\n", "\ufeffra,magnitude\n1.5,2", "ra\tMagnitude\r1.5\t2\r"])
def test_plain_text_as_other_programs_write_it(tmp_path, text):
    path = tmp_path / "s.csv"
    path.write_bytes(text.encode("utf-8"))
    table = tables.read_table(path, WANTED)
    assert (table["ra"][0], table["magnitude"][0]) == (1.5, 2)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("ra,magnitude\n1,2\n1,x\n", "data row 2, column 'magnitude': expected a number, found 'x'"),
        ("ra,magnitude\n1,2\n1,\n", "data row 2, column 'magnitude': expected a number, found nothing"),
        ("ra,magnitude\n1,inf\n", "data row 1, column 'magnitude'"),
        ("ra,magnitude\n1,2,3\n", "data row 1: expected 2 values"),
        ("ra;magnitude\n1,5;2\n", "comma as decimal sign"),
        ("ra,mag\n1,2\n", "expected a column 'magnitude', found ra, mag"),
        ("ra,ra,magnitude\n1,2,3\n", "found 'ra' twice"),
        ("ra,magnitude\n", "expected at least one row"),
        ("# only a comment\n", "expected a line of column names"),
        ("", "empty"),
    ],
)
def test_what_is_wrong_in_a_text_table_is_named(tmp_path, text, found):
    path = tmp_path / "stars.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(tables.TableError) as caught:
        tables.read_table(path, WANTED)
    assert str(caught.value).startswith("stars.csv: ")
    assert found in str(caught.value)


def test_missing_values_may_be_kept(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text("ra,magnitude\n1,\n2,5\n", encoding="utf-8")
    assert np.isnan(tables.read_table(path, WANTED, missing="keep")["magnitude"][0])


def test_optional_columns(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text("ra,magnitude,colour\n1,2,red\n", encoding="utf-8")
    assert tables.read_table(path, WANTED, optional={"colour": None, "dec": "deg"}).colnames == [
        "ra",
        "magnitude",
        "colour",
    ]
    with pytest.raises(tables.TableError, match="declination"):
        tables.read_table(path, WANTED, optional={"dec": "deg"}, columns={"dec": "declination"})
    with pytest.raises(tables.TableError, match="columns: expected one of"):
        tables.read_table(path, WANTED, columns={"nothing": "ra"})


def test_a_wrong_unit_is_named(tmp_path):
    Table({"ra": [1.0] * u.m, "magnitude": [8.0]}).write(tmp_path / "s.ecsv")
    with pytest.raises(tables.TableError, match=r"s\.ecsv: column 'ra': expected a unit such as deg, found 'm'"):
        tables.read_table(tmp_path / "s.ecsv", WANTED)


VOTABLE = """<?xml version="1.0"{encoding}?>{before}
<VOTABLE version="1.4" xmlns{prefix}="http://www.ivoa.net/xml/VOTable/v1.3"><RESOURCE><TABLE>
<FIELD name="ra" datatype="double" unit="deg"/><FIELD name="magnitude" datatype="double" unit="mag"/>
<DATA>{data}</DATA></TABLE></RESOURCE></VOTABLE>"""
ROWS = "<TABLEDATA><TR><TD>1.5</TD><TD>2</TD></TR></TABLEDATA>"
STREAM = "<BINARY><STREAM {0}/></BINARY>"


def votable(data=ROWS, encoding="", before="", prefix=""):
    return VOTABLE.format(data=data, encoding=encoding, before=before, prefix=prefix)


@pytest.mark.parametrize(
    ("text", "coding"),
    [
        (votable(STREAM.format('href="http://127.0.0.1:9/x"')), "utf-8"),
        (votable(STREAM.format("encoding='gzip'\n href\n = 'file:///etc/hostname'")), "utf-8"),
        (votable(STREAM.format('href="file:///etc/hostname"'), ' encoding="utf-16"'), "utf-16"),
        (votable(STREAM.format('href="file:///etc/hostname"'), ' encoding="koi8-r"'), "koi8-r"),
        (votable("<FITS><STREAM href='ftp://127.0.0.1/x'/></FITS>"), "utf-8"),
        (votable(before='<!DOCTYPE v [<!ENTITY a "b">]>'), "utf-8"),
        (votable(before='<!DOCTYPE v SYSTEM "file:///etc/hostname">'), "utf-8"),
        (votable('<x:include xmlns:x="http://www.w3.org/2001/XInclude" href="file:///etc/hostname"/>'), "utf-8"),
        (votable(STREAM.format('href="http://127.0.0.1:9/x"')).replace("<DATA>", "<DATA>&broken;"), "utf-8"),
    ],
)
def test_no_address_in_a_file_is_followed(tmp_path, monkeypatch, text, coding):
    import socket
    import urllib.request

    def refuse(*_, **__):
        raise AssertionError("an address was called")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    monkeypatch.setattr(urllib.request, "urlopen", refuse)
    path = tmp_path / "s.vot"
    path.write_bytes(text.encode(coding))
    with pytest.raises(tables.TableError, match=r"s\.vot: "):
        tables.read_table(path, WANTED)
    with pytest.raises(tables.TableError, match="all its rows in the file itself"):
        tables.refuse_outside_streams(text.encode(coding))


def test_tables_without_addresses_pass(tmp_path):
    inside = STREAM.format('encoding="base64"').replace("/></B", ">P/gAAAAAAABAAAAAAAAAAA==</STREAM></B")
    for text in (votable(), votable(inside), votable().replace("<TABLE>", '<LINK href="http://x.invalid/"/><TABLE>')):
        path = tmp_path / "s.vot"
        path.write_text(text, encoding="utf-8")
        tables.refuse_outside_streams(path)
        assert tables.read_table(path, WANTED)["ra"].tolist() == [1.5]


def test_what_is_no_file(tmp_path):
    with pytest.raises(FileNotFoundError, match=r"none\.csv"):
        tables.read_table(tmp_path / "none.csv", WANTED)
    with pytest.raises(tables.TableError, match="folder"):
        tables.read_table(tmp_path, WANTED)
    (tmp_path / "s.xyz").write_text("1 2 3", encoding="utf-8")
    with pytest.raises(tables.TableError, match="unknown kind of file"):
        tables.read_table(tmp_path / "s.xyz", WANTED)


@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data(), name=st.sampled_from(["s.ecsv", "s.csv", "s.fits", "s.vot"]))
def test_damaged_files_are_read_or_refused_in_words(tmp_path, data, name):
    path = tmp_path / name
    kinds = {"s.ecsv": "ascii.ecsv", "s.csv": "ascii.csv", "s.fits": "fits", "s.vot": "votable"}
    star_table().write(path, format=kinds[name], overwrite=True)
    raw = bytearray(path.read_bytes())
    start = data.draw(st.integers(0, len(raw) - 1))
    raw[start : start + data.draw(st.integers(1, 400))] = data.draw(st.binary(max_size=6))
    path.write_bytes(raw)
    try:
        table = tables.read_table(path, WANTED)
    except tables.TableError as error:
        assert name in str(error)
    else:
        assert np.all(np.isfinite(table["ra"]))
    assert path.read_bytes() == bytes(raw)


def test_pictures(tmp_path):
    path = tmp_path / "p.fits"
    fits.PrimaryHDU(np.arange(12, dtype=np.uint16).reshape(3, 4)).writeto(path)
    picture, header = read_fits_image(path)
    assert picture.shape == (3, 4)
    assert picture[2, 3] == 11
    assert header["NAXIS1"] == 4


@pytest.mark.parametrize("keep", [100, 2880, 2900, 5000])
def test_cut_pictures_are_refused(tmp_path, keep):
    path = tmp_path / "cut.fits"
    fits.PrimaryHDU(np.zeros((60, 60))).writeto(path)
    path.write_bytes(path.read_bytes()[:keep])
    with pytest.raises(tables.TableError, match=r"cut\.fits"):
        read_fits_image(path)


def test_a_file_without_picture_is_refused(tmp_path):
    star_table().write(tmp_path / "t.fits")
    with pytest.raises(tables.TableError, match="expected a picture"):
        read_fits_image(tmp_path / "t.fits")
