"""Reading frames: arrays as stored, one frame at a time when large; a hundred damaged files are refused or reported."""

import gzip
import tracemalloc

import astropy.units as u
import numpy as np
import pytest
from astropy.io import fits
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from helpers import camera_check
from helpers.camera_check import (
    files as frame_files,
)
from helpers.camera_check import (
    simulated_camera,
)
from helpers.camera_check import (
    verdict as camera_verdict,
)
from helpers.shared.files import TableError

SHAPE = (32, 40)


def write(path, data, checksum=False, **cards):
    fits.PrimaryHDU(data, fits.Header(cards)).writeto(path, checksum=checksum)
    return path


@pytest.mark.parametrize("kind", ["u1", "i2", "u2", "i4", "u4", "f4", "f8"])
@pytest.mark.parametrize("checksum", [False, True])
def test_frames_come_as_astropy_reads_them(tmp_path, kind, checksum):
    rng = np.random.default_rng(1)
    data = rng.integers(0, 200, (3, *SHAPE)).astype(kind)
    data[0, 0, :2] = np.iinfo(kind).min if kind[0] in "iu" else -1.5, 127
    paths = [write(tmp_path / f"{number}.fits", frame, checksum) for number, frame in enumerate(data)]
    before = [path.read_bytes() for path in paths]
    frames, headers = frame_files.read_frames(paths)
    assert isinstance(frames, np.ndarray)
    assert frames.dtype == np.dtype(kind)
    np.testing.assert_array_equal(frames, [fits.getdata(path) for path in paths])
    assert len(headers) == 3
    assert headers[0]["NAXIS1"] == SHAPE[1]
    assert before == [path.read_bytes() for path in paths]
    assert camera_check.read_frames is frame_files.read_frames


def test_scaled_packed_and_compressed_frames(tmp_path):
    data = np.random.default_rng(1).integers(0, 4000, SHAPE).astype(np.uint16)
    hdu = fits.PrimaryHDU(data.astype(np.int16))
    hdu.header["BSCALE"], hdu.header["BZERO"] = 0.5, 10.0
    hdu.writeto(tmp_path / "scaled.fits")
    frames, _ = frame_files.read_frames(tmp_path / "scaled.fits")
    assert frames[0, 3, 4] == 0.5 * fits.getdata(tmp_path / "scaled.fits", do_not_scale_image_data=True)[3, 4] + 10
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(data)]).writeto(tmp_path / "packed.fits")
    write(tmp_path / "plain.fits", data)
    (tmp_path / "zipped.fits.gz").write_bytes(gzip.compress((tmp_path / "plain.fits").read_bytes()))
    frames, _ = frame_files.read_frames([tmp_path / name for name in ("packed.fits", "plain.fits", "zipped.fits.gz")])
    assert frames.dtype == np.uint16
    np.testing.assert_array_equal(frames, [data] * 3)


def test_a_cube_is_as_many_frames(tmp_path):
    cube = np.random.default_rng(1).integers(0, 4000, (4, *SHAPE)).astype(np.uint16)
    path = write(tmp_path / "cube.fits", cube)
    frames, headers = frame_files.read_frames(path)
    np.testing.assert_array_equal(frames, cube)
    assert len(headers) == 4
    opened = frame_files.open_frames(path)
    np.testing.assert_array_equal(opened[2], cube[2])
    np.testing.assert_array_equal(np.asarray(opened[1:3]), cube[1:3])
    assert opened.place(2) == "cube.fits, frame 3"


def test_a_large_set_is_measured_alike_but_stays_on_disk(tmp_path):
    taken = simulated_camera.take_frames(simulated_camera.SimulatedCamera(), np.random.default_rng(5), bias=9)
    for number, frame in enumerate(taken.bias):
        write(tmp_path / f"bias{number}.fits", frame)
    flat = taken.flats[3][1]
    for number, frame in enumerate(flat):
        write(tmp_path / f"flat{number}.fits", frame)
    bias, headers = frame_files.read_frames(sorted(tmp_path.glob("bias*")), in_memory=0)
    assert isinstance(bias, frame_files.Frames)
    assert bias.shape == taken.bias.shape
    assert len(headers) == len(bias) == 9
    np.testing.assert_array_equal(np.asarray(bias), taken.bias)
    flats, _ = frame_files.read_frames(sorted(tmp_path.glob("flat*")), in_memory=0)
    on_disk, in_memory = (camera_check.photon_transfer(*sets) for sets in ((bias, flats), (taken.bias, flat)))
    assert on_disk.gain == in_memory.gain
    assert on_disk.read_noise == in_memory.read_noise


def test_memory_does_not_grow_with_the_number_of_frames(tmp_path):
    shape, rng = (200, 300), np.random.default_rng(1)
    for number in range(40):
        write(tmp_path / f"bias_{number:02d}.fits", np.rint(rng.normal(100, 2, shape)).astype(np.uint16))
    files = frame_files.sort_frames(tmp_path)
    peaks = []
    for count in (10, 40):
        tracemalloc.start()
        camera_check.measure_camera(files.bias[:count])
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    # headers wait for the garbage collector, up to 15 per cent; thirty frames that are held would treble the peak
    assert peaks[1] < 1.3 * peaks[0]
    assert peaks[1] < 40 * np.prod(shape) * 2  # all frames at once would take this alone


def test_frames_are_sorted_by_header_then_by_name(tmp_path):
    data = np.full(SHAPE, 7, np.uint16)
    write(tmp_path / "a1.fits", data, IMAGETYP="Bias Frame", EXPTIME=0.0)
    write(tmp_path / "a2.fits", data, IMAGETYP="DARK", EXPTIME=60.0)
    write(tmp_path / "a3.fits", data, IMAGETYP="Flat Field", EXPOSURE=2, BAYERPAT="RGGB")
    (tmp_path / "flats").mkdir()
    write(tmp_path / "flats" / "a4.fit", data, IMAGETYP="Light Frame", EXPTIME=1.0, BAYERPAT="RGGB")
    write(tmp_path / "dark_60.fts", data, EXPTIME=60.0)
    files = frame_files.sort_frames(tmp_path)
    assert len(files.bias) == 1
    assert [(exposure, len(frames)) for exposure, frames in files.darks] == [(60 * u.s, 2)]
    assert [exposure.value for exposure, _ in files.flats] == [1, 2]
    assert files.mosaic
    assert files.setting_changes == ("BAYERPAT is not given in a1.fits, RGGB in a3.fits",)


def test_what_does_not_fit_is_named(tmp_path):
    good = write(tmp_path / "good.fits", np.zeros(SHAPE, np.uint16))
    other = write(tmp_path / "other.fits", np.zeros((30, 40), np.uint16))
    signed = write(tmp_path / "signed.fits", np.zeros(SHAPE, np.int16))
    colour = write(tmp_path / "colour.fits", np.zeros((3, *SHAPE), np.uint16), CTYPE3="RGB")
    with pytest.raises(
        TableError, match=r"other.fits: expected 32 rows and 40 columns as in good.fits, found 30 and 40"
    ):
        frame_files.read_frames([good, other])
    with pytest.raises(TableError, match=r"signed.fits: expected numbers of type uint16 as in good.fits, found int16"):
        frame_files.read_frames([good, signed])
    with pytest.raises(TableError, match=r"good.fits: the file is listed twice"):
        frame_files.read_frames([good, good])
    with pytest.raises(TableError, match=r"colour.fits: .*finished colour picture"):
        frame_files.read_frames([colour])
    with pytest.raises(FileNotFoundError, match=r"none.fits"):
        frame_files.read_frames([tmp_path / "none.fits"])
    with pytest.raises(TableError, match="found a folder"):
        frame_files.read_frames([tmp_path])
    with pytest.raises(ValueError, match="paths: expected at least one file"):
        frame_files.read_frames([])
    with pytest.raises(FileNotFoundError, match="folder"):
        frame_files.sort_frames(tmp_path / "nowhere")
    (tmp_path / "empty").mkdir()
    with pytest.raises(TableError, match="empty: expected FITS files"):
        frame_files.sort_frames(tmp_path / "empty")


@pytest.mark.parametrize("value", [np.nan, np.inf, -1e30])
def test_pixels_that_are_no_numbers_are_named(tmp_path, value):
    data = np.ones(SHAPE, np.float32)
    data[5, 7] = value
    path = write(tmp_path / "bad.fits", data)
    with pytest.raises(
        TableError, match=r"bad.fits: row 5, column 7: expected a number of a camera, found (nan|inf|-1)"
    ):
        frame_files.read_frames(path)


@settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.one_of(st.none(), st.integers(), st.text(max_size=5), st.lists(st.text(max_size=3), max_size=2)))
@pytest.mark.long
def test_any_argument_gives_frames_or_a_documented_error(tmp_path, value):
    for function in (frame_files.read_frames, frame_files.sort_frames, frame_files.open_frames):
        with pytest.raises((ValueError, TypeError, OSError)):
            function(value)


# Damaged files. A folder of good frames, one of which is damaged; the check must name it and say what is wrong.


def _set_card(raw, card, text):
    """The file with the value of a header card replaced."""
    start = raw.index(card.ljust(8).encode() + b"=")
    return raw[:start] + (f"{card:8s}= {text}".encode("latin-1")).ljust(80)[:80] + raw[start + 80 :]


def _drop_card(raw, card):
    start = raw.index(card.ljust(8).encode())
    return raw[:start] + b" " * 80 + raw[start + 80 :]


def _flip(raw, place, bit):
    damaged = bytearray(raw)
    damaged[place] ^= 1 << bit
    return bytes(damaged)


def _fill(raw, start, length, byte):
    return raw[:start] + bytes([byte]) * length + raw[start + length :]


def _rubbish(raw, rng):
    card = str(rng.choice(["SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "BZERO"]))
    return _set_card(raw, card, "".join(map(chr, rng.integers(33, 47, 20))))


HEADER = 2880
DATA = SHAPE[0] * SHAPE[1] * 2
DAMAGES = {}
for _share in np.linspace(0.0, 0.999, 20):
    DAMAGES[f"cut at {_share:.3f}"] = lambda raw, share=_share: raw[: int(share * len(raw))]
DAMAGES["last byte missing"] = lambda raw: raw[:-1]
for _card, _texts in {
    "SIMPLE": ["F", "maybe"],
    "BITPIX": ["8", "32", "-32", "99", "'x'", "1.5"],
    "NAXIS": ["0", "1", "3", "-2", "999", "''"],
    "NAXIS1": ["41", "39", "0", "-40", "40000000", "'40'", "1E3"],
    "NAXIS2": ["33", "31", "0", "-1", "two"],
    "BZERO": ["0", "'a'", "1E400", "100"],
    "BSCALE": ["2", "0", "''"],
    "EXPTIME": ["-1", "'long'", "T", "1E999", "%%%", "1.5.2"],
    "IMAGETYP": ["'flat'", "'light'", "7", "'bias"],
}.items():
    for _text in _texts:
        DAMAGES[f"{_card} = {_text}"] = lambda raw, card=_card, text=_text: _set_card(raw, card, text.rjust(20))
for _card in ("SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "BZERO", "END"):
    DAMAGES[f"no {_card}"] = lambda raw, card=_card: _drop_card(raw, card)
for _number in range(10):
    # A high bit of one pixel; the files have no sums to find it by.
    DAMAGES[f"bit flipped {_number}"] = lambda raw, n=_number: _flip(raw, HEADER + 2 * (37 + 111 * n), 2 + n % 5)
for _number, _byte in enumerate([0, 255, 127, 32, 0, 255]):
    DAMAGES[f"rows overwritten {_number}"] = lambda raw, n=_number, b=_byte: _fill(raw, HEADER + 400 * (n + 1), 480, b)
for _seed in range(12):
    # Printable rubbish in the value of one of the cards that say how the pixels are stored.
    DAMAGES[f"rubbish in the header {_seed}"] = lambda raw, seed=_seed: _rubbish(raw, np.random.default_rng(seed))
DAMAGES["all zero"] = lambda raw: _fill(raw, HEADER, DATA, 128)
DAMAGES["all the same"] = lambda raw: raw[:HEADER] + b"\x84\x10" * (DATA // 2) + raw[HEADER + DATA :]
DAMAGES["empty"] = lambda raw: b""
DAMAGES["one block of nothing"] = lambda raw: bytes(2880)
DAMAGES["a picture of another kind"] = lambda raw: b"\x89PNG\r\n\x1a\n" + raw[8:]
DAMAGES["a web page"] = lambda raw: b"<html><body>404 not found</body></html>"
DAMAGES["some text"] = lambda raw: b"bias frame\n" * 500
DAMAGES["no ASCII in the header"] = lambda raw: raw[:100] + b"\xff\xfe\x00" + raw[103:]
DAMAGES["header overwritten"] = lambda raw: _fill(raw, 80, 640, 0)
DAMAGES["line ends converted"] = lambda raw: raw.replace(b"\n", b"\r\n").replace(b"\x80", b"?")
DAMAGES["bytes swapped"] = lambda raw: raw[:HEADER] + np.frombuffer(raw[HEADER:], ">u2").astype("<u2").tobytes()
DAMAGES["header twice"] = lambda raw: raw[:HEADER] + raw
DAMAGES["block lost"] = lambda raw: raw[: HEADER + 1000] + raw[HEADER + 1000 + 960 :]
DAMAGES["packed and cut"] = lambda raw: gzip.compress(raw)[:-40]


@pytest.fixture(scope="module")
def good_set():
    taken = simulated_camera.take_frames(
        simulated_camera.SimulatedCamera(hot_pixels=0, telegraph_pixels=0),
        np.random.default_rng(4),
        shape=SHAPE,
        bias=6,
    )
    files = {}
    sets = [("bias", 0.0, taken.bias)]
    sets += [(kind, t.value, f) for kind, several in (("dark", taken.darks), ("flat", taken.flats)) for t, f in several]
    for kind, exposure, frames in sets:
        for number, frame in enumerate(frames):
            header = fits.Header({"IMAGETYP": kind, "EXPTIME": exposure})
            hdu = fits.PrimaryHDU(frame, header)
            files[f"frame_{len(files):02d}.fits"] = hdu
    return files


def _written(folder, files):
    for name, hdu in files.items():
        hdu.writeto(folder / name)
    return {path: path.read_bytes() for path in folder.iterdir()}


def _told(verdict, name):
    """Whether a verdict reports the damaged file: by its name, or as something found."""
    return any(name in finding.sentence for finding in verdict.findings)


def test_the_undamaged_set_is_healthy(tmp_path, good_set):
    _written(tmp_path, good_set)
    verdict = camera_verdict.check_files(tmp_path)
    assert verdict.grade == "healthy"
    assert not _told(verdict, "frame_")
    assert len(DAMAGES) >= 100


@pytest.mark.parametrize("damage", DAMAGES)
@pytest.mark.long
def test_each_damage_is_refused_or_reported_with_its_place(tmp_path, good_set, damage):
    name = "frame_02.fits"  # a bias frame
    _written(tmp_path, good_set)
    path = tmp_path / name
    damaged = DAMAGES[damage](path.read_bytes())
    assert damaged != path.read_bytes()
    path.write_bytes(damaged)
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    try:
        verdict = camera_verdict.check_files(tmp_path)
    except TableError as error:
        assert str(error).startswith(name), error
        assert len(str(error)) > len(name) + 15
    else:
        assert _told(verdict, name), verdict.text
    assert before == {path: path.read_bytes() for path in tmp_path.iterdir()}


@pytest.mark.parametrize("place", range(HEADER, HEADER + DATA, 311))
def test_with_a_sum_in_the_header_not_one_bit_is_lost(tmp_path, good_set, place):
    path = tmp_path / "bias.fits"
    good_set["frame_02.fits"].copy().writeto(path, checksum=True)
    raw = path.read_bytes()
    path.write_bytes(_flip(raw, place + len(raw) - HEADER - DATA - (-DATA) % 2880, place % 8))
    with pytest.raises(TableError, match=r"bias.fits: .*(Checksum|Datasum)"):
        frame_files.read_frames(path)


def test_a_file_that_changes_while_it_is_read(tmp_path, good_set):
    _written(tmp_path, good_set)
    files = frame_files.sort_frames(tmp_path)
    path = tmp_path / "frame_02.fits"
    path.write_bytes(path.read_bytes()[:4000])
    with pytest.raises(TableError, match=r"frame_02.fits: the file is cut short"):
        camera_check.measure_files(files)


# --- sizes known before reading, kinds that disagree


def header_of(**cards):
    header = fits.Header([("SIMPLE", True), ("BITPIX", 16), ("NAXIS", 2), ("NAXIS1", 100), ("NAXIS2", 100)])
    header.update(cards)
    return header.tostring().encode()


@pytest.mark.parametrize(
    "cards", [{"NAXIS2": -200}, {"NAXIS2": 10**9}, {"NAXIS2": 10**18}, {"NAXIS": 3, "NAXIS3": 10**12}, {"NAXIS": -1}]
)
def test_giant_and_negative_axes_are_refused(tmp_path, cards):
    path = tmp_path / "odd.fits"
    path.write_bytes(header_of(**cards) + bytes(28800))
    with pytest.raises(TableError, match=r"odd.fits: expected"):
        frame_files.open_frames(path)


def test_what_unpacks_to_more_than_announced_is_refused_early(tmp_path):
    path = tmp_path / "bomb.fits"
    with gzip.open(path, "wb", 1) as file:
        file.write(header_of())
        for _ in range(5):
            file.write(bytes(1 << 24))
    with pytest.raises(TableError, match=r"bomb.fits: expected 0.02 MB of pixels once unpacked"):
        frame_files.open_frames(path)
    with gzip.open(path, "wb", 1) as file:
        file.write(header_of(NAXIS2=10**8))
    with pytest.raises(TableError, match=r"bomb.fits: expected at most 2 GB of pixels in one file, found 20 GB"):
        frame_files.open_frames(path)


@pytest.mark.parametrize("kind", ["packed", "float"])
def test_a_cube_that_must_be_unpacked_is_read_once(tmp_path, monkeypatch, kind):
    cube = np.random.default_rng(1).integers(0, 4000, (6, *SHAPE)).astype("u2" if kind == "packed" else "f4")
    path = write(tmp_path / "cube.fits", cube)
    if kind == "packed":
        path.write_bytes(gzip.compress(path.read_bytes()))
    reads = []
    read = frame_files.read_fits_image
    monkeypatch.setattr(frame_files, "read_fits_image", lambda path: reads.append(path) or read(path))
    np.testing.assert_array_equal(np.asarray(frame_files.open_frames(path)), cube)
    assert len(reads) == 1


def test_kinds_that_disagree_and_exposures_that_make_no_sense(tmp_path):
    data = np.full(SHAPE, 7, np.uint16)
    for name, cards, message in (
        ("dark_01.fits", {"IMAGETYP": "Flat Field", "EXPTIME": 1.0}, "found 'Flat Field' in the header .* 'dark' in"),
        ("bias_01.fits", {"EXPTIME": 300.0}, r"expected the shortest exposure .* found EXPTIME 300 s"),
    ):
        folder = tmp_path / name.split(".")[0]
        folder.mkdir()
        write(folder / name, data, **cards)
        with pytest.raises(TableError, match=rf"{name}: .*{message}"):
            frame_files.sort_frames(folder)
    colour = tmp_path / "colour"
    colour.mkdir()
    write(colour / "dark_01.fits", np.full((3, *SHAPE), 7, np.uint16), EXPTIME=10.0)
    with pytest.raises(TableError, match=r"dark_01.fits: .*found 3 planes, as in a finished colour picture"):
        frame_files.sort_frames(colour)


def test_packed_files_of_a_folder_count_and_doubtful_kinds_are_told(tmp_path):
    data = np.full(SHAPE, 7, np.uint16)
    plain = write(tmp_path / "dark_1.fits", data, EXPTIME=10.0, IMAGETYP="Light Frame")
    (tmp_path / "dark_2.fits.gz").write_bytes(gzip.compress(plain.read_bytes()))
    files = frame_files.sort_frames(tmp_path)
    assert [len(frames) for _, frames in files.darks] == [2]
    assert files.remarks[0] == "the header of dark_1.fits says 'Light Frame', its name says dark: taken as a dark"


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: camera_check.measure_files(3), "files: expected a CameraFiles"),
        (lambda: camera_check.measure_camera(b"x"), "bias: expected"),
        (lambda: camera_check.measure_camera(np.zeros((2, 20, 20)), darks=3), "darks: expected a list"),
        (lambda: camera_check.measure_camera(np.zeros((2, 20, 20)), darks=[3]), "darks: expected pairs"),
        (lambda: camera_check.measure_camera(np.zeros((2, 20, 20)), mosaic="yes"), "mosaic: expected"),
        (lambda: frame_files.open_frames(3), "paths: expected"),
        (lambda: frame_files.sort_frames(b"x"), "paths: expected"),
        (lambda: camera_verdict.usual_bad_pixels(3), "shape: expected"),
    ],
)
def test_wrong_objects_are_named(call, named):
    with pytest.raises(TypeError, match=named):
        call()
