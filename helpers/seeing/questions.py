"""Guesses, exercises, form and card of workbook 04; each answer is computed for the rig it is asked of."""

import astropy.units as u
import numpy as np

from helpers import ledger as ledgers
from helpers import pixel_scale, seeing
from helpers.classroom import guesses
from helpers.classroom.exercises import Question
from helpers.error_budget.predict import predict
from helpers.seeing import drawings
from helpers.starlight.widths import detected_wavelength, picture_star_fwhm

_SIGMA = 2.3548  # FWHM of a Gaussian in units of its rms
_TIMES = [0.5, 1, 2, 4] * u.s
PICTURE = 550 * u.nm  # colour of the picture, as in every workbook


def _air(rig):
    return seeing.atmosphere_for(rig.site)


def _guide_width(rig, air):
    """Width of a star behind the guide optics."""
    optics = rig.guide_optics
    colour = detected_wavelength(rig)
    return seeing.spot_fwhm(optics.aperture, air, colour, obstruction=optics.central_obstruction)


def wander_in_the_film(rig):
    """How far the middle of the filmed star strays, in widths of the star."""
    width = _guide_width(rig, _air(rig))
    wander = drawings.film(rig).wander
    options = {"as far as the star is wide": 1, "a quarter of its width": 0.25, "a thirtieth of its width": 1 / 30}
    return guesses.choices(
        "04.film",
        "At the right all instants are added, and the white line is the way of the middle. How far does it usually "
        "stray, up "
        "and down or left and right, from its mean place?",
        options,
        float(wander / width),
        f"It strays {wander.value:.2f} arcsec (rms on each axis), {float(wander / width):.0%} of the {width.value:.1f} "
        "arcsec that the star is wide in a long picture. The white track looks larger than that because the eye "
        "follows its farthest points; most of the time the cross is nearer. (These are a few seconds; over a whole "
        f"night it strays {seeing.image_motion(rig.guide_optics.aperture, _air(rig)).value:.2f}.)",
    )


def larger_aperture(rig):
    """What ten times the aperture takes off the wander at an instant."""
    air = drawings.instant_air(rig.site.seeing, rig.site.outer_scale)
    small, large = seeing.image_motion([50, 500] * u.mm, air)
    averaged = seeing.image_motion([50, 500] * u.mm, _air(rig), 1 * u.s)
    return guesses.choices(
        "04.aperture",
        "Take an aperture of 500 mm instead of 50 mm, ten times larger. What is left of the wander?",
        {"a tenth": 0.1, "a half or so": 0.55, "nearly all of it": 0.95},
        float(large / small),
        f"It falls from {small.value:.2f} to {large.value:.2f} arcsec, by {1 - float(large / small):.0%}. A "
        "larger aperture averages over the waves of warm and cool air that are smaller than itself; what is left comes "
        "from wider ones. After an exposure of 1 s in your site's wind the aperture matters even less: "
        f"{averaged[0].value:.2f} behind 50 mm, "
        f"{averaged[1].value:.2f} behind 500 mm.",
    )


def doubled_exposure(rig):
    """What is left of the wander when the exposure goes from 1 s to 2 s."""
    one, two = seeing.image_motion(rig.guide_optics.aperture, _air(rig), [1, 2] * u.s)
    slow = _slowest(rig, 2 * u.s)
    return guesses.choices(
        "04.exposure",
        "You expose 2 s instead of 1 s. What is left of the wander that 1 s had left?",
        {"a half": 0.5, "three quarters": 0.75, "all of it": 1},
        float(two / one),
        f"{two.value:.2f} arcsec instead of {one.value:.2f}. An exposure averages over the air that blows past "
        "meanwhile, and only what is smaller than that stretch averages out. Fast air far up goes first; "
        f"most of what stays comes from the layer at {slow.height.value:,.0f} m, where the wind is "
        f"{slow.wind_speed.value:.0f} m/s.",
    )


def _slowest(rig, exposure):
    """The layer that leaves most."""
    parts = seeing.motion_by_layer(rig.guide_optics.aperture, _air(rig), exposure)
    return _air(rig).layers[int(np.argmax(parts))]


def lower_star(rig):
    """Exercise: width of a star at airmass 2."""
    right = seeing.seeing_fwhm(seeing.fried_parameter(2 * u.arcsec, airmass=2))
    return Question(
        "04.1",
        "Overhead, stars are 2.0 arcsec wide. How wide is a star at airmass 2, that is 30 degrees above the horizon? "
        "(The "
        "width grows as airmass to the power 0.6; leave the outer scale aside.)",
        right,
        unit=u.arcsec,
        percent=2,
        mistakes=(
            (4 * u.arcsec, "twice the air does not mean twice the width: the power is 0.6."),
            (2 * 2**0.3 * u.arcsec, "that is the power 0.3; the width grows with the power 0.6."),
            (2 * 2**-0.6 * u.arcsec, "more air makes stars wider, not narrower."),
        ),
        hint="2 to the power 0.6 is a little more than the root of 2, which is 2 to the power 0.5: 1.41.",
        solution=f"2 to the power 0.6 is {2**0.6:.2f}; times 2.0 arcsec is {right.value:.2f} arcsec.",
    )


def longer_exposure(rig):
    """Exercise: how long to expose for a given wander, to be read from the panel."""
    aperture, air = rig.guide_optics.aperture, _air(rig)
    wanted = round(float(seeing.image_motion(aperture, air, 1.7 * u.s).value), 2) * u.arcsec
    right = seeing.exposure_for_motion(aperture, air, wanted)
    both = seeing.exposure_for_motion(aperture, air, wanted / 2**0.5)
    straight = float(seeing.image_motion(aperture, air, 1 * u.s) / wanted) * u.s
    return Question(
        "04.2",
        f"How long must you expose behind your guide optics until the air leaves {wanted.value:.2f} arcsec rms on "
        f"each axis? "
        "Find it with the panel of section 2, with your own layers of air.",
        right,
        unit=u.s,
        percent=8,
        mistakes=(
            (both, f"that leaves {wanted.value:.2f} arcsec in total; it is asked for each axis."),
            (
                straight,
                "the wander does not fall in proportion to the exposure: a doubling takes off far less than half.",
            ),
        ),
        hint="Move the exposure until the sentence under the picture names that number.",
        solution=f"{right.value:.2g} s. An instant leaves {seeing.image_motion(aperture, air).value:.2f} arcsec.",
    )


def width_in_the_picture(rig):
    """Exercise: does a longer guide exposure make the stars of the main picture narrower?"""
    return Question(
        "04.3",
        "You change the guide exposure from 1 s to 4 s. What happens to the width that the seeing gives the stars in "
        "your "
        "main picture of three minutes?",
        "nothing",
        options=("it halves", "nothing", "it becomes a quarter smaller"),
        mistakes=(
            ("it halves", "the guide exposure averages the measured wander, not the light in the main picture."),
            ("it becomes a quarter smaller", "that is closer to what happens to the wander in the guide camera."),
        ),
        hint="How long does the main camera collect light?",
        solution="The main picture adds up three minutes of moving air whatever the guide camera does. The guide "
        "exposure only decides how much of the air is taken for an error of the mount.",
    )


def own_number(rig):
    """The reader's number of this workbook, in words."""
    exposure, aperture = rig.guiding.exposure, rig.guide_optics.aperture
    instant, one, two = (seeing.image_motion(aperture, _air(rig), k * exposure).value for k in (0, 1, 2))
    return (
        f"At an instant the air alone moves your star by {instant:.2f} arcsec rms on each axis. An exposure of "
        f"{exposure.value:g} s leaves {one:.2f} arcsec on each axis, {2**0.5 * one:.2f} in total (both axes together); "
        f"one of {2 * exposure.value:g} s leaves {two:.2f} on each."
    )


def still_mount(rig):
    """What the own number means where nothing but the air moves a star, in words."""
    return (
        "Even if the mount stood perfectly still, the log (the list of errors that the guide camera measures) would "
        "show this, and yet the picture is as sharp as the air allows. What the loop leaves, "
        f"{ledgers.ledger(rig).pointing_rms.value:.2f} in the strip (both axes), is another thing: how far the mount "
        "itself misses."
    )


def width_in_numbers(rig):
    """The formulas of the width for the reader's site, in words."""
    r0, outer_scale = seeing.fried_parameter(rig.site.seeing), rig.site.outer_scale
    return (
        f"Seeing in the formula: {rig.site.seeing.value:.2f} arcsec. Then the Fried parameter is "
        f"{r0.to_value(u.cm):.1f} cm, and with an outer scale of {outer_scale.value:.0f} m a star overhead is "
        f"{_large_width(rig).value:.2f} arcsec wide in a large telescope."
    )


def _large_width(rig):
    """Width of a star overhead in green light, with the outer scale of the site, behind an aperture without end."""
    return seeing.seeing_fwhm(seeing.fried_parameter(rig.site.seeing), outer_scale=rig.site.outer_scale)


def width_is_not_wander(rig):
    """What the seeing says about guiding, in words."""
    exposure, aperture, air = rig.guiding.exposure, rig.guide_optics.aperture, _air(rig)
    wide, kept = _guide_width(rig, air).value, seeing.image_motion(aperture, air, exposure).value
    return (
        f"Width is not wander. At your site a star is {wide:.2f} arcsec wide behind your guide optics; averaged over "
        f"{exposure.value:g} s its middle strays {kept:.2f} arcsec rms on each axis. Like with like: a spot that did "
        f"nothing but wander so would be {_SIGMA * kept:.1f} arcsec wide (FWHM: {_SIGMA:.2f} times its rms)."
    )


def table_of_exposures(rig):
    """Head and rows: what the air does overhead and low, for several exposures."""
    views, aperture = [_air(rig), seeing.at_airmass(_air(rig), 2)], rig.guide_optics.aperture
    rows = [("wander at an instant, one-axis rms", [seeing.image_motion(aperture, view) for view in views])]
    rows += [(f"left after {t.value:g} s", [seeing.image_motion(aperture, view, t) for view in views]) for t in _TIMES]
    head = ("in arcsec", "overhead", "at airmass 2, 30 degrees high")
    return head, [(label, *(f"{number.value:.2f}" for number in numbers)) for label, numbers in rows]


def table_of_widths(rig):
    """Head and rows: the widths of one star, from the seeing that sites quote to the picture."""
    star, found = picture_star_fwhm(rig), predict(rig)
    on_pixels = pixel_scale.blurred_fwhm(star, 0 * u.arcsec, pixel_scale.compare_scales(rig).main_scale)
    colour = f"{detected_wavelength(rig).value:.0f} nm, the light that your guide camera sees"
    rows = [
        ("seeing overhead, as sites quote it: 500 nm, a very large telescope", rig.site.seeing),
        (f"with the largest eddies of {rig.site.outer_scale.value:.0f} m, the outer scale", _large_width(rig)),
        (f"behind your guide optics ({rig.guide_optics.aperture:g}), at {colour}", _guide_width(rig, _air(rig))),
        (f"behind your main telescope ({rig.telescope.aperture:g}), at {PICTURE.value:.0f} nm", star),
        ("on the pixels of your main camera too, as in 01_pixel_scale", on_pixels),
        (
            f"without pixels, at your target's height (airmass {found.airmass:.2f})",
            found.picture_terms["air and diffraction"],
        ),
        ("with what guiding leaves, and shake too fast for guiding: the last number of the strip", found.final_fwhm),
    ]
    return ("one star", "FWHM [arcsec]"), [(name, f"{width.value:.2f}") for name, width in rows]


def redder(rig):
    """What colour and aperture do to the width behind the guide optics, in words."""
    guide, colour = rig.guide_optics, detected_wavelength(rig)
    green = seeing.spot_fwhm(guide.aperture, _air(rig), PICTURE, obstruction=guide.central_obstruction)
    first, last = ("narrower", "wider") if colour > PICTURE else ("wider", "narrower")
    return (
        f"{'Redder' if colour > PICTURE else 'Bluer'} light makes stars a little {first} by the air, and {last} by the "
        "opening of the telescope (diffraction; the smaller, the more). Behind your guide optics both together make "
        f"{_guide_width(rig, _air(rig)).value:.2f} arcsec at {colour.value:.0f} nm, {green.value:.2f} at "
        f"{PICTURE.value:.0f} nm."
    )


def table_of_layers(rig):
    """Head and rows: the reader's layers and what each does to the wander."""
    air, aperture, exposure = _air(rig), rig.guide_optics.aperture, rig.guiding.exposure
    instant, left = (seeing.motion_by_layer(aperture, air, t).value for t in (0 * u.s, exposure))
    head = (
        "height [m]",
        "share of the turbulence",
        "wind [m/s]",
        "at an instant [arcsec]",
        f"after {exposure.value:g} s",
    )
    rows = [
        (f"{layer.height.value:,.0f}", f"{layer.fraction:.0%}", f"{layer.wind_speed.value:.0f}", f"{a:.2f}", f"{b:.2f}")
        for layer, a, b in zip(air.layers, instant, left, strict=True)
    ]
    return head, rows


def air_fields(rig):
    """Fields of the form "what would it be if"."""
    site = rig.site
    at_once = {"section": "air", "folded": False, "choices": None}
    return [
        at_once
        | {
            "key": "seeing",
            "label": "seeing overhead",
            "unit": "arcsec",
            "value": float(site.seeing.value),
            "typical": "2 to 4 in a valley, 1 to 2 on a good site",
            "if_unknown": "Take the FWHM of the stars in a short, well focused picture high in the sky; focus, "
            "optics and guiding make it larger, the outer scale smaller (common practice, no source).",
        },
        at_once
        | {
            "key": "exposure",
            "label": "guide exposure",
            "unit": "s",
            "value": float(rig.guiding.exposure.value),
            "typical": "1 to 4",
        },
        at_once
        | {
            "key": "airmass",
            "label": "airmass",
            "unit": "",
            "value": 1.0,
            "typical": "1 overhead, 1.4 at 45 degrees, 2 at 30 degrees above the horizon",
        },
        at_once
        | {
            "key": "layers",
            "label": "layers of air",
            "unit": "",
            "value": site.atmosphere,
            "choices": tuple(seeing.ATMOSPHERES),
            "if_unknown": "Leave it. A forecast of the wind near 10 km height tells a jet-stream night (above 30 m/s); "
            "the outer scale is not known for most sites, 20 m is a fair guess.",
        },
    ]


def air_reply(rig):
    """What the form answers: a function of its answers."""

    def reply(answers):
        layers = seeing.ATMOSPHERES[answers["layers"]].layers
        air = seeing.Atmosphere(answers["seeing"] * u.arcsec, rig.site.outer_scale, layers)
        air = seeing.at_airmass(air, answers["airmass"])
        exposure, aperture = answers["exposure"] * u.s, rig.guide_optics.aperture
        left = seeing.image_motion(aperture, air, exposure).value
        return (
            f"A star is {_guide_width(rig, air).value:.2f} arcsec wide behind your guide optics. In "
            f"exposures of "
            f"{exposure.value:g} s the air leaves {left:.2f} arcsec rms on each axis, {2**0.5 * left:.2f} in total."
        )

    return reply


def card(rig):
    """The three texts of the card: number, meaning, what to do."""
    found, exposure = drawings.balance(rig), rig.guiding.exposure.value
    best, air = found.exposures[found.best], _air(rig)
    now, least = (np.interp(t, found.exposures, found.both) for t in (exposure, best))
    left = seeing.image_motion(rig.guide_optics.aperture, air, exposure * u.s).value
    by_air = left >= np.interp(exposure, found.exposures, found.mount)
    meaning = (
        "An error of this size in your log is air, not the mount; correcting it harder would only chase the air."
        if by_air
        else "At this exposure the mount moves the star farther than the air: most of what you see can be corrected."
    )
    action = (
        f"Nothing. {exposure:g} s is as good as any exposure for this air and this mount, to a fifth."
        if now <= 1.2 * least
        else f"Nothing: leave {exposure:g} s until workbook 07, which tells whether a picture shows the difference. "
        f"(With the mount's own motion the star moves {now:.2f} arcsec on the axis that the worm moves, and would "
        f"move least, {least:.2f}, near {best:g} s.)"
    )
    return f"{left:.2f} arcsec rms on each axis: the air in one exposure of {exposure:g} s.", meaning, action
