"""Guesses, exercises, forms and card of workbook 08; `numbers` is the ledger of the rig."""

from dataclasses import dataclass
from pathlib import Path

import astropy.units as u
import numpy as np

from helpers.camera_check import costs, drawings
from helpers.camera_check import verdict as camera_verdict
from helpers.classroom import figures, guesses
from helpers.classroom.exercises import Question
from helpers.multi_star.centroids import measure_stars
from helpers.rig.demo import demo_rig
from helpers.starlight import view

_KIND_FOLDERS = ("bias", "offset", "zero", "dark", "flat")  # names of folders that hold one kind of frame
_PER_DN = " electron / DN"
NOISY = 15 * u.electron  # read noise of the camera that is asked about
ENDINGS = ("*.fits", "*.fit", "*.fts", "*.fits.gz", "*.fit.gz", "*.fits.fz", "*.fit.fz", "*.fits.bz2")
UPLOADS = (".fits", ".fit", ".fts", ".gz", ".fz", ".bz2")


def which_camera(rig):
    """Which of the three cameras is sound."""
    low = 100 * drawings.judged("camera 1").measurement.low_pile
    stripes = drawings.judged("camera 3").measurement.column_noise.value
    return guesses.choices(
        "08.three",
        "Three cameras, lid on, shortest exposure: frames of nothing at all. Which one would you take home?",
        tuple(drawings.FOLDERS),
        "camera 2",
        f"Camera 2. The picture of camera 1 has bright specks but no dark ones: {low:.0f} % of its pixels stand at "
        f"zero (the pile at the dashed line), and what lies below is cut off. In camera 3 whole columns jump together, "
        f"by {stripes.value:.1f} electrons (rms): in the difference of two frames they stay.",
    )


def _shares(frames):
    """How often each number occurs; 1,000 stands for all above."""
    return np.bincount(np.minimum(frames.ravel(), 1000), minlength=1001) / frames.size


def trace_in_the_dark(fault):
    """Share of the numbers, in bias and dark frames, that a fault at its full strength makes others."""
    faulty, sound = drawings.broken(fault, 1.0)[0], drawings.broken("none", 0.0)[0]
    pairs = ((faulty.bias, sound.bias), (faulty.darks[0][1], sound.darks[0][1]))
    return max(np.abs(_shares(one) - _shares(other)).sum() / 2 for one, other in pairs)


def stays_hidden(rig):
    """Which fault leaves hardly a trace in frames without light."""
    traces = {fault: trace_in_the_dark(fault) for fault in ("missing codes", "smoothing", "bent response")}
    right = min(traces, key=traces.get)
    others = " and ".join(f"{fault} {traces[fault]:.0%}" for fault in traces if fault != right)
    (found,) = [one for one in drawings.broken(right, 1.0)[1].findings if one.grade != camera_verdict.NOTE]
    return guesses.choices(
        "08.hidden",
        "One of these faults leaves hardly a trace in a frame without light, however strong it is. Which? ("
        + "; ".join(f"{fault}: {drawings.FAULTS_IN_WORDS[fault]}" for fault in traces)
        + ".)",
        tuple(traces),
        right,
        f"The {right}. Without light there is next to nothing to bend: it changes {traces[right]:.1%} of the numbers "
        f"in bias and dark frames ({others}). Only frames with light show it, and then the check says: "
        f"{found.sentence}. So it wants all three kinds of frames.",
    )


def noisy_camera(rig, numbers):
    """What a very noisy camera does to the log with the rig's own stars."""
    noise = costs.CameraNoise(NOISY)
    own, faint = drawings.own_stars(rig, numbers), drawings.one_faint(rig, numbers)
    now, healthy = (drawings.case(rig, numbers, own, camera) for camera in (noise, None))
    growth, wider = float(now.logged / healthy.logged) - 1, float((now.star - healthy.star).value)
    wider = f"less than {drawings.FINEST:g}" if wider < drawings.FINEST else f"{wider:.2f}"
    one_now, one = (drawings.case(rig, numbers, faint, camera) for camera in (noise, None))
    lost = (
        "the star is lost in the noise"
        if not one_now.found
        else f"the log goes from {one.logged.value:.2f} to {one_now.logged.value:.2f} arcsec"
    )
    return guesses.choices(
        "08.cost",
        f"A camera reads out with {NOISY.value:g} electrons; yours should have {rig.guide_camera.read_noise.value:g}. "
        f"How much does your log grow, with {drawings.named_stars(numbers.stars)}?",
        {"hardly, below a tenth": 0.03, "by a third or so": 0.33, "it doubles, or worse": 1.2},
        growth,
        f"By {growth:.0%} of {healthy.logged.value:.2f} arcsec (both axes); the star in the picture grows "
        f"by {wider} arcsec. Errors add in squares, and a bright "
        f"star has light enough. With one faint star, of magnitude {drawings.faint_star(rig, numbers):.1f}, {lost}: "
        "light decides how much a noisy camera costs.",
    )


def magnitudes(rig, numbers):
    """Lowest, highest and first magnitude of the panel's one star."""
    first = round(drawings.faint_star(rig, numbers), 1)
    return first - 4, first + 1, first


def own_number(rig, numbers):
    """The reader's number, in words."""
    own, one = _telling(rig, numbers)
    return (
        f"On {drawings.named_stars(numbers.stars)} your log grows by a tenth when the camera reads out with "
        f"{own.value:.0f} electrons; with one star of magnitude {drawings.faint_star(rig, numbers):.1f}, with "
        f"{one.value:.1f}. Yours should have {rig.guide_camera.read_noise.value:g}."
    )


def _telling(rig, numbers):
    """Noise that raises the log by a tenth: with the own stars, and with one faint star."""
    stars = drawings.own_stars(rig, numbers), drawings.one_faint(rig, numbers)
    return [drawings.telling_noise(rig, numbers, several) for several in stars]


_TRIED = 300  # frames
# Standard error of an rms from the median of 2 x 300 values, as a share: 1.17 / sqrt(n), for normal errors.
_OF_A_MEDIAN = 1.17 / np.sqrt(2 * _TRIED)


def clipped_errors(rig, numbers, frames=_TRIED):
    """Error of the faint star's centre (one axis) in simulated frames, with room below and with an offset of 0."""
    setting, magnitude = view(rig), drawings.faint_star(rig, numbers)
    side = 2 * int(np.ceil(3 * (setting.fwhm / setting.pixel_scale).to_value(u.pix))) + 7
    middle = (side - 1) / 2
    places = np.random.default_rng(8).uniform(-0.5, 0.5, (frames, 2))
    motion = places[:, None] * setting.pixel_scale.value / rig.guide_camera.binning * u.arcsec
    errors = []
    for offset in (40, 0):
        taken = setting.frames(
            [[middle, middle]], [magnitude], motion, np.random.default_rng(9), shape=(side, side), offset=offset
        )
        found = measure_stars(taken, [[middle, middle]], side - 4)
        away = (found.centroids[:, 0].value - middle - places)[found.measured[:, 0]]
        away = 1.4826 * np.median(np.abs(away - np.median(away, axis=0)))  # of normal errors this is the rms
        errors.append(away * setting.pixel_scale.value / rig.guide_camera.binning)
    return errors


_BELIEFS = """
**"Low numbers without light: a quiet camera."** Camera 1 has the lowest numbers of the three (in the middle
{lowest:.0f} DN, the others {others}) and a read noise of {dark:.1f} electrons, less than the {claimed:.1f} its maker
claims, because {pile:.0f} % of its pixels are cut off at zero. A star on a real sky hardly suffers: the error of its
centre is {clipped:.2f} arcsec, {room}.

**"A defective camera explains a bad log."** It may, with few or faint stars. With {stars}, {share:.0%} of your log (in
squares) has nothing to do with the noise of camera and light; ask `10_error_budget`.

**"It holds perfectly still: what a good guide star."** Perhaps it is a hot pixel. Near a true star it pulls the
measured centre; one as bright as the star holds it: when the star has moved {away:.0f} pixels away, it still reports
{held:.1f}. The log is perfect, and the picture trails. So subtract darks, and never guide on a single bright pixel.
"""


def beliefs(rig, numbers):
    """Where people go wrong: beliefs and what the calculation says."""
    camera_1, claimed = drawings.judged("camera 1").measurement, demo_rig(guide_camera="A").guide_camera
    with_room, clipped = clipped_errors(rig, numbers)
    one = drawings.case(rig, numbers, drawings.own_stars(rig, numbers))
    away, held = drawings.held_by_a_hot_pixel(rig)
    lowest, *others = (float(np.median(drawings.frames_of(name, "bias")[0])) for name in drawings.FOLDERS)
    return figures.marked(
        _BELIEFS,
        lowest=lowest,
        others=" and ".join(f"{one:.0f}" for one in others),
        dark=camera_1.dark_noise.value.value,
        claimed=claimed.read_noise.value,
        pile=100 * camera_1.low_pile,
        clipped=clipped,
        room=f"whether the offset leaves room below or not, as far as {_TRIED} simulated frames of your faint star tell"
        if abs(clipped / with_room - 1) < 2 * np.sqrt(2) * _OF_A_MEDIAN
        else f"{with_room:.2f} where the offset leaves room below ({_TRIED} simulated frames of your faint star)",
        away=away,
        held=abs(held),
        stars=drawings.named_stars(numbers.stars),
        share=1 - float((one.error**2).sum() / numbers.logged_rms**2),
    )


def glow_in_words(rig, numbers):
    """What a glowing amplifier does to the rig's faint star, in words."""
    found, magnitude = drawings.glowing_camera().glow, drawings.faint_star(rig, numbers)
    cost = drawings.glow_cost(rig, magnitude, found)
    return (
        f"Of an invented camera that glows the check finds {found.rate} at {found.where}. There, in "
        f"{rig.guiding.exposure.value:g} s, it pulls your faint star (magnitude {magnitude:.1f}) by "
        f"{cost.pull.value:.3f} arcsec, and its light raises the error of the centre from "
        f"{cost.without.value:.3f} to {cost.with_it.value:.3f} arcsec."
    )


def gain_of_flats(rig):
    """Exercise: gain from two flats."""
    return Question(
        "08.1",
        "Two flats lie 2,000 DN above the bias. The variance of their difference is 2,500 DN², that of two bias "
        "frames' difference 500 DN². What is the conversion gain, in electrons per DN?",
        2000 / ((2500 - 500) / 2),
        unit=u.electron / u.DN,
        percent=2,
        mistakes=(
            (2000 / 2000, "a difference holds the noise of two frames: halve its variance."),
            (1000 / 2000, "that is DN per electron; turn it over."),
            (2000 / 1250, "take off the variance of the bias, halved too."),
        ),
        hint="Variance of one frame = half the variance of the difference. The gain is the signal, divided by the "
        "variance of a flat less the variance of a bias.",
        solution=f"2,000 / (1,250 - 250) = {2000 / 1000:.2f} electrons per DN.",
    )


def dark_against_reading(rig):
    """Exercise: when dark current counts as much as reading out."""
    noise, current = 3.2, 0.5
    right = noise**2 / current
    return Question(
        "08.2",
        f"A camera reads out with {noise:g} electrons and has a dark current of {current:g} electrons a second. After "
        "how many seconds is the noise of the dark current as large as the read noise?",
        right * u.s,
        unit=u.s,
        percent=3,
        mistakes=(
            (
                noise / current * u.s,
                "by then it has collected as many electrons as the read noise, but N electrons scatter only by root N.",
            ),
            ((noise / current) ** 2 * u.s, "the noise of N electrons is the root of N: which N has that root?"),
        ),
        hint=f"N electrons scatter by the root of N. Which N scatters by {noise:g}?",
        solution=f"{noise:g}² = {noise**2:.2f} electrons; at {current:g} a second that takes {right:.1f} s. Guide "
        "exposures are far shorter: read noise rules there.",
    )


def zeros_in_the_bias(rig):
    """Exercise: what to do about pixels at zero."""
    return Question(
        "08.3",
        "In your bias frames 4 % of all pixels read exactly 0. What do you do first?",
        "raise the offset and take the bias frames again",
        options=(
            "send the camera back",
            "raise the offset and take the bias frames again",
            "take longer exposures",
        ),
        mistakes=(
            (
                "send the camera back",
                "a setting is the usual cause; nothing is known about the camera before it is put right.",
            ),
            ("take longer exposures", "the sky then lifts the numbers off zero, but darks and bias frames stay cut."),
        ),
        hint="What can't a file hold?",
        solution="Numbers below zero cannot be stored, so 4 % of the noise is cut off. Raise the offset until no bias "
        "pixel stands at the lowest number, then measure.",
    )


def verdicts(rig):
    """Head and rows: the verdict on each camera of the drawer, without remarks."""
    rows = []
    for name in drawings.FOLDERS:
        found = drawings.judged(name)
        faults = [one.sentence for one in found.findings if one.grade != camera_verdict.NOTE]
        said = f"{found.grade}: {'. Also, '.join(faults)}." if faults else found.text
        rows.append((f"{name}, sold as camera {drawings.SOLD_AS[name]}", said))
    return ("", "the check says"), rows


def limits(rig):
    """Head and rows: the limits of the verdict, those of one thing in one row."""
    rows, sure = {}, camera_verdict.LIMITS["sure"].thing
    for thing, limit, grade, _ in camera_verdict.limit_rows():
        rows.setdefault(thing, []).append(
            limit if thing == sure or grade == camera_verdict.USABLE else f"{limit}: {grade}"
        )
    return ("what", "above it “usable but”, if nothing else is said"), [
        (thing, "; ".join(several)) for thing, several in rows.items()
    ]


def sources_of_limits(rig):
    """Where the limits come from, in words."""
    return "; ".join(dict.fromkeys(source for *_, source in camera_verdict.limit_rows()))


def gains_in_words(rig):
    """The conversion gains of the three cameras, in a sentence."""
    named = {name: camera_verdict.table_rows(drawings.judged(name).measurement)[0] for name in drawings.FOLDERS}
    gains = ", ".join(f"{value.removesuffix(_PER_DN)} ({name})" for name, (_, _, value) in named.items())
    return f"Conversion gain: {gains} electrons per DN."


def limits_in_words(rig):
    """The limits that matter most, in a sentence."""
    one = camera_verdict.LIMITS
    return (
        f"*Usable but* begins at {one['noise usable'].value:g} times the read noise that the maker claims, *defective* "
        f"at {one['noise defective'].value:g} times, and nothing is called a fault on less than "
        f"{one['sure'].value:g} standard errors. These and all other limits stand under More."
    )


def split_of_noise(rig):
    """Head and rows: noise of single pixels, rows and columns of the three cameras."""
    found = [(name, drawings.judged(name).measurement) for name in drawings.FOLDERS]
    rows = [(name, str(m.pixel_noise), str(m.row_noise), str(m.column_noise)) for name, m in found]
    return ("", "noise of single pixels", "shared by rows", "shared by columns"), rows


def measured_rows(rig):
    """The measurement of camera 2: head, and the first rows of the table that every check ends with."""
    named = camera_verdict.table_rows(drawings.judged("camera 2").measurement)
    rows = [
        (f"{name} ({standard})" if standard and standard != name else name, value) for name, standard, value in named
    ]
    return ("what (name in EMVA 1288)", "camera 2"), rows[:6]


def why_at_least(rig):
    """Why the full well is only known from below, in words; nothing where it is known."""
    transfer = drawings.judged("camera 2").measurement.photon_transfer
    if not transfer.saturation_is_limit:
        return ""
    return "“At least”: none of its flats was overexposed, so its pixels may hold more than the brightest of them had."


STRIPES = r"""
A pattern that *stays* goes when a dark is subtracted; stripes that change don't. The noise splits into single pixels,
rows and columns (an *analysis of variance*; EMVA 1288 splits fixed patterns so):

{split}

All pixels of a star in one column move its centre together, so noise that columns share enters $2\sqrt{{\pi}}\,\sigma$
times in the variance, with $\sigma$ the star's width in pixels: **{weight:.1f} times** for your star, which is
{wide:.1f} pixels wide (FWHM); sideways only.
"""


def bad_pixels_in_words(rig):
    """How many single pixels that stand out are usual, and how many camera 2 has."""
    bad, camera = drawings.judged("camera 2").measurement.bad_pixels, rig.guide_camera
    small, whole = (
        camera_verdict.usual_bad_pixels(shape) for shape in ((bad.pixels, 1), (camera.columns, camera.rows))
    )
    return (
        f"Camera 2 has {len(bad.hot)} hot and {len(bad.telegraph)} telegraph pixels of {bad.pixels:,}; up to "
        f"{small['hot']} and {small['telegraph']} are usual. On your whole guide sensor up to {whole['hot']:,} and "
        f"{whole['telegraph']:,} would be (common practice, no source)."
    )


def shared_noise(rig):
    """How much more stripes weigh than grain, in numbers of the rig."""
    setting = view(rig)
    scale = setting.pixel_scale / rig.guide_camera.binning
    return costs.shared_noise_weight(setting.fwhm, scale), (setting.fwhm / scale).to_value(u.pix)


@dataclass(frozen=True)
class Step:
    """A step of taking the frames: frames, exposure [s], minutes of work besides (common practice, no source)."""

    name: str
    frames: int
    exposure: float
    work: float
    how: str

    @property
    def minutes(self):
        """Exposures and work, full minutes."""
        return int(np.ceil(self.frames * self.exposure / 60 + self.work))


STEPS = (
    Step(
        "settings; let the camera run",
        0,
        0,
        35,
        "Gain setting, offset and binning as when you guide; raw frames with the most steps from dark to "
        "bright (the highest bit depth); all processing off. Half an hour of warming up.",
    ),
    Step("16 bias", 16, 0.001, 8, "Lid on, aluminium foil around it, a dark room. Shortest exposure."),
    Step("8 darks of 10 s", 8, 10, 1, "The same, longer."),
    Step("8 darks of 60 s", 8, 60, 1, "The same, longer still."),
    Step(
        "flats: 2 each at 6 levels or more",
        12,
        1,
        18,
        "No lens, or the telescope. Two sheets of white paper a hand's breadth in front, then a white screen at full "
        "brightness (dimmed ones flicker). Change the exposure, not the light: from a tenth of the largest number to "
        "nine tenths. Longer than 1/10 s; if too bright, more paper.",
    ),
    Step(
        "2 flats that are overexposed",
        2,
        2,
        2,
        "They tell the full well.",
    ),
    Step(
        "sort into folders and check",
        0,
        0,
        8,
        "Folders bias, dark, flat inside one folder; the exposure stands in the header (EXPTIME).",
    ),
)


def table_of_frames(rig):
    """Head and rows: what to take, and how long it takes the first time."""
    rows = [(step.name, step.how, str(step.minutes)) for step in STEPS]
    total = sum(step.minutes for step in STEPS)
    return ("step", "how, with things at home", "minutes"), [*rows, ("in all, the first time", "", str(total))]


def claim_fields(rig):
    """Fields: what the camera should have."""
    camera = rig.guide_camera
    unknown = "Leave it: your rig's value. Then believe the measurement more than the verdict on it."
    return [
        {
            "key": "read_noise",
            "label": "read noise, as the maker or seller says",
            "unit": "electron",
            "value": float(camera.read_noise.value),
            "typical": "0.7 to 4",
            "if_unknown": unknown,
            "check": _positive,
        },
        {
            "key": "dark_current",
            "label": "dark current, as the maker or seller says",
            "unit": "electron/s",
            "value": float(camera.dark_current.value),
            "typical": "0.002 to 0.5, at room temperature",
            "if_unknown": "Leave it too.",
            "check": _positive,
        },
    ]


def _positive(value):
    if not value > 0:
        raise ValueError(f"expected a number above 0, found {value:g}")
    return ""


def claims_reply(rig):
    """What the form of claims answers."""

    def reply(answers):
        for value in answers.values():
            _positive(value)
        return (
            f"Your frames will be held against {answers['read_noise']:g} electrons and {answers['dark_current']:g} "
            "electrons a second. Now pick them below."
        )

    return reply


def camera_folder(path):
    """The folder with all frames of a camera, from the path of one of them."""
    folder = Path(path).resolve().parent
    single_kind = any(word in folder.name.lower() for word in _KIND_FOLDERS)
    return folder.parent if single_kind else folder


def check_reply(rig, numbers, claims):
    """What is said about the reader's own frames; `claims` is the form of claims."""

    def read(paths):
        paths = [Path(path) for path in paths]
        files = camera_folder(paths[0]) if len(paths) == 1 else paths
        answers = claims.answers
        for value in answers.values():
            _positive(value)
        found = camera_verdict.check_files(
            files, answers["read_noise"] * u.electron, answers["dark_current"] * u.electron / u.s
        )
        lines = [found.text]
        if found.measurement is not None:
            lines += _cost_in_words(rig, numbers, found.measurement)
            lines += [f"{name}: {value}" for name, _, value in camera_verdict.table_rows(found.measurement)]
        return "\n".join(lines)

    return read


def _cost_in_words(rig, numbers, m):
    """What a measured camera costs in this rig's guiding: lines of text."""
    if not m.in_electrons:
        return []
    noise = costs.CameraNoise(*(part.value for part in (m.pixel_noise, m.row_noise, m.column_noise)))
    own, faint = drawings.own_stars(rig, numbers), drawings.faint_star(rig, numbers)
    said = []
    one = drawings.one_faint(rig, numbers)
    for text, stars in ((drawings.named_stars(numbers.stars), own), (f"one star of magnitude {faint:.1f}", one)):
        healthy, now = (drawings.case(rig, numbers, stars, camera) for camera in (None, noise))
        said.append(f"{text}: {drawings.compared(now, healthy)}")
    lines = [f"Instead of the read noise in your rig, {'; '.join(said)}."]
    if m.glow is not None:
        cost = drawings.glow_cost(rig, faint, m.glow)
        lines.append(
            f"Its glow would pull a star of magnitude {faint:.1f} by up to {cost.pull.value:.3f} arcsec, always the "
            f"same way, and raise the error of its centre from {cost.without.value:.3f} to {cost.with_it.value:.3f}."
        )
    usual = camera_verdict.usual_bad_pixels((m.bad_pixels.pixels, 1))
    lines.append(
        f"Usual on a sensor of this size: up to {usual['hot']:,} hot, {usual['cold']:,} cold, {usual['telegraph']:,} "
        "telegraph pixels."
    )
    return lines


def card(rig, numbers):
    """The three texts of the card: number, meaning, what to do."""
    own, one = _telling(rig, numbers)
    limit = camera_verdict.LIMITS["noise defective"].value * rig.guide_camera.read_noise
    number = (
        f"Healthy or not: unknown until your own frames are checked (section 7). {own.value:.0f} electrons of read "
        f"noise would raise your log by a tenth on {drawings.named_stars(numbers.stars)}; {one.value:.1f} on one faint "
        "star."
    )
    if own > limit:
        meaning = (
            f"From {limit.value:.1f} electrons on the check calls your camera defective. On stars like yours that "
            "would not show: they have light enough."
        )
        action = "Check it once, with the lid on and with flats (section 7). Nothing more for read noise's sake."
        return number, meaning, action
    meaning = (
        f"From {limit.value:.1f} electrons on the check calls your camera defective, and your log would show it: your "
        "guiding lives on little light."
    )
    return number, meaning, "Take the frames of section 7 on a cloudy evening, and let the check judge them."
