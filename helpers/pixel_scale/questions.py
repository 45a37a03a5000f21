"""Guesses, exercises, form and card of workbook 01; each answer is computed for the rig it is asked of."""

import astropy.units as u
import numpy as np

from helpers import pixel_scale as pixels
from helpers import seeing
from helpers.classroom import guesses
from helpers.classroom.exercises import Question
from helpers.pixel_scale.drawings import ELECTRONS, WIDENING
from helpers.rig.values import changed
from helpers.shared.optics import FWHM_PER_SIGMA
from helpers.starlight.view import view

ENOUGH = 3  # times finer than the picture notices: then measuring adds but a twentieth, see `enough`


def _check(rig, electrons=ELECTRONS, widening=WIDENING):
    return pixels.compare_scales(rig, electrons, widening)


def _air(rig):
    """What the air does to a guide star in one exposure, one-axis rms."""
    return seeing.image_motion(rig.guide_optics.aperture, seeing.atmosphere_for(rig.site), rig.guiding.exposure)


def _by_colours(rig, check, electrons=ELECTRONS):
    """How far a colour mosaic shifts the measured centre, one-axis rms, where that undoes the verdict; else None."""
    seen = view(rig)
    shift = seen.signal(2.5 * np.log10(seen.zero_point.value / electrons.value)).sampling_floor
    matters = seen.star_shares is not None and shift > check.seen and ENOUGH * shift > check.noticed
    return shift if matters else None


def _colours_in_words(rig, check, electrons=ELECTRONS):
    shift = _by_colours(rig, check, electrons)
    if shift is None:
        return ""
    return (
        f"the colour mosaic, through which a star {check.guide_star_pixels:.1f} pixels wide is found {shift.value:.2f} "
        "arcsec rms beside its place, "
    )


def longer_or_smaller(rig):
    """What lets a pixel see less sky."""
    camera, optics = rig.guide_camera, rig.guide_optics
    now = pixels.pixel_scale(camera.pixel_size, optics.focal_length, camera.binning)
    longer = pixels.pixel_scale(camera.pixel_size, 2 * optics.focal_length, camera.binning)
    right = "both do just the same"
    return guesses.choices(
        "01.scale",
        "You may double the focal length in front of your guide camera, or take pixels of half the size, as many as "
        "now. Which of the two lets a pixel see less sky?",
        ("the longer focal length", "the smaller pixels", right),
        right,
        f"Both do just the same: {longer.value:.2f} arcsec instead of {now.value:.2f}, and the field becomes half as "
        "wide. Only pixel size over focal length counts. The light of a star changes with neither: that is a matter of "
        "the aperture, the width of lens or mirror.",
    )


def small_movement(rig):
    """How much a movement of a tenth of its width widens a star."""
    star = _check(rig).recorded_fwhm
    wider = float(pixels.blurred_fwhm(star, star / 10) / star - 1)
    alone = FWHM_PER_SIGMA / 10
    allowed = _check(rig).noticed.value
    return guesses.choices(
        "01.widening",
        f"A star in your picture is {star.value:.1f} arcsec wide. While it is taken it moves by a tenth of that, "
        f"{star.value / 10:.2f} arcsec rms on each axis. How much wider does it become in the picture?",
        {"a quarter wider": 0.25, "a tenth wider": 0.10, "less than a twentieth wider": 0.03},
        wider,
        f"By {wider:.1%} only. An rms is turned into a width by {FWHM_PER_SIGMA:.2f}: here {alone:.3f} of the star's. "
        f"Then square both widths, add, take the root: √(1² + {alone:.3f}²) = {1 + wider:.3f}. So small "
        f"movements are cheap, large ones dear: to widen the star by {WIDENING:.0%} it takes {allowed:.2f} arcsec rms "
        "on each axis.",
    )


def four_times_the_light(rig):
    """What four times the light does to the error of a centre."""
    check, more = _check(rig), _check(rig, 4 * ELECTRONS)
    right = "to a half"
    return guesses.choices(
        "01.light",
        "A star four times as bright: how much narrower gets the heap of its measured centres?",
        ("to a quarter", right, "not at all: the pixels stay as they are"),
        right,
        f"To a half: in the long run from {check.by_light.value:.3f} to {more.by_light.value:.3f} arcsec rms. The "
        "centre is a mean over all electrons, and a mean of four times as many is known twice as well. What light does "
        "not cure is the shift that coarse pixels make; it begins when a pixel is nearly as wide as the star.",
    )


def two_scales(rig):
    """The reader's first numbers, in words."""
    check = _check(rig)
    return (
        f"A pixel of your main camera sees {check.main_scale.value:.2f} arcsec of the sky, a pixel of your guide "
        f"camera {check.guide_scale.value:.2f}. In the guide camera a star is {check.guide_fwhm.value:.1f} arcsec "
        f"wide, that is {check.guide_star_pixels:.1f} pixels. In your picture, of other light and on other pixels, it "
        f"is {check.recorded_fwhm.value:.1f}."
    )


def why_five_percent(rig):
    """Why a star may grow by 5 per cent, in words; the same for every rig."""
    sky, others = (1 + WIDENING) ** 2 - 1, (0.02, 0.10)
    here = _check(rig).noticed.value
    other = [_check(rig, widening=share).noticed.value for share in others]
    return (
        f"Why {WIDENING:.0%}? It is a choice. A star {WIDENING:.0%} wider lies on {sky:.0%} more sky, so faint things "
        f"need {sky:.0%} more time; and few people see it, even with both pictures side by side (common practice, no "
        f"source). Whoever is stricter takes {others[0]:.0%}: {other[0]:.2f} arcsec instead of {here:.2f}; whoever is "
        f"easier {others[1]:.0%}: {other[1]:.2f}."
    )


def enough(rig):
    """Why three times finer is enough, in words; the same for every rig."""
    added = np.hypot(1, 1 / ENOUGH) - 1
    return (
        f"How much finer is fine enough? An error that is {ENOUGH} times smaller than another adds only {added:.0%} "
        f"to it. So {ENOUGH} times will do for a camera, and more gains nothing."
    )


def own_number(rig):
    """The reader's number of this workbook, in words."""
    check, measured = _check(rig), _measured(rig)
    return (
        f"{'Yes' if measured < check.noticed else 'No'}: your picture notices {check.noticed.value:.2f} arcsec, and "
        f"with a star of {ELECTRONS.value:,.0f} electrons your guide camera sees {measured.value:.3f}, "
        f"{float(check.noticed / measured):.2g} times finer."
    )


def without_air(rig):
    """What makes the error of the own number, and that the air is not in it, in words."""
    check, air, measured = _check(rig), _air(rig), _measured(rig)
    rest = np.sqrt(np.maximum(measured**2 - check.seen**2, 0 * u.arcsec**2))
    larger = (
        "it is larger than your camera's error"
        if air > measured
        else "it is smaller than your camera's error here, but other stars have more light"
    )
    return (
        f"The {measured.value:.3f} are without air, for one picture: {check.seen.value:.3f} by the star's own light "
        f"and the pixels, {rest.value:.3f} by {_colours_in_words(rig, check)}the sky and the noise of the camera "
        "(02_starlight), and because the light of real stars reaches farther out than the drawn one's. Errors "
        "that don't hang together add so: "
        f"square both, add, take the root, √({check.seen.value:.3f}² + {rest.value:.3f}²). In one exposure the air "
        f"moves the star by {air.value:.2f} arcsec; {larger}, and no camera can do anything about it."
    )


def _magnitude(rig):
    """Gaia G of the star whose light the pictures show."""
    return 2.5 * np.log10(view(rig).zero_point.value / ELECTRONS.value)


def _measured(rig):
    """Error of the centre of that star with all that disturbs, as 02 tells it; Quantity [arcsec]."""
    return view(rig).signal(_magnitude(rig)).centroid_error


def the_same_magnitude(rig):
    """Which star gives the light of the pictures, in words."""
    return (
        f"{ELECTRONS.value:,.0f} electrons is what a star of magnitude {_magnitude(rig):.1f} gives your guide "
        f"camera in {rig.guiding.exposure.value:g} s; star lists give magnitudes (larger is fainter; 02_starlight "
        "calculates it)."
    )


def by_hand(rig):
    """One centroid worked out by hand, in words; the same for every rig."""
    light, place = np.array([20, 240, 510, 200, 30]), np.arange(5)
    middle = pixels.centroid(np.array([light])).value[0]
    terms = " + ".join(f"{n} x {x}" for n, x in zip(light, place, strict=True))
    return f"({terms}) / {light.sum()} = {middle:.2f} pixels from the middle of the first one."


def less_than_a_pixel(rig):
    """What a small movement does to the light of the brightest pixels, in words."""
    check = _check(rig)
    moved = (check.noticed / check.guide_scale).value
    half = int(4 * check.guide_star_pixels) + 4
    centre = half + np.array([[0, 0], [moved, 0]])
    before, after = pixels.star_image(centre * u.pix, check.guide_star_pixels * u.pix, (2 * half + 1,) * 2)
    sums = [image.value.sum(axis=0) for image in (before, after)]
    left, right = ((sums[1][half + k] / sums[0][half + k] - 1) for k in (-1, 1))
    alike = " (Not alike, because the star is steeper farther from its middle.)" if abs(left) > 1.2 * abs(right) else ""
    return (
        f"What your picture just notices, {check.noticed.value:.2f} arcsec, is {moved:.2f} of a guide pixel. It "
        f"changes "
        f"the light in the column left of the star's middle by {left:+.0%}, right of it by {right:+.0%}. That change "
        f"is the signal; the star need not cross into another pixel.{alike}"
    )


def table_of_guide_optics(rig):
    """Head and rows: guide optics under one and the same star, 500 electrons behind 50 mm."""
    camera, site, rows = rig.guide_camera, rig.site, []
    for aperture, focal in ((50, 200), (50, 400), (100, 400), (100, 800)):
        light = 500 * u.electron * (aperture / 50) ** 2
        scale = pixels.pixel_scale(camera.pixel_size, focal * u.mm, camera.binning)
        star = pixels.spot_width(site.seeing, aperture * u.mm, outer_scale=site.outer_scale)
        error = np.hypot(pixels.centroid_limit(star, light, scale), pixels.inside_pixel_error(star, scale))
        wide = (star / scale).value
        rows.append((f"{aperture} mm, {focal} mm", f"{light.value:,.0f}", f"{wide:.1f}", f"{error.value:.3f}"))
    return ("aperture, focal length", "electrons", "star [pixels]", "error [arcsec]"), rows


def longer_or_wider(rig):
    """What the table of guide optics says of twice the focal length and of twice the aperture."""
    rows = table_of_guide_optics(rig)[1]
    small, small_long, wide, _ = (float(row[-1]) for row in rows)
    by_length, by_light = 1 - small_long / small, 1 - wide / small_long
    counts = "it is light that counts." if by_length < by_light else "on pixels as coarse as yours both count."
    return (
        f"Twice the focal length takes {by_length:.0%} off the first row's error, twice the aperture {by_light:.0%} "
        f"off the second's: {counts} (At 400 mm the star is {rows[1][2]} pixels wide behind 50 mm, {rows[2][2]} "
        "behind 100: light bends at the rim of an opening, more at a small one. Section 5 tells of it.)"
    )


def joined_pixels(rig):
    """Exercise: scale of binned pixels; the same for every rig."""
    size, focal = 2.4 * u.um, 300 * u.mm
    right, single, four = (pixels.pixel_scale(size, focal, n) * u.pix for n in (2, 1, 4))
    return Question(
        "01.1",
        "Pixels of 2.4 micrometres are added up 2 x 2 to larger ones (binned), behind a focal length of 300 mm. How "
        "many arcsec of sky does such a larger pixel see? (A pixel sees 206.265 x its side in micrometres / focal "
        "length in mm.)",
        right,
        unit=u.arcsec,
        percent=2,
        mistakes=(
            (single, "that is one pixel by itself; two of them side by side become one."),
            (four, "2 x 2 joins four pixels, but the side counts: two pixels."),
        ),
        hint="The side of a joined pixel is 4.8 micrometres.",
        solution=f"206.265 x 4.8 / 300 = {right.value:.2f} arcsec.",
    )


def star_of_a_log(rig):
    """Exercise: width of a star from a total error; the same for every rig."""
    star, total = 2 * u.arcsec, 0.7 * u.arcsec
    one = total / np.sqrt(2)
    right = pixels.blurred_fwhm(star, one)
    return Question(
        "01.2",
        "The air makes stars 2.0 arcsec wide. Your log, the list of errors that the guide camera measured, shows 0.7 "
        "arcsec rms, both axes together and alike; take all of it for movement of the telescope. How wide is a star in "
        "the picture (fine pixels)? An rms becomes "
        "a width when multiplied by 2.3548; widths add by their squares.",
        right,
        unit=u.arcsec,
        percent=1,
        mistakes=(
            (pixels.blurred_fwhm(star, total), "0.7 arcsec is the total of both axes; one axis has 1.41 times less."),
            (np.hypot(star, one), "an rms must be turned into a width first: times 2.3548."),
            (star + total, "widths add by squares, not plainly."),
        ),
        hint="One axis: 0.7 / 1.414. Times 2.3548. Add its square to the square of 2.0, and take the root.",
        solution=f"One axis {one.value:.3f}, as a width {FWHM_PER_SIGMA * one.value:.2f}; root of 2.0² + "
        f"{FWHM_PER_SIGMA * one.value:.2f}² = {right.value:.2f} arcsec.",
    )


def _coarse(electrons, scale):
    """Error in arcsec of a star 3.4 arcsec wide."""
    star, scale = 3.4 * u.arcsec, scale * u.arcsec / u.pix
    limit = pixels.centroid_limit(star, electrons * u.electron, scale)
    return float(np.hypot(limit, pixels.inside_pixel_error(star, scale)).value)


def best_change(rig):
    """Exercise: what makes a centre more precise; the same for every rig."""
    errors = {
        "twice the focal length, same aperture": _coarse(500, 1.55),
        "pixels of a third of the size": _coarse(500, 3.1 / 3),
        "four times the light": _coarse(2000, 3.1),
    }
    right = min(errors, key=errors.get)
    longer, smaller, light = errors
    return Question(
        "01.3",
        "A guide star of 500 electrons is 3.4 arcsec wide, on pixels of 3.1 arcsec. Which single change makes its "
        "centre most precise?",
        right,
        options=tuple(errors),
        mistakes=(
            (longer, "the star's light is cut up more finely, but there is no more of it."),
            (smaller, "finer pixels, but no more light; and the pixels are not yet wider than the star."),
        ),
        hint="Look at the last figure: at pixels as wide as the star, how far apart are the curves, how steep are "
        "they?",
        solution=f"Now {_coarse(500, 3.1):.3f} arcsec. Twice the focal length: {errors[longer]:.3f}. Pixels of a "
        f"third: "
        f"{errors[smaller]:.3f}. Four times the light: {errors[light]:.3f}. Finer pixels win only where pixels are "
        f"clearly wider than the star: on pixels of 6.2 arcsec the error is {_coarse(500, 6.2):.2f}, and four "
        f"times the "
        f"light makes it {_coarse(2000, 6.2):.2f}.",
    )


def try_fields(rig):
    """Fields of the form "what would it be if"."""
    camera, optics, check = rig.guide_camera, rig.guide_optics, _check(rig)
    return [
        {
            "key": "electrons",
            "label": "light of the guide star",
            "unit": "electron",
            "value": float(ELECTRONS.value),
            "typical": "200 for a faint one, 20000 for a bright one",
            "if_unknown": "Leave it; 02_starlight calculates it from the star's magnitude.",
        },
        {
            "key": "wider",
            "label": "a star may grow by",
            "unit": "%",
            "value": 100 * WIDENING,
            "typical": "2 for the strict, 5, 10 for the easy",
        },
        {
            "key": "size",
            "label": "guide camera: pixel size",
            "unit": "um",
            "value": float(camera.pixel_size.value),
            "typical": "2 to 6; the data sheet tells",
        },
        {
            "key": "focal",
            "label": "focal length in front of the guide camera",
            "unit": "mm",
            "value": float(optics.focal_length.value),
            "typical": "that of the telescope for a pick-off, 120 to 400 for a guide telescope",
        },
        {
            "key": "binning",
            "label": "pixels joined along a side (binning)",
            "unit": "",
            "value": camera.binning,
            "typical": f"1; at 1 your star is {check.guide_star_pixels * camera.binning:.1f} pixels wide",
        },
    ]


def try_reply(rig):
    """What the form answers: a function of its answers."""

    def reply(answers):
        tried = changed(
            rig,
            {
                "guide_camera.pixel_size": answers["size"] * u.um,
                "guide_optics.focal_length": answers["focal"] * u.mm,
                "guide_camera.binning": answers["binning"],
            },
        )
        electrons = answers["electrons"] * u.electron
        check = _check(tried, electrons, answers["wider"] / 100)
        colours = _colours_in_words(tried, check, electrons).strip(" ,")
        left_out = f" Left out is {colours}." if colours else ""
        return (
            f"A guide pixel sees {check.guide_scale.value:.2f} arcsec, a star is {check.guide_star_pixels:.1f} pixels "
            f"wide. The picture notices {check.noticed.value:.2f} arcsec, the guide camera sees {check.seen.value:.3f} "
            f"({check.by_light.value:.3f} by light, {check.inside_pixel.value:.3f} by the place inside a pixel): "
            f"{check.margin:.1f} times finer.{left_out}\n"
            f"{_advice(check, _by_colours(tried, check, electrons))}"
        )

    return reply


def _advice(check, by_colours=None):
    """One recommendation."""
    if by_colours is not None:
        return "Even out the colours: 02_starlight shows what does it on your rig, and at which price."
    if check.margin >= ENOUGH:
        return "Nothing: pixels and focal length are fine enough; whatever limits your guiding, it is not this."
    if check.inside_pixel > check.by_light:
        return "Finer pixels: undo binning, or take a longer focal length in front of the guide camera."
    return "More light: a brighter guide star, a longer guide exposure, or a larger aperture. Finer pixels hardly help."


def bending(rig):
    """What flexure adds, in words; empty without any."""
    bend = (rig.guide_optics.flexure * rig.guiding.picture_exposure).to(u.arcsec)
    rms, notices = bend / np.sqrt(12), _check(rig).noticed  # of a steady drift of that length
    if bend == 0 * u.arcsec:
        return ""
    return (
        f" What no pixel sees: guide and main telescope bend against each other by {bend.value:.2f} arcsec in one "
        f"picture, an rms of {rms.value:.2f} against the {notices.value:.2f} that show."
    )


def card(rig):
    """The three texts of the card: number, meaning, what to do."""
    check, air, measured = _check(rig), _air(rig), _measured(rig)
    by_colours = _by_colours(rig, check)
    number = (
        f"{float(check.noticed / measured):.2g} times: your guide camera sees {measured.value:.3f} arcsec, your "
        "picture "
        f"notices {check.noticed.value:.2f} (both rms on each axis, a star of {ELECTRONS.value:,.0f} electrons, "
        "no air)."
    )
    if by_colours is not None:
        meaning = f"What limits your camera is {_colours_in_words(rig, check).strip(' ,')}"
    elif check.margin >= ENOUGH:
        meaning = "Pixels and focal length don't limit your guiding"
    else:
        meaning = "Your guide camera measures hardly finer than your picture shows"
    meaning += (
        f"; the air, {air.value:.2f} arcsec in one exposure, is {float(air / measured):.0f} times the camera's error."
        if air >= 1.5 * measured
        else f"; the air, {air.value:.2f} arcsec in one exposure, comes on top."
    )
    return number, meaning + bending(rig), _advice(check, by_colours)
