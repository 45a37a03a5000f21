"""Guide field: stars on the sky, light behind a pick-off, star lists, the meridian flip and the sweep."""

import concurrent.futures
import importlib.util
import re
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.table import Table
from drawing import check_any_call, numbers, quantities
from hypothesis import strategies as st

from helpers import guide_field, rig, starlight
from helpers.guide_field import chances, star_lists
from helpers.shared import files as tables

DEMO = Path(__file__).parents[1] / "demo_data"
TARGET = SkyCoord(188 * u.deg, 33 * u.deg)
CLUB, STARTER = rig.demo_rig("club"), rig.demo_rig("starter")
DOCUMENTED = (ValueError, TypeError, u.UnitsError)


# --- stars on the sky ---------------------------------------------------------------------------------------------


def test_density_grows_with_magnitude_and_towards_the_plane():
    magnitude = np.arange(6, 17.01, 0.1)
    for latitude in (0, 15, 40, 90, -60) * u.deg:
        for longitude in (0, 90, 180) * u.deg:
            density = guide_field.star_density(magnitude, latitude, longitude)
            assert density.unit == 1 / u.deg**2
            assert (np.diff(density.value) > 0).all()
    assert (np.diff(guide_field.star_density(12, np.arange(0, 91, 5) * u.deg).value) < 0).all()
    assert guide_field.star_density(12 * u.mag, -30 * u.deg) == guide_field.star_density(12, 30 * u.deg)


def test_density_broadcasts_and_defaults_to_longitude_90():
    density = guide_field.star_density(np.array([[8.0], [10.0]]), [10, 20, 30] * u.deg)
    assert density.shape == (2, 3)
    assert density[1, 2] == guide_field.star_density(10, 30 * u.deg, 90 * u.deg)


def test_error_band_encloses_the_density_and_widens_where_less_is_known():
    def width(magnitude, latitude):
        low, high = guide_field.star_density_band(magnitude, latitude)
        density = guide_field.star_density(magnitude, latitude)
        assert low < density < high
        return float(high / low)

    assert width(10, 90 * u.deg) < width(10, 0 * u.deg)
    assert width(10, 90 * u.deg) < width(16, 90 * u.deg)
    assert 1.2 < width(10, 0 * u.deg) ** 0.5 < 1.3  # 20 to 30 % near the plane


@pytest.mark.parametrize("magnitude", [5.9, 17.1, np.nan, [10, np.inf], [], "bright", None])
def test_density_names_a_wrong_magnitude(magnitude):
    with pytest.raises(DOCUMENTED, match="magnitude"):
        guide_field.star_density(magnitude, 30 * u.deg)


@pytest.mark.parametrize(
    ("latitude", "kind"),
    [(91 * u.deg, ValueError), (30, TypeError), (3 * u.m, u.UnitsError), (np.nan * u.deg, ValueError)],
)
def test_density_names_a_wrong_latitude(latitude, kind):
    with pytest.raises(kind, match="latitude"):
        guide_field.star_density(10, latitude)


def test_chance_is_that_of_random_stars():
    density, area = 100 / u.deg**2, 0.02 * u.deg**2
    assert guide_field.chance_of_stars(density, area, 1) == pytest.approx(1 - np.exp(-2))
    assert guide_field.chance_of_stars(density, 72 * u.arcmin**2, 0) == 1
    assert guide_field.chance_of_stars(0 / u.deg**2, area, 1) == 0
    drawn = np.random.default_rng(1).poisson(2.0, 100_000)
    assert guide_field.chance_of_stars(density, area, 3) == pytest.approx(np.mean(drawn >= 3), abs=0.005)
    assert guide_field.chance_of_stars([1, 2, 3] / u.deg**2, area, 1).shape == (3,)


@pytest.mark.parametrize(
    ("density", "area", "at_least", "name"),
    [
        (-1 / u.deg**2, 1 * u.deg**2, 1, "density"),
        (1 / u.deg**2, np.nan * u.deg**2, 1, "area"),
        (1 / u.deg**2, 1 * u.deg, 1, "area"),
        (1 / u.deg**2, 1 * u.deg**2, -1, "at_least"),
        (1 / u.deg**2, 1 * u.deg**2, 1.5, "at_least"),
        (1.0, 1 * u.deg**2, 1, "density"),
    ],
)
def test_chance_names_a_wrong_argument(density, area, at_least, name):
    with pytest.raises(DOCUMENTED, match=name):
        guide_field.chance_of_stars(density, area, at_least)


# --- light behind the pick-off ------------------------------------------------------------------------------------


def optics(**changes):
    return rig.changed(CLUB, {f"guide_optics.{name}": value for name, value in changes.items()}).guide_optics


def test_beam_width_is_distance_over_focal_ratio():
    assert guide_field.beam_width(CLUB.guide_optics).to_value("mm") == pytest.approx(60 / 5.4)
    assert guide_field.beam_width(STARTER.guide_optics) == 0 * u.mm


@pytest.mark.parametrize("mirror_distance", [10, 35, 60] * u.mm)
@pytest.mark.parametrize("mirror_size", [6, 10] * u.mm)
def test_light_in_all_is_that_of_the_mirror_whatever_its_distance(mirror_distance, mirror_size):
    chosen = optics(mirror_distance=mirror_distance, mirror_size=mirror_size)
    wide = guide_field.sensor_field(chosen, 40 * u.mm, 40 * u.mm, cells=400)
    on_sensor = mirror_size**2 * np.cos(np.radians(45)) / (1 - mirror_distance / chosen.focal_length) ** 2
    expected = (on_sensor / chosen.focal_length**2).to(u.arcmin**2, u.dimensionless_angles())
    assert wide.lit_area.to_value("arcmin2") == pytest.approx(expected.value, rel=2e-3)


@pytest.mark.parametrize("place", [(0, 0), (3, 1), (-6, 4), (9, -2)])
def test_lit_fraction_agrees_with_rays_thrown_at_random(place):
    rng, chosen = np.random.default_rng(3), CLUB.guide_optics
    radius = np.sqrt(rng.uniform(0.32**2, 1, 200_000)) * 60 / 5.4 / 2
    angle = rng.uniform(0, 2 * np.pi, radius.size)
    x, y = (np.array(place)[:, None] * (1 - 60 / 1350)) + radius * np.array([np.cos(angle), np.sin(angle)])
    hit = np.mean((np.abs(x) < 4.5) & (np.abs(y) < 4.5 * np.cos(np.pi / 4)))
    assert guide_field.lit_fraction(*(place * u.mm), chosen) == pytest.approx(hit, abs=0.004)


def test_a_sharp_edge_for_a_mirror_close_to_the_sensor():
    chosen = optics(mirror_distance=0.001 * u.mm)
    assert guide_field.lit_fraction([0, 4.4, 4.6] * u.mm, 0 * u.mm, chosen) == pytest.approx([1, 1, 0])


def test_a_guide_telescope_lights_its_whole_sensor():
    field = guide_field.lit_field(STARTER.guide_optics, STARTER.guide_camera)
    assert (field.fraction == 1).all()
    assert field.lit_area == field.area
    expected = (5.4 / 200 * 3.0 / 200) * u.rad**2
    assert field.area.to_value("arcmin2") == pytest.approx(expected.to_value("arcmin2"))


def test_a_larger_sensor_gains_nothing_beyond_the_lit_patch():
    areas = [
        guide_field.sensor_field(CLUB.guide_optics, size, size, cells=60).lit_area.value
        for size in (5, 10, 24, 48) * u.mm
    ]
    assert areas[0] < areas[1] < areas[2]
    assert areas[3] == pytest.approx(areas[2], rel=0.02)


def test_coma_falls_with_the_square_of_the_focal_ratio():
    assert guide_field.coma_length(4, 10 * u.arcmin).to_value("arcsec") == pytest.approx(3 * 600 / 16 / 16)
    assert guide_field.coma_length(8, 10 * u.arcmin) * 4 == guide_field.coma_length(4, 10 * u.arcmin)
    assert guide_field.coma_length(5, 0 * u.arcmin) == 0 * u.arcsec


def test_wrong_optics_are_named():
    with pytest.raises(TypeError, match="optics"):
        guide_field.lit_fraction(0 * u.mm, 0 * u.mm, CLUB)
    with pytest.raises(TypeError, match="camera"):
        guide_field.lit_field(CLUB.guide_optics, "B")
    with pytest.raises(ValueError, match="mirror_distance"):
        guide_field.beam_width(optics(mirror_distance=1400 * u.mm))
    with pytest.raises(ValueError, match="width"):
        guide_field.sensor_field(CLUB.guide_optics, 0 * u.mm, 3 * u.mm)
    with pytest.raises(DOCUMENTED, match="focal_ratio"):
        guide_field.coma_length(0, 1 * u.arcmin)


# --- usable stars and maps ----------------------------------------------------------------------------------------


def test_expected_stars_of_a_fully_lit_field_are_density_times_area():
    field = guide_field.lit_field(STARTER.guide_optics, STARTER.guide_camera)
    between = guide_field.star_density(13, 40 * u.deg) - guide_field.star_density(8, 40 * u.deg)
    expected = guide_field.expected_stars(field, 13, 8, 40 * u.deg)
    assert expected == pytest.approx(float((between * field.area).to("")))
    assert guide_field.expected_stars(field, 13, None, 40 * u.deg) > expected
    chance = guide_field.chance_on_sensor(field, 13, 8, 40 * u.deg, at_least=2)
    assert chance == pytest.approx(guide_field.chance_of_stars(between, field.area, 2))


def test_stars_that_get_less_light_count_to_a_brighter_limit():
    field = guide_field.lit_field(CLUB.guide_optics, CLUB.guide_camera)
    cell = field.cell_area.to_value("deg2")
    by_cell = [
        cell * guide_field.star_density(15 + 2.5 * np.log10(share), 40 * u.deg).value for share in field.fraction.flat
    ]
    assert guide_field.expected_stars(field, 15, None, 40 * u.deg) == pytest.approx(sum(by_cell), rel=0.005)


def test_expected_stars_limits():
    field = guide_field.lit_field(CLUB.guide_optics, CLUB.guide_camera)
    assert guide_field.expected_stars(field, 6, None, 40 * u.deg) == 0
    assert guide_field.expected_stars(field, 10, 12, 40 * u.deg) == 0  # all saturated
    dark = guide_field.LitField(field.x, field.y, field.fraction * 0, field.cell_area)
    assert guide_field.expected_stars(dark, 15, None, 40 * u.deg) == 0
    for wrong, name in (((17.5, None), "limiting"), ((15, np.nan), "saturation"), (([14, 15], None), "limiting")):
        with pytest.raises(ValueError, match=name):
            guide_field.expected_stars(field, *wrong, 40 * u.deg)
    with pytest.raises(TypeError, match="field"):
        guide_field.expected_stars(CLUB, 15, None, 40 * u.deg)


def test_the_same_sky_in_both_frames():
    field = guide_field.lit_field(CLUB.guide_optics, CLUB.guide_camera)
    means = []
    for frame in ("galactic", "equatorial"):
        sky = guide_field.sky_grid(frame, 3 * u.deg)
        assert sky.up.shape == (60, 120)
        chance = guide_field.chance_on_sensor(field, 14, 8, sky.latitude, sky.longitude, at_least=3)
        assert ((chance >= 0) & (chance <= 1)).all()
        means.append(guide_field.mean_chance(chance, sky))
    assert means[0] == pytest.approx(means[1], abs=0.002)
    sky = guide_field.sky_grid("equatorial", 3 * u.deg)
    there = SkyCoord(sky.across[10, 20], sky.up[10, 20]).galactic
    assert (sky.latitude[10, 20], sky.longitude[10, 20]) == (there.b, there.l)


def test_the_month_decides_which_sky_is_high():
    sky = guide_field.sky_grid("galactic", 5 * u.deg)
    plane = (np.abs(sky.latitude.value) < 10).astype(float)
    months = guide_field.mean_chance_by_month(plane, sky, 47 * u.deg)
    assert months.shape == (12,)
    # from memory: the galactic pole stands high on spring nights, the Milky Way in late summer and in winter
    assert months[3] < months[7]
    assert months[3] < months[11]
    south = guide_field.mean_chance_by_month(plane, sky, -47 * u.deg)
    assert not np.allclose(months, south)
    with pytest.raises(ValueError, match="where"):
        guide_field.mean_chance(plane, sky, where=plane < 0)
    with pytest.raises(ValueError, match="chance"):
        guide_field.mean_chance(plane[:-1], sky)


# --- star lists ---------------------------------------------------------------------------------------------------


def star_table():
    return Table(
        {
            "ra": [359.99, 0.01, 0.02] * u.deg,
            "dec": [10.0, 10.1, 9.9] * u.deg,
            "magnitude": [9.0, 11.5, 12.0] * u.mag,
        }
    )


@pytest.mark.parametrize("name", ["s.ecsv", "s.csv", "s.fits", "s.vot"])
def test_each_format_gives_the_same_stars(tmp_path, name):
    kinds = {"ecsv": "ascii.ecsv", "csv": "ascii.csv", "fits": "fits", "vot": "votable"}
    star_table().write(tmp_path / name, format=kinds[name.split(".")[1]])
    stars = guide_field.load_catalogue(tmp_path / name)
    assert stars.colnames == ["ra", "dec", "magnitude"]
    assert (stars["ra"].unit, stars["dec"].unit, stars["magnitude"].unit) == (u.deg, u.deg, u.mag)
    for column in stars.colnames:
        assert stars[column].tolist() == star_table()[column].tolist()
    assert stars.meta["notes"] == []


def write(tmp_path, text):
    path = tmp_path / "stars.csv"
    path.write_text(text)
    return path


def test_names_of_public_catalogues_are_understood_and_others_can_be_given(tmp_path):
    path = write(tmp_path, "RAJ2000,DEJ2000,Gmag,Bmag\n10,20,9,11\n")
    assert guide_field.load_catalogue(path)["magnitude"][0] == 9
    assert guide_field.load_catalogue(path, columns={"magnitude": "Bmag"})["magnitude"][0] == 11
    with pytest.raises(tables.TableError, match="magnitude"):
        guide_field.load_catalogue(write(tmp_path, "ra,dec,brightness\n1,2,3\n"))


def test_missing_magnitudes_are_refused_or_left_out_and_said(tmp_path):
    path = write(tmp_path, "ra,dec,magnitude\n10,20,9\n11,20,\n12,20,10\n")
    with pytest.raises(star_lists.StarListError, match=r"1 star has no magnitude \(first: data row 2\)"):
        guide_field.load_catalogue(path)
    stars = guide_field.load_catalogue(path, missing_magnitudes="leave out")
    assert stars["ra"].tolist() == [10, 12]
    assert "1 star has no magnitude: left out." in stars.meta["notes"]
    with pytest.raises(star_lists.StarListError, match="with a magnitude"):
        guide_field.load_catalogue(write(tmp_path, "ra,dec,magnitude\n1,2,\n"), missing_magnitudes="leave out")


def test_hours_are_not_taken_for_degrees(tmp_path):
    path = write(tmp_path, "ra,dec,magnitude\n" + "".join(f"{12 + i / 100},{30 + i / 5},9\n" for i in range(10)))
    with pytest.raises(star_lists.StarListError, match="looks like hours"):
        guide_field.load_catalogue(path)
    assert guide_field.load_catalogue(path, ra_unit="hourangle")["ra"][0] == pytest.approx(180)
    assert guide_field.load_catalogue(path, ra_unit="deg")["ra"][0] == pytest.approx(12)
    across = write(tmp_path, "ra,dec,magnitude\n23.99,30,9\n0.01,31,9\n0.00,30.5,9\n")
    with pytest.raises(star_lists.StarListError, match="looks like hours"):
        guide_field.load_catalogue(across)
    plain = write(tmp_path, "ra,dec,magnitude\n10.1,20,9\n11.2,21,9\n10.5,20.4,8\n")
    assert guide_field.load_catalogue(plain)["ra"][0] == 10.1  # a field at 10 degrees is one
    hours = Table({"ra": [1.0, 1.01] * u.hourangle, "dec": [10.0, 12.0] * u.deg, "magnitude": [9.0, 10.0]})
    hours.write(tmp_path / "h.ecsv")
    assert guide_field.load_catalogue(tmp_path / "h.ecsv")["ra"][0] == pytest.approx(15)
    degrees = Table({"ra": [1.0, 1.01] * u.deg, "dec": [10.0, 12.0] * u.deg, "magnitude": [9.0, 10.0]})
    degrees.write(tmp_path / "d.ecsv")
    assert guide_field.load_catalogue(tmp_path / "d.ecsv")["ra"][0] == 1


def test_repeated_rows_count_once_and_the_brighter_stays(tmp_path):
    text = "ra,dec,magnitude\n10,20,9\n10,20,9\n-0.1,5,10\n359.9,5,9.5\n120,90,8\n240,90,8.5\n11,20,9\n"
    stars = guide_field.load_catalogue(write(tmp_path, text))
    assert stars["ra"].tolist() == [10, 359.9, 120, 11]
    assert stars["magnitude"].tolist() == [9, 9.5, 8, 9]
    assert stars.meta["notes"] == ["3 rows repeat a star at the same place: left out."]


@pytest.mark.parametrize(
    ("row", "found"),
    [
        ("400,20,9", "data row 2, ra"),
        ("-181,20,9", "data row 2, ra"),
        ("10,95,9", "data row 2, dec"),
        (",20,9", "found nothing"),
        ("10,x,9", "expected a number, found 'x'"),
        ("12:30:00,20,9", "'12:30:00'"),
        ("inf,20,9", "data row 2"),
    ],
)
def test_impossible_places_are_named_with_their_row(tmp_path, row, found):
    with pytest.raises(ValueError, match=re.escape(found)):
        guide_field.load_catalogue(write(tmp_path, f"ra,dec,magnitude\n10,20,9\n{row}\n"))


def test_no_file_and_no_table(tmp_path):
    with pytest.raises(FileNotFoundError):
        guide_field.load_catalogue(tmp_path / "none.csv")
    with pytest.raises(tables.TableError):
        guide_field.load_catalogue(write(tmp_path, ""))
    with pytest.raises(ValueError, match="missing_magnitudes"):
        guide_field.load_catalogue(tmp_path / "none.csv", missing_magnitudes="zero")
    with pytest.raises(ValueError, match="ra_unit"):
        guide_field.load_catalogue(tmp_path / "none.csv", ra_unit="h")


# --- catalogue service on the loopback address --------------------------------------------------------------------

VOTABLE = """<?xml version="1.0"?>
<VOTABLE version="1.3" xmlns="http://www.ivoa.net/xml/VOTable/v1.3"><RESOURCE type="results">{info}<TABLE>
<FIELD name="name" datatype="char" arraysize="*" ucd="meta.id;meta.main"/>
<FIELD name="a" datatype="double" unit="deg" ucd="pos.eq.ra;meta.main"/>
<FIELD name="d" datatype="double" unit="deg" ucd="pos.eq.dec;meta.main"/>
<FIELD name="{magnitude}" datatype="float" unit="mag" ucd="phot.mag;em.opt"/>
<DATA><TABLEDATA>{rows}</TABLEDATA></DATA></TABLE></RESOURCE></VOTABLE>"""
ROW = "<TR><TD>s</TD><TD>{}</TD><TD>{}</TD><TD>{}</TD></TR>"


def votable(rows, info="", magnitude="Gmag"):
    return VOTABLE.format(rows="".join(ROW.format(*row) for row in rows), info=info, magnitude=magnitude).encode()


class Service(BaseHTTPRequestHandler):
    """Answers by path; /stars checks the question too."""

    asked = None

    def do_GET(self):
        path, _, question = self.path.partition("?")
        Service.asked = dict(part.split("=") for part in question.split("&") if part)
        bodies = {
            "/stars": votable([(187.9, 33.1, 9.5), (188.1, 32.9, 12.25), (188.2, 32.8, "")]),
            "/empty": votable([]),
            "/bad": b"<VOTABLE><RESOURCE type='results'><TABLE><FIELD name=",
            "/page": b"<html><body>Welcome</body></html>",
            "/error": votable([], info='<INFO name="Error" value="radius too large"/>'),
            "/status": votable([], info='<INFO name="QUERY_STATUS" value="ERROR"/>'),
            "/short": votable([(187.9, 33.1, 9.5)], info='<INFO name="QUERY_STATUS" value="OVERFLOW"/>'),
            "/unusual": votable([(187.9, 33.1, 9.5)], magnitude="brightness"),
            "/text": votable([(187.9, 33.1, 9.5)])
            .replace(b'datatype="double" unit="deg" ucd="pos.eq.ra', b'datatype="char" arraysize="*" ucd="pos.eq.ra')
            .replace(b"187.9", b"east"),
        }
        if path == "/slow":
            self.server.released.wait(20)
            return
        self.send_response(200 if path in bodies or path == "/million" else 404)
        self.send_header("Content-Type", "application/x-votable+xml")
        self.end_headers()
        if path == "/million":
            head, tail = votable([(1, 2, 3)]).split(ROW.format(1, 2, 3).encode())
            chunk = ROW.format(187.123456789, 33.123456789, 12.345678).encode() * 1000
            try:
                self.wfile.write(head)
                for _ in range(1000):
                    self.wfile.write(chunk)
                self.wfile.write(tail)
            except OSError:
                pass  # the client hung up, as it should
            return
        self.wfile.write(bodies.get(path, b"not here"))

    def log_message(self, *arguments):
        pass


@pytest.fixture(scope="module")
def service():
    server = ThreadingHTTPServer(("127.0.0.1", 0), Service)
    server.released = threading.Event()
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("NO_PROXY", "127.0.0.1")
        yield f"http://127.0.0.1:{server.server_port}"
    server.released.set()
    server.shutdown()
    server.server_close()


def test_cone_search_asks_and_reads_the_answer(service):
    stars = guide_field.cone_search(f"{service}/stars", TARGET, 45 * u.arcmin)
    assert (float(Service.asked["RA"]), float(Service.asked["DEC"]), float(Service.asked["SR"])) == (188, 33, 0.75)
    assert stars["ra"].tolist() == [187.9, 188.1]
    assert stars["magnitude"].tolist() == [9.5, 12.25]
    assert "1 star has no magnitude: left out." in stars.meta["notes"]
    found = guide_field.cone_search(f"{service}/unusual", TARGET, 45 * u.arcmin)
    assert found["magnitude"][0] == 9.5


@pytest.mark.parametrize(
    ("path", "message"),
    [
        ("/empty", "no stars within 0.75 deg"),
        ("/bad", "expected a VOTable"),
        ("/page", "expected a VOTable"),
        ("/error", "the service reports: .*radius too large"),
        ("/status", "the service reports an error"),
        ("/short", "cut its answer short after 1 stars"),
        ("/missing", "HTTP status 404"),
        ("/million", "larger than 64 MB; choose a smaller radius"),
        ("/text", "expected numbers for places"),
    ],
)
def test_answers_that_are_no_use_are_refused_in_words(service, path, message):
    with pytest.raises(star_lists.StarListError, match=message):
        guide_field.cone_search(service + path, TARGET, 0.75 * u.deg)


def test_too_many_rows_are_refused_in_words(service):
    with pytest.raises(star_lists.StarListError, match="3 stars, expected at most 2; choose a smaller radius"):
        guide_field.cone_search(f"{service}/stars", TARGET, 1 * u.deg, most_stars=2)


def test_time_out_and_no_network_in_words(service):
    with pytest.raises(TimeoutError, match="no complete answer within 0.3 s"):
        guide_field.cone_search(f"{service}/slow", TARGET, 1 * u.deg, timeout=0.3 * u.s)
    with pytest.raises(ConnectionError, match="can't be reached"):
        guide_field.cone_search("http://127.0.0.1:9/none", TARGET, 1 * u.deg)


def test_wrong_questions_are_refused_before_anything_is_asked():
    with pytest.raises(star_lists.StarListError, match="address"):
        guide_field.cone_search("ftp://nowhere", TARGET, 1 * u.deg)
    with pytest.raises(TypeError, match="centre"):
        guide_field.cone_search("http://127.0.0.1:9", (188, 33), 1 * u.deg)
    with pytest.raises(DOCUMENTED, match="radius"):
        guide_field.cone_search("http://127.0.0.1:9", TARGET, 30 * u.deg)
    with pytest.raises(DOCUMENTED, match="timeout"):
        guide_field.cone_search("http://127.0.0.1:9", TARGET, 1 * u.deg, timeout=-1 * u.s)


def test_the_magnitude_column_must_be_there(service):
    with pytest.raises(star_lists.StarListError, match="magnitude_column.*Gmag"):
        guide_field.cone_search(f"{service}/stars", TARGET, 1 * u.deg, magnitude_column="Kmag")


# --- odd star lists -----------------------------------------------------------------------------------------------


def written(tmp_path, rows, names="ra,dec,magnitude"):
    path = tmp_path / "stars.csv"
    path.write_text(names + "\n" + "\n".join(",".join(map(str, row)) for row in rows))
    return path


def strewn_rows(number=40, ra=188.0, dec=33.0, size=1.0, seed=1):
    rng = np.random.default_rng(seed)
    ra, dec = ra + size * rng.uniform(-1, 1, number), dec + size * rng.uniform(-1, 1, number)
    return np.column_stack([ra, dec, rng.uniform(8, 15, number)])


@pytest.mark.parametrize("mark", [99.99, -99, -999, 9999, 1e30])
def test_marks_for_a_missing_magnitude_are_no_magnitudes(tmp_path, mark):
    rows = strewn_rows()
    rows[7, 2] = mark
    path = written(tmp_path, rows)
    with pytest.raises(star_lists.StarListError, match=r"1 star has no magnitude \(first: data row 8\)"):
        guide_field.load_catalogue(path)
    stars = guide_field.load_catalogue(path, missing_magnitudes="leave out")
    assert len(stars) == 39 and stars.meta["notes"] == ["1 star has no magnitude: left out."]


def test_thousandths_of_a_magnitude_are_named(tmp_path):
    rows = strewn_rows() * [1, 1, 1000]
    with pytest.raises(star_lists.StarListError, match="thousandths of a magnitude"):
        guide_field.load_catalogue(written(tmp_path, rows))


def test_radians_are_named_and_what_a_single_star_was_taken_for_is_said(tmp_path):
    rows = strewn_rows()
    rows[:, :2] = np.radians(rows[:, :2])
    with pytest.raises(star_lists.StarListError, match="look like radians"):
        guide_field.load_catalogue(written(tmp_path, rows))
    one = written(tmp_path, [(12.5, 33, 10)])
    assert "taken as degrees" in guide_field.load_catalogue(one).meta["notes"][0]
    hours = guide_field.load_catalogue(one, ra_unit="hourangle")
    assert hours["ra"][0] == pytest.approx(187.5) and hours.meta["notes"] == []
    assert len(guide_field.load_catalogue(written(tmp_path, strewn_rows(ra=3, dec=1)))) == 40  # degrees near 0 h


def test_near_doubles_count_once_wherever_they_fall(tmp_path):
    rows = strewn_rows(number=300)
    doubles = rows.copy()
    angle = np.random.default_rng(2).uniform(0, 2 * np.pi, 300)
    doubles[:, 0] += 0.04 / 3600 * np.cos(angle) / np.cos(np.radians(33))
    doubles[:, 1] += 0.04 / 3600 * np.sin(angle)
    doubles[:, 2] += 0.5
    stars = guide_field.load_catalogue(written(tmp_path, np.vstack([rows, doubles]).tolist()))
    assert len(stars) == 300
    assert sorted(stars["magnitude"]) == pytest.approx(sorted(rows[:, 2]))  # the brighter of each pair


def test_a_right_ascension_of_360_is_0(tmp_path):
    assert guide_field.load_catalogue(written(tmp_path, [(360, 33, 10), (359, 34, 9)]))["ra"].tolist() == [0, 359]


@pytest.mark.parametrize(
    ("column", "values", "unit", "words"),
    [("magnitude", [4.0, 5.0], "dex", "expected the unit mag"), ("ra", [True, False], None, "truth values")],
)
def test_units_and_types_that_only_look_right_are_refused(tmp_path, column, values, unit, words):
    table = Table({"ra": [188.0, 189.0], "dec": [33.0, 34.0], "magnitude": [9.0, 10.0]})
    table[column] = values
    table[column].unit = unit
    table.write(tmp_path / "stars.ecsv")
    with pytest.raises(ValueError, match=words):
        guide_field.load_catalogue(tmp_path / "stars.ecsv")


def test_the_time_limit_holds_however_slowly_an_answer_comes():
    end = threading.Event()
    start = time.monotonic()
    with pytest.raises(TimeoutError, match=r"no complete answer within 0.2 s"):
        star_lists._in_time(lambda: end.wait(20), 0.2, "https://example.org")
    assert time.monotonic() - start < 5
    end.set()


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b'<VOTABLE><STREAM href="http://localhost:9/x"/></VOTABLE>', "expected a table with all its rows"),
        (b"<VOTABLE>" + b"<TR></TR>" * 200 + b"</VOTABLE>", "200 rows, expected at most 100"),
        (b"<VOTABLE>" + b"<FIELD/>" * 5000 + b"</VOTABLE>", "columns"),
    ],
)
def test_answers_that_lead_elsewhere_or_are_too_long_are_refused_before_parsing(body, words):
    with pytest.raises(star_lists.StarListError, match=words):
        star_lists._check_answer(body, 100, "https://example.org")


# --- meridian flip ------------------------------------------------------------------------------------------------


def ring(target, distance, number=36, magnitude=10.0):
    """Stars on a circle round a target."""
    angle = np.arange(number) * 360 / number * u.deg
    stars = target.directional_offset_by(angle, distance)
    return Table({"ra": stars.ra, "dec": stars.dec, "magnitude": np.full(number, magnitude)})


PLACES = [(188, 33), (0.01, -5), (359.99, 89.5), (77, 90), (12, -90), (200, 89.999)]


@pytest.mark.parametrize("place", PLACES)
def test_the_star_in_that_direction_falls_on_the_middle_of_the_sensor(place):
    target = SkyCoord(*place, unit="deg")
    stars = ring(target, guide_field.off_axis_angle(CLUB.guide_optics))
    for index in (0, 9, 25):
        angle = index * 10 * u.deg
        found = guide_field.usable_stars(stars, target, angle, CLUB, 15)
        assert len(found) == 1
        assert np.hypot(*found.on_sensor[0]) < 1e-3 * u.mm
        centre = target.directional_offset_by(angle, guide_field.off_axis_angle(CLUB.guide_optics))
        assert centre.separation(found.sky_places[0]) < 0.1 * u.arcsec


@pytest.mark.parametrize("place", PLACES)
def test_after_the_flip_comes_the_opposite_field(place):
    target = SkyCoord(*place, unit="deg")
    rng = np.random.default_rng(5)
    stars = target.directional_offset_by(rng.uniform(0, 360, 400) * u.deg, np.sqrt(rng.random(400)) * u.deg)
    table = Table({"ra": stars.ra, "dec": stars.dec, "magnitude": rng.uniform(8, 14, 400)})
    search = guide_field.search_position_angles(table, target, CLUB, 15, 7, step=10 * u.deg, margin=0 * u.arcmin)
    assert search.before.tolist() == np.roll(search.after, 18).tolist()
    for i in (0, 5, 30):
        field = guide_field.usable_stars(table, target, search.position_angle[i], CLUB, 15, 7)
        assert len(field) == search.before[i]
        other = guide_field.usable_stars(table, target, search.position_angle[i] + 180 * u.deg, CLUB, 15, 7)
        assert len(other) == search.after[i]
    assert search.before.sum() > 20


def test_places_on_the_sensor_agree_with_angles_on_the_sky():
    stars = guide_field.load_catalogue(DEMO / "field_surroundings.ecsv")
    found = guide_field.usable_stars(stars, TARGET, 60 * u.deg, CLUB, 15.4)
    places = SkyCoord(stars["ra"], stars["dec"])
    places = places[places.match_to_catalog_sky(found.sky_places)[1] < 0.01 * u.arcsec]
    places = places[found.sky_places.match_to_catalog_sky(places)[0]]
    focal = CLUB.guide_optics.focal_length.to_value("mm")
    distance = np.tan(TARGET.separation(places).rad) * focal
    angle = TARGET.position_angle(places).rad - np.radians(60)
    assert found.on_sensor[:, 1].value == pytest.approx(distance * np.cos(angle) - 16, abs=1e-6)
    assert found.on_sensor[:, 0].value == pytest.approx(distance * np.sin(angle), abs=1e-6)


def test_the_outline_on_the_chart_encloses_the_stars_on_the_sensor():
    stars = guide_field.load_catalogue(DEMO / "field_surroundings.ecsv")
    offsets = guide_field.sky_offsets(stars, TARGET).to_value("arcmin")
    outline = guide_field.field_outline(60 * u.deg, CLUB).to_value("arcmin")
    assert outline[0].tolist() == outline[4].tolist()
    sides = np.diff(outline, axis=0)
    assert np.hypot(*sides.T) == pytest.approx(np.degrees([5.4, 3.0, 5.4, 3.0]) * 60 / 1350)
    # inside: on the same side of all four edges
    cross = [
        side[0] * (offsets - corner)[:, 1] - side[1] * (offsets - corner)[:, 0]
        for side, corner in zip(sides, outline[:4], strict=True)
    ]
    inside = (np.array(cross) < 0).all(axis=0) | (np.array(cross) > 0).all(axis=0)
    found = guide_field.usable_stars(stars, TARGET, 60 * u.deg, CLUB, 30)
    assert sorted(stars["ra"][inside]) == pytest.approx(sorted(found.sky_places.ra.deg), abs=1e-8)
    assert len(found) >= 7


def test_a_guide_telescope_keeps_its_stars():
    stars = ring(TARGET, 20 * u.arcmin)
    before = guide_field.usable_stars(stars, TARGET, 25 * u.deg, STARTER, 12)
    after = guide_field.usable_stars(stars, TARGET, 205 * u.deg, STARTER, 12)
    assert len(before) > 0
    assert sorted(before.sky_places.ra.deg) == pytest.approx(sorted(after.sky_places.ra.deg), abs=1e-9)
    assert np.sort(before.on_sensor[:, 0].value) == pytest.approx(np.sort(-after.on_sensor[:, 0].value))


def test_faint_and_saturated_stars_are_left_out_by_the_light_they_get():
    stars = ring(TARGET, guide_field.off_axis_angle(CLUB.guide_optics), number=1)
    share = guide_field.lit_fraction(0 * u.mm, 0 * u.mm, CLUB.guide_optics)
    seen = 10 - 2.5 * np.log10(share)

    def count(limiting, saturation=None):
        return len(guide_field.usable_stars(stars, TARGET, 0 * u.deg, CLUB, limiting, saturation))

    assert (count(seen + 0.01), count(seen - 0.01)) == (1, 0)
    assert (count(15, seen - 0.01), count(15, seen + 0.01)) == (1, 0)
    edge = guide_field.search_radius(CLUB)
    assert 40.7 * u.arcmin < edge < 46 * u.arcmin


def test_the_demo_fields_tell_their_story():
    stars = guide_field.load_catalogue(DEMO / "field_surroundings.ecsv")
    for camera in "AB":
        club = rig.demo_rig("club", camera)
        view = starlight.view_of_arrived(club)
        limits = view.faintest(0.1 * u.arcsec), view.brightest()
        for turn, name, number in ((0, "before", 7), (180, "after", 1)):
            found = guide_field.usable_stars(stars, TARGET, (60 + turn) * u.deg, club, *limits)
            assert len(found) == number
            listed = guide_field.load_catalogue(DEMO / f"field_{name}_flip.ecsv")
            assert sorted(listed["ra"]) == pytest.approx(sorted(found.sky_places.ra.deg), abs=1e-8)
            again = guide_field.usable_stars(listed, TARGET, (60 + turn) * u.deg, club, *limits)
            assert len(again) == number
        search = guide_field.search_position_angles(stars, TARGET, club, *limits, at_least=3, present=60 * u.deg)
        assert search.enough
        assert 0 * u.deg < abs(search.turn) <= 90 * u.deg
        best = search.position_angle == search.best
        assert search.holds[best][0] >= max(1, search.holds[0])  # the first is the present angle
        assert min(search.before[best][0], search.after[best][0]) >= 3


def as_sets(stars):
    """Rows of a star list in an order that hangs on nothing but their places, to far more than the last digit."""
    order = np.argsort(np.asarray(stars["ra"]) + 1e-4 * np.asarray(stars["dec"]))
    return [np.asarray(stars[name])[order] for name in ("ra", "dec", "magnitude")]


def test_the_recipe_makes_the_demo_stars():
    path = DEMO / "make_fields.py"
    spec = importlib.util.spec_from_file_location("make_fields", path)
    recipe = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(recipe)
    text = (DEMO / "field_surroundings.ecsv").read_text()
    stars = recipe.surroundings(np.random.default_rng(int(re.search(r"seed (\d+)", text)[1])))
    stored = Table.read(DEMO / "field_surroundings.ecsv")
    # as sets: the last digits of a star's place, and with them the order of ties, differ between processors
    for made, kept in zip(as_sets(stars), as_sets(stored), strict=True):
        assert made == pytest.approx(kept, abs=2e-5)


def test_the_search_takes_the_smallest_turn_and_says_when_nothing_is_enough():
    target = SkyCoord(10, 20, unit="deg")
    distance = guide_field.off_axis_angle(CLUB.guide_optics)
    angles = np.array([40, 41, 220, 221, 100, 280]) * u.deg
    stars = target.directional_offset_by(angles, distance)
    table = Table({"ra": stars.ra, "dec": stars.dec, "magnitude": np.full(6, 10.0)})
    search = guide_field.search_position_angles(table, target, CLUB, 15, at_least=2, present=0 * u.deg)
    assert search.enough
    assert 30 * u.deg < search.best < 50 * u.deg
    assert search.turn == search.best
    assert search.frame_kept == guide_field.frame_kept(search.turn, 6000, 4000)
    other = guide_field.search_position_angles(table, target, CLUB, 15, at_least=2, present=250 * u.deg)
    assert -45 * u.deg < other.turn < 0 * u.deg  # by way of the opposite angle, 220 degrees
    assert np.all(search.poorer == np.minimum(search.before, search.after))
    assert search.poorer[search.position_angle == search.best] >= 2
    poor = guide_field.search_position_angles(table, target, CLUB, 15, at_least=3)
    assert not poor.enough
    assert np.minimum(poor.before, poor.after).max() == 2


def test_the_angle_to_set_bears_a_slip_that_a_narrow_peak_does_not():
    stars, limits = guide_field.load_catalogue(DEMO / "field_surroundings.ecsv"), guide_field.plan(CLUB).limits
    ends = limits.faint, limits.bright

    def poorer_around(angle, slips=range(-3, 4)):
        """From the definition: the stars on both sides at each angle near by."""
        return [
            min(
                len(guide_field.usable_stars(stars, TARGET, angle + (slip + turn) * u.deg, CLUB, *ends, 0.5 * u.arcmin))
                for turn in (0, 180)
            )
            for slip in slips
        ]

    found = guide_field.try_list(stars, TARGET, CLUB, limits)
    around = poorer_around(found.search.best)
    assert around[3] == found.best_poorer >= 3 and min(around) == found.best_holds >= 3
    exact = guide_field.search_position_angles(
        stars, TARGET, CLUB, *ends, at_least=3, present=60 * u.deg, slack=0 * u.deg
    )
    assert abs(exact.turn) < abs(found.search.turn) and exact.poorer.tolist() == exact.holds.tolist()
    around = poorer_around(exact.best)
    assert around[3] >= 3 and min(around) == 0  # the nearest angle with enough stars is a peak that a slip leaves
    assert found.promise == "at least 3 on both sides, even where you miss it by up to 3°"


def test_a_slip_that_is_none_is_named():
    stars = guide_field.load_catalogue(DEMO / "field_surroundings.ecsv")
    for wrong in (-1 * u.deg, 50 * u.deg, 3 * u.s):
        with pytest.raises((ValueError, u.UnitsError), match="slack"):
            guide_field.search_position_angles(stars, TARGET, CLUB, 15, slack=wrong)


@pytest.mark.parametrize(("aperture", "focal_length"), [(250, 1350), (130, 910), (150, 750), (80, 480)])
def test_the_demo_list_serves_usual_rigs(aperture, focal_length):
    stars = guide_field.load_catalogue(DEMO / "field_surroundings.ecsv")
    mine = rig.changed(CLUB, telescope__aperture=aperture * u.mm, telescope__focal_length=focal_length * u.mm)
    assert guide_field.list_falls_short(stars, TARGET, mine) == ""
    assert guide_field.search_position_angles(stars, TARGET, mine, 13, step=30 * u.deg).before.max() > 0


def test_a_list_that_falls_short_is_said_once():
    stars, short = ring(TARGET, 40 * u.arcmin), rig.changed(STARTER, guide_optics__focal_length=120 * u.mm)
    said = guide_field.list_falls_short(stars, TARGET, short)
    assert "expected stars out to 88 arcmin" in said and said.count("expected") == 1
    assert "a guide telescope keeps its field" in said
    with pytest.raises(ValueError, match="keeps its field"):
        guide_field.search_position_angles(stars, TARGET, short, 13)


def test_frame_kept():
    assert guide_field.frame_kept(0 * u.deg, 6000, 4000) == 1
    assert guide_field.frame_kept(180 * u.deg, 6000, 4000) == 1
    assert guide_field.frame_kept(90 * u.deg, 6000, 4000) == pytest.approx(4000 / 6000, abs=0.01)
    # a square turned by 45 degrees shares a regular octagon with itself: 2 (sqrt 2 - 1) of its area
    assert guide_field.frame_kept(45 * u.deg, 1000, 1000) == pytest.approx(2 * (2**0.5 - 1), abs=0.005)


def test_lists_that_do_not_fit_the_target_are_refused():
    far = ring(SkyCoord(12.5, 33, unit="deg"), 30 * u.arcmin)
    with pytest.raises(ValueError, match="right ascensions in degrees"):
        guide_field.search_position_angles(far, TARGET, CLUB, 15)
    small = ring(TARGET, 20 * u.arcmin)
    with pytest.raises(ValueError, match="none beyond 20 arcmin"):
        guide_field.search_position_angles(small, TARGET, CLUB, 15)
    for wrong in (Table({"ra": [1.0]}), {"ra": [1]}, 5, Table({"ra": [np.nan], "dec": [1.0], "magnitude": [1.0]})):
        with pytest.raises(ValueError, match="catalogue"):
            guide_field.usable_stars(wrong, TARGET, 0 * u.deg, CLUB, 15)
    with pytest.raises(TypeError, match="target"):
        guide_field.usable_stars(small, "M 0", 0 * u.deg, CLUB, 15)
    with pytest.raises(TypeError, match="rig"):
        guide_field.usable_stars(small, TARGET, 0 * u.deg, "club", 15)
    with pytest.raises(ValueError, match="margin"):
        guide_field.usable_stars(small, TARGET, 0 * u.deg, CLUB, 15, margin=10 * u.arcmin)


def test_meridian_passage_near_zenith_pole_and_horizon():
    def passage(declination, latitude=47):
        return guide_field.meridian_passage(SkyCoord(10, declination, unit="deg"), latitude * u.deg)

    assert passage(33).altitude == 76 * u.deg
    assert (passage(33).side, passage(80).side, passage(-33, -47).side) == ("south", "north", "north")
    assert "zenith" in passage(46).note
    assert passage(47).airmass == pytest.approx(1, abs=1e-6)
    assert "pole" in passage(88).note
    assert "Low" in passage(-20).note
    with pytest.raises(ValueError, match="never higher than -7.0 deg"):
        passage(-50)


# --- sweep --------------------------------------------------------------------------------------------------------

EXPOSURES, LIMITS, MIRRORS = [0.5, 1, 2] * u.s, [14.0, 14.8, 15.5], [8, 10] * u.mm


def sweep(**keywords):
    sky = guide_field.sky_grid(step=10 * u.deg)
    return guide_field.sweep_chances(
        CLUB, EXPOSURES, LIMITS, MIRRORS, at_least=3, saturation_magnitudes=[7.0, 7.5, 8.0], sky=sky, **keywords
    )


def test_sweep_agrees_with_single_calculations_and_reports_progress():
    seen = []
    result = sweep(progress=lambda done, total: seen.append((done, total)))
    assert seen == [(i, 6) for i in range(1, 7)]
    assert result.chance.shape == (3, 2, 18, 36)
    field = guide_field.lit_field(optics(mirror_size=10 * u.mm), CLUB.guide_camera)
    alone = guide_field.chance_on_sensor(field, 14.8, 7.5, result.sky.latitude, result.sky.longitude, at_least=3)
    assert np.array_equal(result.chance[1, 1], alone)
    assert (np.diff(guide_field.mean_chance(result.chance, result.sky), axis=1) > 0).all()


def test_sweep_is_the_same_on_threads():
    seen = []
    with concurrent.futures.ThreadPoolExecutor(2) as executor:
        result = sweep(executor=executor, progress=lambda done, total: seen.append((done, total)))
    assert np.array_equal(result.chance, sweep().chance)
    assert seen == [(i, 6) for i in range(1, 7)]


@pytest.mark.long
def test_sweep_is_the_same_on_a_cluster_of_two_workers():
    distributed = pytest.importorskip("distributed")
    seen = []
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
        ) as cluster,
        distributed.Client(cluster) as client,
        client.get_executor() as executor,
    ):
        result = sweep(executor=executor, progress=lambda done, total: seen.append((done, total)))
    assert np.array_equal(result.chance, sweep().chance)
    assert seen[-1] == (6, 6)


def test_a_task_that_fails_ends_the_sweep(monkeypatch):
    def broken(*task):
        raise RuntimeError("a worker died")

    monkeypatch.setattr(chances, "_sweep_task", broken)
    with concurrent.futures.ThreadPoolExecutor(1) as executor, pytest.raises(RuntimeError, match="a worker died"):
        sweep(executor=executor)


def test_sweep_names_wrong_arguments():
    with pytest.raises(ValueError, match="limiting_magnitudes"):
        guide_field.sweep_chances(CLUB, EXPOSURES, [14.0], MIRRORS)
    with pytest.raises(ValueError, match="pick-off"):
        guide_field.sweep_chances(STARTER, EXPOSURES, LIMITS, MIRRORS)
    with pytest.raises(TypeError, match="exposures"):
        guide_field.sweep_chances(CLUB, [1, 2, 3], LIMITS, MIRRORS)
    with pytest.raises(ValueError, match="mirror_sizes"):
        guide_field.sweep_chances(CLUB, EXPOSURES, LIMITS, [] * u.mm)


# --- any valid value gives a number, any spoiled one is refused by its name -----------------------------------------

places = st.builds(lambda ra, dec: SkyCoord(ra, dec, unit="deg"), st.floats(0, 360), st.floats(-20, 90))
latitudes, longitudes = quantities(u.deg, -90, 90), quantities(u.deg, -360, 360)


def behind_mirror(size, distance, obstruction):
    """Optics of a pick-off, which has the obstruction of its telescope."""
    return rig.changed(
        CLUB,
        telescope__central_obstruction=obstruction,
        guide_optics__mirror_size=size,
        guide_optics__mirror_distance=distance,
    ).guide_optics


mirrors = st.builds(behind_mirror, quantities(u.mm, 1, 100), quantities(u.mm, 0, 300), st.floats(0, 0.9))
fields = st.builds(
    lambda chosen, width, height: guide_field.sensor_field(chosen, width, height, cells=8),
    mirrors,
    quantities(u.mm, 1, 50),
    quantities(u.mm, 1, 50),
)


def rings(target):
    return ring(target, 43 * u.arcmin, number=12)


def test_any_density():
    place = {"latitude": latitudes, "longitude": longitudes}
    wrong = {"magnitude": [5.9, 17.1], "latitude": [91 * u.deg]}
    check_any_call(guide_field.star_density_band, {"magnitude": st.floats(6, 17)} | place, spoiled=wrong)


def test_any_chance():
    def between(result):
        assert 0 <= result <= 1

    valid = {
        "density": quantities(1 / u.deg**2, 0, 1e4),
        "area": quantities(u.arcmin**2, 0, 1e4),
        "at_least": st.integers(0, 50),
    }
    wrong = {"density": [-1 / u.deg**2], "at_least": [-1, 1.5]}
    check_any_call(guide_field.chance_of_stars, valid, spoiled=wrong, check=between)


def test_any_place_behind_any_mirror():
    def between(result):
        assert 0 <= result <= 1

    valid = {"x": quantities(u.mm, -50, 50), "y": quantities(u.mm, -50, 50), "optics": mirrors}
    check_any_call(guide_field.lit_fraction, valid, spoiled={"x": [np.inf * u.mm]}, check=between)


def test_any_sensor():
    sizes = {"width": quantities(u.mm, 0.1, 100), "height": quantities(u.mm, 0.1, 100)}
    check_any_call(guide_field.sensor_field, {"optics": mirrors} | sizes, spoiled={"width": [0 * u.mm]})


@pytest.mark.parametrize("function", [guide_field.expected_stars, guide_field.chance_on_sensor])
def test_any_field_of_the_sky(function):
    limits = {"limiting_magnitude": st.floats(7, 17), "saturation_magnitude": st.floats(0, 17)}
    valid = {"field": fields} | limits | {"latitude": latitudes, "longitude": longitudes}
    check_any_call(function, valid, spoiled={"limiting_magnitude": [17.1], "latitude": [91 * u.deg]})


def test_any_target_and_any_angle():
    def stars_on(target, position_angle, limiting_magnitude):
        around = target if isinstance(target, SkyCoord) else TARGET
        found = guide_field.usable_stars(rings(around), target, position_angle, CLUB, limiting_magnitude)
        assert len(found) <= 12
        return found.magnitudes

    angles = {"target": places, "position_angle": quantities(u.deg, -360, 720)}
    check_any_call(stars_on, angles | {"limiting_magnitude": st.floats(10, 30)})


def test_any_search():
    def search(target, limiting_magnitude, present):
        around = target if isinstance(target, SkyCoord) else TARGET
        return guide_field.search_position_angles(
            rings(around), target, CLUB, limiting_magnitude, present=present, step=30 * u.deg
        )

    def sensible(found):
        assert 0 * u.deg <= found.best <= 360 * u.deg and 0.6 < found.frame_kept <= 1
        assert (found.poorer <= 12).all()

    valid = {"limiting_magnitude": st.floats(10, 30), "present": quantities(u.deg, -360, 720)}
    check_any_call(search, {"target": places} | valid, examples=20, check=sensible)


def test_any_meridian_passage():
    def sensible(passage):
        assert 0 * u.deg < passage.altitude <= 90 * u.deg and 0.99 < passage.airmass < 50

    valid = {"target": places, "latitude": quantities(u.deg, 0, 60)}
    check_any_call(guide_field.meridian_passage, valid, spoiled={"latitude": [91 * u.deg]}, check=sensible)


def test_any_turn_of_any_frame():
    sizes = {"columns": st.integers(1, 10_000), "rows": st.integers(1, 10_000)}
    valid = {"turn": quantities(u.deg, -360, 720)} | sizes
    check_any_call(guide_field.frame_kept, valid, spoiled={"columns": [0, 1.5]})


def test_any_coma():
    valid = {"focal_ratio": numbers(0.1, 1000), "field_angle": quantities(u.arcmin, 0, 5400)}
    check_any_call(guide_field.coma_length, valid, spoiled={"focal_ratio": [0], "field_angle": [-1 * u.deg]})


def test_any_grid_of_the_sky():
    valid = {"frame": st.sampled_from(["galactic", "equatorial"]), "step": quantities(u.deg, 2, 30)}
    check_any_call(guide_field.sky_grid, valid, examples=15, spoiled={"frame": ["ecliptic"], "step": [31 * u.deg]})


# --- a plan for a target --------------------------------------------------------------------------------------------


def rigs_of(aperture, pixel_size, read_noise):
    return rig.changed(
        CLUB, telescope__aperture=aperture, guide_camera__pixel_size=pixel_size, guide_camera__read_noise=read_noise
    )


any_rig = st.builds(rigs_of, quantities(u.mm, 60, 400), quantities(u.um, 2, 9), quantities(u.electron, 0.5, 10))


def test_any_limits_and_any_plan():
    def in_order(limits):
        assert limits.bright <= limits.faint <= 17 and limits.error > 0 * u.arcsec

    valid = {"rig": any_rig, "exposure": quantities(u.s, 0.1, 10), "airmass": st.floats(1, 3)}
    check_any_call(guide_field.usable_limits, valid, examples=12, spoiled={"airmass": [0.9]}, check=in_order)

    def possible(found):
        assert 0 <= found.all_night <= found.one_field <= 1 and found.mean >= 0

    valid = {"rig": any_rig, "target": places, "wanted": st.integers(1, 20)}
    check_any_call(guide_field.plan, valid, examples=12, spoiled={"wanted": [0, 1.5]}, check=possible)


def test_usable_is_what_the_camera_measures():
    limits = guide_field.usable_limits(CLUB)
    seen = starlight.view_of_arrived(CLUB)
    assert limits.reached and limits.error == 0.1 * u.arcsec
    assert seen.signal(limits.faint).centroid_error.value == pytest.approx(0.1, rel=1e-3)
    coarse = guide_field.usable_limits(STARTER)
    best = starlight.view_of_arrived(STARTER).signal(coarse.bright).centroid_error
    assert not coarse.reached and best > 0.1 * u.arcsec
    assert coarse.error.value == pytest.approx(min(2 * best.value, 0.5))


def test_a_plan_counts_what_a_middling_field_holds():
    for mine in (CLUB, rigs_of(130 * u.mm, 2.9 * u.um, 1.5 * u.electron)):
        found, middling = guide_field.plan(mine), guide_field.middling_stars(mine)
        usable = (middling.magnitudes <= found.limits.faint) & (middling.magnitudes > found.limits.bright)
        assert found.mean == pytest.approx(usable.sum(), abs=1)
        assert found.all_night == pytest.approx(found.one_field**2)
    assert guide_field.plan(STARTER).all_night == guide_field.plan(STARTER).one_field


def comet_of_rays(length, hole):
    """Where 400,000 rays land, spread evenly over a mirror with a hole; two arrays in the unit of the length."""
    rng = np.random.default_rng(4)
    # Schroeder, Astronomical Optics, ch. 6: rays from radius r of the mirror, at angle a, with C = theta / (16 F^2)
    square, angle = rng.uniform(hole**2, 1, 400_000), rng.uniform(0, 2 * np.pi, 400_000)
    return length / 3 * square * (2 + np.cos(2 * angle)), length / 3 * square * np.sin(2 * angle)


def test_the_middle_of_a_comet_and_its_length_agree_with_rays():
    optics = CLUB.guide_optics
    away = guide_field.off_axis_angle(optics)
    length = guide_field.coma_length(5.4, away).value
    x, y = comet_of_rays(length, optics.central_obstruction)
    assert x.max() == pytest.approx(length, rel=1e-3)
    assert guide_field.coma_shift(CLUB).value == pytest.approx(x.mean(), rel=0.005)  # seven standard errors
    assert y.mean() == pytest.approx(0, abs=0.03)
    # in step with the distance from the axis
    nearer = rig.changed(CLUB, guide_optics__off_axis_distance=optics.off_axis_distance / 4)
    near = guide_field.off_axis_angle(nearer.guide_optics)
    in_step = (guide_field.coma_shift(CLUB) / away).value
    assert (guide_field.coma_shift(nearer) / near).value == pytest.approx(in_step, rel=1e-9)


def test_a_comet_widens_a_star_by_less_than_its_mean_square_width():
    """A sharp head tells of the centre, so that a comet harms less than a round spot of the same mean square width."""
    before = 0
    for away in (1, 4, 16):
        mine = rig.changed(CLUB, guide_optics__off_axis_distance=away * u.mm)
        length = guide_field.coma_length(5.4, guide_field.off_axis_angle(mine.guide_optics)).value
        x, y = comet_of_rays(length, mine.guide_optics.central_obstruction)
        spread = 2.3548**2 * (x.var() + y.var()) / 2
        sharp, wide = starlight.guide_star_fwhm(mine).value, guide_field.width_without_corrector(mine).value
        assert before < wide**2 - sharp**2 < spread
        before = wide**2 - sharp**2
    axis = rig.changed(CLUB, guide_optics__off_axis_distance=0 * u.mm)
    assert guide_field.width_without_corrector(axis) == starlight.guide_star_fwhm(axis)


# --- the reader's own field -----------------------------------------------------------------------------------------


def own(**answers):
    mine = guide_field.OwnField(CLUB)
    mine.plan({field["key"]: field["value"] for field in mine.fields()} | answers)
    return mine


def test_a_list_of_the_reader_is_read_and_told():
    said = own().read_list([DEMO / "field_surroundings.ecsv"])
    assert said.startswith("At 60°: 7 usable stars before the flip, 1 after. Set ")
    found = guide_field.try_list(
        guide_field.load_catalogue(DEMO / "field_surroundings.ecsv"), TARGET, CLUB, guide_field.plan(CLUB).limits
    )
    assert f"Set {found.search.best.value:.0f}°" in said and found.best_poorer >= 3
    enough = own(angle=float(found.search.best.value)).read_list([DEMO / "field_surroundings.ecsv"])
    assert enough.endswith("nothing to turn.")


def test_a_list_in_hours_with_a_column_of_its_own_is_asked_about(tmp_path):
    rows = strewn_rows(number=400)
    rows[:, 0] /= 15
    path = written(tmp_path, rows, "ra,dec,brightness")
    with pytest.raises(ValueError, match="magnitude.*Answer the questions"):
        own().read_list([path])
    with pytest.raises(ValueError, match="looks like hours. Answer the questions"):
        own(magnitude="brightness").read_list([path])
    assert "usable star" in own(magnitude="brightness", ra_unit="hours").read_list([path])


def test_a_list_that_cannot_serve_is_said_once_and_a_wrong_target_named(tmp_path):
    said = own().read_list([written(tmp_path, strewn_rows(size=0.1))])
    assert said.count("can't be used") == 1 and "expected stars out to 45 arcmin" in said
    with pytest.raises(ValueError, match="right ascension, declination: expected such as"):
        own(ra="somewhere")


def test_the_service_is_asked_about_the_target_of_the_form(service):
    mine = own()
    said = mine.ask_service({"address": f"{service}/stars", "magnitude": ""})
    assert (float(Service.asked["RA"]), float(Service.asked["DEC"])) == pytest.approx((188, 33))
    assert "can't be used" in said or "usable star" in said
