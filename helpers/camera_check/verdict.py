"""The verdict on a camera in words: healthy, usable but..., defective, or what these frames can't tell; with reason and
size.
"""

from dataclasses import dataclass

import astropy.units as u
import numpy as np

from helpers.camera_check.converter_codes import PILE
from helpers.camera_check.files import sort_frames
from helpers.camera_check.measure import CameraMeasurement, measure_files
from helpers.camera_check.photon_transfer import Measured
from helpers.shared.checks import frame_shape, instance, optional, quantity, takes
from helpers.shared.files import TableError

HEALTHY, USABLE, CANNOT_TELL, DEFECTIVE, NOTE = "healthy", "usable but", "these frames can't tell", "defective", "note"
_ORDER = (DEFECTIVE, CANNOT_TELL, USABLE)
_SURE = 3.0  # standard errors; nothing is called a fault on less
_GUIDING_S = 10.0  # seconds: a glow counts by what it adds in the longest usual guide exposure


@dataclass(frozen=True)
class Limit:
    """A limit of the verdict: above `value` (with its `unit` in words) a thing is called by its grade."""

    thing: str
    value: float
    unit: str
    grade: str
    source: str = "common practice, no source"


# The numbers that the verdict is held against, in the order of its findings.
LIMITS = {
    "noise usable": Limit("read noise", 1.25, "times the claimed one", USABLE),
    "noise defective": Limit("read noise", 1.6, "times the claimed one", DEFECTIVE),
    "stripes usable": Limit("noise that rows or columns share", 0.35, "times that of single pixels", USABLE),
    "stripes defective": Limit("noise that rows or columns share", 1.0, "times that of single pixels", DEFECTIVE),
    "correlation": Limit("correlation of the noise of neighbours", 0.05, "", USABLE),
    "drift": Limit("drift of the level without light", 0.5, "times the read noise", USABLE),
    "shading": Limit("uneven light in the longest dark", 0.5, "times the read noise", CANNOT_TELL),
    "current": Limit("dark current", 2.0, "times the claimed one", USABLE),
    "linearity": Limit("distance from a straight line", 0.7, "percent on average", USABLE),
    "prnu": Limit("unequal response (PRNU)", 3.0, "percent", USABLE),
    "dsnu": Limit("fixed pattern without light (DSNU)", 2.0, "times the read noise", USABLE),
    "hot": Limit("hot pixels in the longest dark", 0.01, "of all pixels", USABLE),
    "cold": Limit("cold pixels", 0.001, "of all pixels", USABLE),
    "telegraph": Limit("telegraph pixels", 0.005, "of all pixels", USABLE),
    "clipped": Limit("clipped offset: values at the lowest number", PILE, "of the values of a set", USABLE),
    "missing": Limit("numbers that never come although their neighbours do", 0, "", DEFECTIVE),
    "temperature": Limit("range of the sensor's temperature", 3.0, "degrees", NOTE),
    "sure": Limit(
        "by how much a fault must exceed its limit",
        _SURE,
        "standard errors (±)",
        NOTE,
        "the standard errors are our own choice (chance alone gives three of them once in about 700 times)",
    ),
}


def limit_rows():
    """The limits of the verdict as rows of text: thing, limit, what it is called above it, source.

    Returns
    -------
    list of (str, str, str, str)
    """
    return [(one.thing, f"{one.value:g} {one.unit}".strip(), one.grade, one.source) for one in LIMITS.values()]


@takes(shape=frame_shape())
def usual_bad_pixels(shape):
    """How many single pixels that stand out are still usual on a sensor, from the limits of the verdict.

    Parameters
    ----------
    shape : (columns, rows)

    Returns
    -------
    dict
        "hot", "cold" and "telegraph" to a whole number of pixels; common practice, no source.

    Raises
    ------
    TypeError, ValueError
        Not two positive whole numbers.
    """
    columns, rows = shape
    return {kind: int(LIMITS[kind].value * columns * rows) for kind in ("hot", "cold", "telegraph")}


@dataclass(frozen=True)
class Finding:
    """One thing found: how grave (`grade`), what (`name`), and a sentence with its size and what to do."""

    grade: str
    name: str
    sentence: str


@dataclass(frozen=True)
class Verdict:
    """Verdict on a camera.

    Attributes
    ----------
    grade : str
        "healthy", "usable but", "defective" or "these frames can't tell".
    text : str
        The verdict with its reasons.
    findings : tuple of Finding
        The gravest first; notes last.
    measurement : CameraMeasurement or None
    """

    grade: str
    text: str
    findings: tuple
    measurement: CameraMeasurement | None = None

    def has(self, name):
        """Whether something of this name was found."""
        return any(finding.name == name for finding in self.findings)


def _certain(measured, limit):
    """Whether a measured value is above a limit (a plain number in its unit) by three standard errors."""
    if measured is None or measured.limit == "below":
        return False
    return bool(measured.value.value - _SURE * measured.error.value > limit)


def _damage(m):
    """Frames that spoil all numbers; then nothing else is said."""
    for place, first, last in m.damaged:
        rows = f"row {first} is" if first == last else f"rows {first} to {last} are"
        yield Finding(
            CANNOT_TELL,
            "damaged frame",
            f"{place}: {rows} nothing like in the other frames of its kind: a damaged "
            "file, or another kind of frame? Leave it out and check again",
        )


def _frames_fit(m):
    """What makes the frames themselves unfit to tell."""
    if m.setting_changes:
        yield Finding(
            CANNOT_TELL,
            "settings",
            f"the settings changed between the frames: {'; '.join(m.setting_changes)}. "
            "Take all frames with the same settings",
        )
    for kind in m.equal_frames:
        yield Finding(
            CANNOT_TELL,
            "equal frames",
            f"two {kind} frames are equal to the last bit, as copies of one file are. Take each frame anew",
        )
    if m.codes.step == 0:
        yield Finding(
            CANNOT_TELL,
            "processed",
            "the numbers are spread without a step, as in averaged or calibrated frames. Take raw frames",
        )
    elif m.codes.step < 1 and not _is_share(m.codes.step):
        yield Finding(
            CANNOT_TELL,
            "processed",
            f"the numbers stand {m.codes.step:.3g} apart, as in averages of several frames. Take raw frames",
        )
    if m.photon_transfer is None and m.codes.step > 0:
        yield Finding(CANNOT_TELL, "no gain", f"the gain is unknown: {m.photon_transfer_reason}. Noise is given in DN")
    for remark in m.remarks:
        yield Finding(NOTE, "files", remark)
    low, high = m.temperatures or (0, 0)
    if high - low > LIMITS["temperature"].value:
        yield Finding(
            NOTE,
            "temperature",
            f"the sensor was between {low:.1f} and {high:.1f} deg C: dark current changes by a "
            "factor of about two in 6 to 8 degrees",
        )


def _is_share(step):
    """Whether a step below 1 is that of whole numbers divided by the largest, such as 1/65535."""
    largest = 1 / step
    return any(abs(largest - top) < 0.01 * top for bits in (8, 10, 12, 14, 16) for top in (2**bits - 1, 2**bits))


def _numbers(m):
    """The converter and what was done to its numbers."""
    codes = m.codes
    if codes.piled_low:
        yield Finding(
            USABLE,
            "clipped offset",
            f"the offset is clipped: {100 * m.low_pile:.2g} % of the bias pixels stand at the "
            f"lowest number, {codes.lowest:g}, and what lies below is lost. Read noise and faint light come out too "
            "small. Raise the offset until no bias pixel is at the lowest number",
        )
    if codes.missing > LIMITS["missing"].value:
        yield Finding(
            DEFECTIVE,
            "missing codes",
            f"{codes.missing} numbers never come although their neighbours do "
            f"({100 * codes.missing_share:.2g} %, the first is {codes.missing_example:g}): "
            "the converter leaves codes out",
        )
    if 1 < codes.stretch < 1.9:
        yield Finding(
            USABLE,
            "digital gain",
            f"the numbers were multiplied by {codes.stretch:.3g} after the conversion: that adds "
            "no light and costs range. Set the digital gain to none",
        )
    elif codes.stretch > 1:
        yield Finding(NOTE, "scaled", f"numbers of {codes.bits} bit, multiplied by {codes.stretch:.5g} for the file")
    elif codes.step > 1:
        yield Finding(NOTE, "scaled", f"numbers of {codes.bits} bit, in steps of {codes.step:g} in the file")
    if codes.off_step:
        yield Finding(
            NOTE, "off step", f"{codes.off_step} single values are no multiple of {codes.step:g}: damaged bytes?"
        )


def _noise(m, claimed):
    """Read noise against its claim, and noise in stripes."""
    stripes = {"column": m.column_noise, "row": m.row_noise}
    share = {
        kind: float(noise.value / m.pixel_noise.value) for kind, noise in stripes.items() if m.pixel_noise.value > 0
    }
    for kind, noise in stripes.items():
        if _certain(noise, LIMITS["stripes usable"].value * m.pixel_noise.value.value):
            bad = share[kind] > LIMITS["stripes defective"].value
            yield Finding(
                DEFECTIVE if bad else USABLE,
                f"{kind} noise",
                f"whole {kind}s jump together by {noise} from frame to "
                f"frame, {share[kind]:.2g} times the noise of single pixels ({m.pixel_noise})"
                + (f": the electronics that drive the {kind}s" if bad else ""),
            )
    if claimed is None or not m.in_electrons or _smoothed(m):
        return
    if m.dark_noise.limit == "below" and m.dark_noise.value > LIMITS["noise usable"].value * claimed:
        yield Finding(
            CANNOT_TELL,
            "coarse numbers",
            f"the read noise is hidden by the rounding to whole numbers: it is "
            f"{m.dark_noise}, and {claimed.value:g} electron are claimed. Take the frames with finer numbers "
            "(more bits, higher gain setting)",
        )
    striped = max(share.values(), default=0) > LIMITS["stripes usable"].value
    if _certain(m.dark_noise, LIMITS["noise usable"].value * claimed.value):
        yield Finding(
            DEFECTIVE if m.dark_noise.value > LIMITS["noise defective"].value * claimed else USABLE,
            "read noise",
            f"{'with these stripes ' if striped else ''}the read noise is {m.dark_noise}, "
            f"{_against_claim(m.dark_noise.value, claimed)}",
        )


def _against_claim(found, claimed):
    """Words: how many times its claim a value is; of next to nothing there is no telling."""
    if claimed < 1e-6 * found:
        return f"and {claimed.value:g} {claimed.unit} are claimed"
    return f"{float(found / claimed):.2g} times the {claimed.value:g} {claimed.unit} claimed"


def _smoothed(m):
    size = abs(float(m.correlation.value))
    return size > LIMITS["correlation"].value and size > 2 * _SURE * float(m.correlation.error)


def _processing(m):
    """What the camera does to its frames by itself."""
    if _smoothed(m):
        rows, columns = m.correlation_lag
        where = "in the same row" if columns else "in the same column"
        yield Finding(
            USABLE,
            "smoothing",
            f"the camera smooths or sharpens its frames: the noise of pixels {rows + columns} apart "
            f"{where} goes together (correlation {m.correlation}). Gain and noise come out wrong. "
            "Turn such processing off",
        )
    noise = m.dark_noise.value.value
    if _certain(m.black_level_drift, LIMITS["drift"].value * noise):
        yield Finding(
            USABLE,
            "black level",
            f"the level without light drifts: the bias frames' means differ by "
            f"{m.black_level_drift}. Let the camera settle for half an hour; take bias and darks close together",
        )


def _uneven_light(m):
    """Glow and leak; returns whether the light hides the dark current."""
    per_second = LIMITS["shading"].value * m.dark_noise.value.value / m.longest_dark.value
    if m.glow is not None and m.glow.local and _certain(m.glow.rate, per_second):
        in_guiding = m.glow.rate.value.value * _GUIDING_S
        yield Finding(
            USABLE if in_guiding > LIMITS["shading"].value * m.dark_noise.value.value else NOTE,
            "glow",
            f"the sensor glows at {m.glow.where}: {m.glow.rate} more than elsewhere, on "
            f"{100 * m.glow.share:.2g} % of the frame, fading smoothly from its brightest place. The amplifier beside "
            "the pixels does this; the dark current was taken where it does not reach. Subtract darks, and choose no "
            "guide star there. If it goes away under foil, it was a leak of light",
        )
        return False
    if not _certain(m.dark_shading, per_second):
        return False
    yield Finding(
        CANNOT_TELL,
        "light leak",
        f"light reached the darks, or the sensor glows: they are brighter by "
        f"{m.dark_shading} at {m.shading_edge}, so the dark current can't be told. Wrap the camera in foil in a "
        "dark room and repeat: a leak goes away, a glow stays",
    )
    return True


def _light(m, claimed_current):
    """Darks: leaks, glow and dark current."""
    if m.dark_current is None:
        yield Finding(NOTE, "no darks", "there are no darks, so dark current, hot pixels and light leaks stay unknown")
        return
    leak = yield from _uneven_light(m)
    level, counted = m.dark_current, m.dark_current_from_noise
    # Hot pixels are left out of the level, but what they leak is in the noise.
    many_hot = len(m.bad_pixels.hot) > LIMITS["hot"].value * m.bad_pixels.pixels
    if counted is not None and not m.codes.piled_low and not many_hot:
        gap = counted.value - level.value
        if gap > 4 * np.hypot(counted.error, level.error) and gap > 0.3 * counted.value:
            yield Finding(
                NOTE,
                "dark level",
                f"the camera takes its dark level off by itself: {level} from the level, but "
                f"{counted} from the noise. Believe the noise",
            )
    if claimed_current is None or not m.in_electrons or leak:
        return
    if _certain(m.dark_current, LIMITS["current"].value * claimed_current.value):
        yield Finding(
            USABLE,
            "dark current",
            f"the dark current is {m.dark_current}, "
            f"{_against_claim(m.dark_current.value, claimed_current)}: a warmer sensor, or light",
        )


def _response(m):
    """Linearity, patterns, single pixels."""
    if m.linearity is not None and _certain(m.linearity.error, LIMITS["linearity"].value):
        yield Finding(
            USABLE,
            "linearity",
            f"the response bends: it lies {m.linearity.error.value.value:.2g} % off a straight line "
            "on average. Keep stars below the bend; if the light of the flats changed meanwhile, repeat them",
        )
    if _certain(m.prnu, LIMITS["prnu"].value):
        yield Finding(USABLE, "response pattern", f"the pixels respond unequally, by {m.prnu} (PRNU): use flats")
    if _certain(m.dsnu, LIMITS["dsnu"].value * m.dark_noise.value.value):
        yield Finding(
            USABLE,
            "dark pattern",
            f"the fixed pattern without light is {m.dsnu} (DSNU), more than the noise: subtract darks",
        )
    if m.linearity is None and m.in_electrons:
        yield Finding(NOTE, "no linearity", "linearity is not told: that takes flats of at least four known exposures")
    pixels = m.bad_pixels
    if pixels.frames < 8:
        yield Finding(NOTE, "few frames", "telegraph pixels are not told: that takes at least eight frames of a kind")
    for kind, places, limit in (
        ("hot", pixels.hot, LIMITS["hot"].value),
        ("cold", pixels.cold, LIMITS["cold"].value),
        ("telegraph", pixels.telegraph, LIMITS["telegraph"].value),
    ):
        share = len(places) / pixels.pixels
        if share > limit and len(places) > 5:
            yield Finding(
                USABLE,
                f"{kind} pixels",
                f"{len(places)} pixels ({100 * share:.2g} %) are {kind} pixels: "
                "subtract darks, and never guide on a single bright pixel",
            )
    if m.events:
        place, row, column = m.events[0]
        one = len(m.events) == 1
        yield Finding(
            NOTE,
            "events",
            f"{len(m.events)} pixel{'' if one else 's'} stood out in one frame only and "
            f"{'was' if one else 'were'} left out (cosmic ray or damaged byte){'' if one else '; the first'}: "
            f"{place}, row {row}, column {column}",
        )


_CLAIMS = {
    "claimed_read_noise": optional(quantity(u.electron, above=0, maximum=1e6, ndim=0)),
    "claimed_dark_current": optional(quantity(u.electron / u.s, minimum=0, maximum=1e9, ndim=0)),
}


@takes(measurement=instance(CameraMeasurement), **_CLAIMS)
def verdict(measurement, claimed_read_noise=None, claimed_dark_current=None):
    """The verdict on a measured camera.

    Parameters
    ----------
    measurement : CameraMeasurement
    claimed_read_noise : Quantity [electron], optional
        What the maker or seller says.
    claimed_dark_current : Quantity [electron/s], optional

    Returns
    -------
    Verdict

    Raises
    ------
    TypeError, ValueError
        Not a measurement, or a claim that is no positive quantity.
    """
    found = [*_damage(measurement)] or [
        *_frames_fit(measurement),
        *_numbers(measurement),
        *_noise(measurement, claimed_read_noise),
        *_processing(measurement),
        *_light(measurement, claimed_dark_current),
        *_response(measurement),
    ]
    ranked = [finding for grade in (*_ORDER, NOTE) for finding in found if finding.grade == grade]
    grade = next((finding.grade for finding in ranked if finding.grade != NOTE), HEALTHY)
    return Verdict(grade, _text(grade, ranked, measurement), tuple(ranked), measurement)


def _text(grade, findings, m):
    faults = [finding for finding in findings if finding.grade != NOTE]
    if not faults:
        text = f"healthy: read noise {m.dark_noise}, and nothing out of the ordinary in {_counted(m.frames)}."
    else:
        start = {DEFECTIVE: "defective: ", USABLE: "usable but ", CANNOT_TELL: "these frames can't tell because "}[
            grade
        ]
        text = start + ". Also, ".join(finding.sentence for finding in faults) + "."
    notes = [finding.sentence[0].upper() + finding.sentence[1:] + "." for finding in findings if finding.grade == NOTE]
    return " ".join([text, *notes])


def _counted(frames):
    return ", ".join(f"{count} {kind} frames" for kind, count in frames.items() if count)


@takes(measurement=instance(CameraMeasurement))
def table_rows(measurement):
    """What was measured as rows of text: everyday name, name in EMVA Standard 1288 ("" if it has none), value with
    error.

    Parameters
    ----------
    measurement : CameraMeasurement

    Returns
    -------
    list of (str, str, str)
    """
    m, transfer = measurement, measurement.photon_transfer
    rows = []
    if transfer is not None:
        rows.append(
            (
                "conversion gain",
                "inverse of the overall system gain K",
                str(Measured(transfer.gain, transfer.gain_error)),
            )
        )
        if m.mosaic:
            gains, noises = (
                ", ".join(f"{value:.3g}" for value in several.value)
                for several in (transfer.plane_gain, transfer.plane_read_noise)
            )
            rows.append(("... of the four colour planes", "", f"{gains} electron / DN"))
        limit = "at least " if transfer.saturation_is_limit else ""
        rows.append(("full well", "saturation capacity", f"{limit}{transfer.saturation.value:.0f} electron"))
        rows.append(("dynamic range", "dynamic range", f"{limit}{transfer.dynamic_range:.0f}"))
        rows.append(("best signal to noise of one pixel", "maximum SNR", f"{limit}{transfer.snr_max:.0f}"))
    rows += [
        ("read noise", "temporal dark noise", str(m.dark_noise)),
        *([("... of the four colour planes", "", f"{noises} electron")] if transfer is not None and m.mosaic else []),
        ("... of single pixels", "", str(m.pixel_noise)),
        ("... shared by rows", "", str(m.row_noise)),
        ("... shared by columns", "", str(m.column_noise)),
        ("fixed pattern in the dark", "DSNU", str(m.dsnu)),
        ("... of rows, columns, pixels", "DSNU, split", f"{m.dsnu_rows}; {m.dsnu_columns}; {m.dsnu_pixels}"),
    ]
    if m.prnu is not None:
        rows.append(("unequal response", "PRNU", str(m.prnu)))
    if m.linearity is not None:
        rows.append(("off a straight line", "linearity error", str(m.linearity.error)))
    if m.dark_current is not None:
        rows.append(("dark current, from the level", "dark current", str(m.dark_current)))
    if m.dark_current is not None and m.in_electrons:
        counted = m.dark_current_from_noise
        told = str(counted) if counted is not None else "not told: the rounding hides it"
        rows.append(("dark current, from the noise", "dark current", told))
    if m.glow is not None:
        rows.append((f"glow at {m.glow.where}", "", f"{m.glow.rate}, on {100 * m.glow.share:.2g} % of the frame"))
    bad = m.bad_pixels
    jumping = f"{len(bad.telegraph)}" if bad.frames >= 8 else "not told"
    rows.append(("hot, cold, telegraph pixels", "", f"{len(bad.hot)}, {len(bad.cold)}, {jumping} of {bad.pixels:,}"))
    rows.append(("drift of the level without light", "", str(m.black_level_drift)))
    if m.codes.bits:
        more = " or more" if m.codes.bits_at_least else ""
        rows.append(
            ("bits of the converter", "", f"{m.codes.bits}{more}, numbers {m.codes.step * m.codes.stretch:g} apart")
        )
    return rows


@takes(**_CLAIMS)
def check_files(paths, claimed_read_noise=None, claimed_dark_current=None):
    """Read the frames of one camera from FITS files and give the verdict.

    Parameters
    ----------
    paths : path of a folder, or list of paths of files
        Bias, darks and flats, told apart by header or name; see `frame_files.sort_frames`.
    claimed_read_noise, claimed_dark_current : Quantity, optional

    Returns
    -------
    Verdict
        "these frames can't tell" when frames are missing or too few.

    Raises
    ------
    FileNotFoundError, TableError
        A file that can't be used, with its name and the reason.
    """
    files = sort_frames(paths)
    try:
        measured = measure_files(files)
    except TableError:
        raise  # a damaged file is named by its own error
    except ValueError as error:
        sentence = str(error)
        finding = Finding(CANNOT_TELL, "frames", sentence)
        return Verdict(CANNOT_TELL, f"{CANNOT_TELL} because {sentence}.", (finding,))
    return verdict(measured, claimed_read_noise, claimed_dark_current)
