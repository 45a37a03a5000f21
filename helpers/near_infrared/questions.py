"""Guesses, exercises, form and card of workbook 06; each answer is computed for the rig it is asked of."""

from dataclasses import replace

import astropy.units as u
import numpy as np

from helpers import near_infrared, seeing
from helpers import rig as rigs
from helpers.classroom import guesses
from helpers.classroom.exercises import Question
from helpers.guide_field.usable import USUAL_MAGNITUDES
from helpers.near_infrared import drawings
from helpers.near_infrared.drawings import ALTITUDE, FILTERED, GREEN, PLAIN_STAR, RED, SLICES, airmass_at, percent
from helpers.starlight import SPECTRAL_CLASSES, WAVELENGTHS, detected_spectrum
from helpers.starlight.spectra import SHARES_THAT_COUNT, filter_transmission
from helpers.starlight.view import view

_BRIGHT = 0  # magnitude of a star whose own light makes all the noise
_WORTH_TAKING_OFF, _WORTH_BUYING = 0.01, 0.05  # gains of one measurement below which a filter stays as it is


def _how(rig):
    return {"magnitude": drawings.own_star(rig), "spectral_class": PLAIN_STAR, "airmass": airmass_at(ALTITUDE)}


def _spot_factor(rig, of="spot", width=None):
    """Width at 850 nm over that at 550 nm, in the site's own seeing or in another."""
    optics, site = rig.guide_optics, seeing.atmosphere_for(rig.site)
    air = seeing.Atmosphere(rig.site.seeing if width is None else width, rig.site.outer_scale, site.layers)
    how = (optics.aperture, air, airmass_at(ALTITUDE), optics.central_obstruction)
    return near_infrared.wavelength_gain(of, GREEN, RED, *how)


def calm_seeing(rig):
    """The seeing of a night much calmer than the site's usual one."""
    return max(drawings.CALMEST, np.round(0.4 * rig.site.seeing, 1))


def calm_night(rig):
    """How wide the star is at 850 nm when the air is calm, and diffraction counts for more."""
    calm, aperture = calm_seeing(rig), rig.guide_optics.aperture
    usual, factor, air = _spot_factor(rig), _spot_factor(rig, width=calm), _spot_factor(rig, "fwhm", calm)
    return guesses.choices(
        "06.calm",
        f"In your usual seeing of {rig.site.seeing.value:.1f} arcsec overhead, behind your "
        f"{aperture.to_value(u.mm):.0f} mm, a star {ALTITUDE.value:.0f} degrees above the horizon is {percent(usual)} "
        f"in the near infrared (850 nm) than in green (550 nm). One night the air is calm: {calm.value:.1f} arcsec. "
        "What is the star in the near infrared then, against green?",
        {"a tenth narrower": 0.9, "about as wide": 1.0, "a quarter wider": 1.25, "half as wide again": 1.5},
        factor,
        f"{percent(factor).capitalize()}. By the air alone it would be {percent(air)}; the telescope's diffraction, "
        f"which grows with the wavelength, takes back {'part of that' if factor < 1 else 'all of that and more'}. The "
        "calmer the air, the more of the width is diffraction. How far the star wanders is the same in both colours.",
    )


def long_pass(rig):
    """What a long-pass filter does to the error of the centre."""
    table = near_infrared.light_against_width(drawings.bare(rig), FILTERED, **_how(rig))
    factor = float(table[1]["centroid"])
    slices = near_infrared.light_against_width(drawings.bare(rig), SLICES, **_how(rig))
    said = drawings.in_words(table)
    return guesses.choices(
        "06.long-pass",
        "A long-pass filter keeps only light beyond 700 nm. What does it do to the error of the star's centre on your "
        "camera?",
        {"makes it a third smaller": 0.67, "hardly anything": 1.0, "makes it a third larger": 1.33, "doubles it": 2.0},
        factor,
        f"{said[0].upper()}{said[1:]} Slice against slice, near infrared "
        f"against green, the error is {float(slices[1]['centroid']):.2f} times as large; but the filter does not trade "
        "slice for slice. It gives away all the visible for what was there anyway.",
    )


def beyond_width(rig, bands):
    """What changes beside the width in its part of the error of the centre: by the star's shape, by what lies under it.

    Two factors. A star so bright that all noise is its own light shows the first.
    """
    own, bright = (
        near_infrared.light_against_width(drawings.bare(rig), bands, **(_how(rig) | {"magnitude": magnitude}))[-1]
        for magnitude in (drawings.own_star(rig), _BRIGHT)
    )
    first = near_infrared.light_against_width(drawings.bare(rig), bands, **_how(rig))[0]
    width = float(own["spot"] / first["spot"])
    return float(bright["width_alone"]) / width, float(own["width_alone"] / bright["width_alone"])


def sky_kept(rig):
    """Share of the sky's light that a long-pass filter lets through, as the guide camera counts it."""
    plain = drawings.bare(rig)
    filtered = rigs.changed(plain, {"guide_optics.filter": "long-pass"})
    through, whole = (view(one, airmass=airmass_at(ALTITUDE)).sky for one in (filtered, plain))
    return float(through / whole)


def width_is_not_all(rig):
    """Why the error does not go as the width alone, in words."""
    (shape, below), (filtered_shape, filtered_below) = (beyond_width(rig, bands) for bands in (SLICES, FILTERED))
    return (
        "Why is the error of the first row not just as the width? The star's shape changes too (error "
        f"× {shape:.2f} above, × {filtered_shape:.2f} below), and so do sky and read noise under it (× {below:.2f} and "
        f"× {filtered_below:.2f}: the filter takes {1 - sky_kept(rig):.0%} of the sky as well). {pays_for_light(rig)}"
    ).strip()


def pays_for_light(rig):
    """How much more than by its own light alone the reader's star gains or loses in the row of the light, in words."""
    said = []
    for bands in (SLICES, FILTERED):
        first, last = near_infrared.light_against_width(drawings.bare(rig), bands, **_how(rig))
        by_rule = float(first["electrons"] / last["electrons"]) ** 0.5
        said.append((f"{by_rule:.2f}", f"{float(last['light_alone']):.2f}"))
    if all(rule == found for rule, found in said):
        return ""
    (rule, found), (filtered_rule, filtered_found) = said
    return (
        f"The brightest star that your field usually holds ({drawings.own_star(rig):.1f}) is faint already: sky and "
        f"read noise count beside its own light. So the light makes its error × {found} and × {filtered_found}; a "
        f"bright star's would be × {rule} and × {filtered_rule} here."
    )


def _with_and_without(rig):
    """The reader's star without filter, and behind one that takes the near infrared away."""
    return [near_infrared.guide_star(rig, name, **_how(rig)) for name in ("none", "infrared-blocking")]


def without_near_infrared(rig):
    """One measurement without the near infrared over one with it, less 1; a plain number, above 0 where it is worse."""
    whole, blocked = _with_and_without(rig)
    return float(blocked.error / whole.error) - 1


def _changed(share):
    return f"{abs(share):.1%} {'worse' if share > 0 else 'better'}"


def without_it(rig):
    """How much worse one measurement is without the near infrared."""
    part, (whole, blocked) = without_near_infrared(rig), _with_and_without(rig)
    return guesses.choices(
        "06.part",
        f"Your star of magnitude {drawings.own_star(rig):.1f}. An infrared-blocking filter takes all of the near "
        "infrared away. How far off is one measurement then, air included?",
        {"the same within 5%": 0.0, "a third farther": 0.33, "twice as far": 1.0},
        part,
        f"It gets {_changed(part)}. The centre alone is known to {blocked.centroid.value:.3f} instead of "
        f"{whole.centroid.value:.3f} arcsec, but {ALTITUDE.value:.0f} degrees above the horizon the air moves the star "
        f"by {whole.wander.value:.2f} in every colour, and squares are added.",
    )


def own_number(rig):
    """The reader's number of this workbook, in words."""
    whole, _ = _with_and_without(rig)
    return (
        f"Without the near infrared one measurement of your star (magnitude {drawings.own_star(rig):.1f}, "
        f"{ALTITUDE.value:.0f} degrees above the horizon) would be {_changed(without_near_infrared(rig))}. "
        f"{float(whole.wander / whole.error) ** 2:.0%} of its error (in squares) is air, the same in all colours."
    )


def table_of_cameras(rig):
    """Head and rows: the reader's guide camera and those of the demo rigs."""
    head = ("guide camera", "kind", "read noise [electron]", *SHARES_THAT_COUNT)
    rows = []
    for name, seen in drawings.with_cameras(rig).items():
        camera = seen.guide_camera
        kind = "colour, with dyes" if camera.mosaic else "monochrome, without"
        shares = [f"{share:.0%}" for share in (camera.peak_quantum_efficiency, camera.quantum_efficiency_850)]
        rows.append((name, kind, f"{camera.read_noise.value:g}", *shares))
    return head, rows


def table_of_light(rig):
    """Head and rows: share of the electrons that come from beyond 700 nm, by camera and star."""
    redder = WAVELENGTHS > 700 * u.nm
    rows = []
    for name, seen in drawings.with_cameras(rig).items():
        spectra = [detected_spectrum(seen, 12, star, 1.3)[0] for star in drawings.STARS.values()]
        rows.append((name, *(f"{float(light[redder].sum() / light.sum()):.0%}" for light in spectra)))
    return ("guide camera", *drawings.STARS), rows


def filter_passes(rig):
    """What the long-pass filter itself takes of the light beyond 700 nm, in words."""
    return f"The long-pass filter of section 2 lets {filter_transmission('long-pass', RED):.0%} of this share through."


def colours_in_numbers(rig):
    """What air does to width, bending and light, in words."""
    endless = near_infrared.wavelength_gain(
        "fwhm",
        GREEN,
        RED,
        1 * u.m,
        seeing.Atmosphere(rig.site.seeing, np.inf * u.m, seeing.atmosphere_for(rig.site).layers),
    )
    calm = calm_seeing(rig)
    return (
        f"From 550 to 850 nm the first law makes a star {percent(endless)}; with the outer scale of your site "
        f"({rig.site.outer_scale.value:.0f} m) it is {percent(_spot_factor(rig, 'fwhm'))}, and in the calm night of "
        f"section 1 ({calm.value:.1f} arcsec) {percent(_spot_factor(rig, 'fwhm', calm))}. Air bends the near infrared "
        f"{_bends_less(rig):.1%} less than green, so its wander is smaller by as little: that is left out here."
    )


def _bends_less(rig):
    """How much less the air of the site bends the near infrared than green: a plain share."""
    bends = near_infrared.refractivity([550, 850] * u.nm, *near_infrared.standard_air(rig.site.height), 0.5)
    return float(1 - bends[1] / bends[0])


def low_in_the_sky(rig):
    """Smear and lost light 30 degrees above the horizon, in words."""
    plain, airmass = drawings.bare(rig), airmass_at(30 * u.deg)
    green, red = (near_infrared.guide_star(plain, band, 8, PLAIN_STAR, airmass) for band in SLICES.values())
    return (
        f"30 degrees above the horizon a star is drawn out, as a width, by {green.smear.value:.2f} arcsec in green "
        f"(500 to 600 nm) and by {red.smear.value:.2f} in the near infrared (800 to 900 nm); {green.transmission:.0%} "
        f"and {red.transmission:.0%} of the light arrive. The star itself is {green.spot.value:.1f} arcsec wide "
        f"there in green and {red.spot.value:.1f} in the near infrared; beside that the smear counts little."
    )


_HOURS = np.arange(-4, 4.01, 0.25) * u.hourangle


def table_of_drift(rig):
    """Head and rows: drift of a blue picture that is guided in the near infrared."""
    guided = replace(rig, guide_optics=replace(rig.guide_optics, filter="long-pass"))
    latitude, exposure = rig.site.latitude, rig.guiding.picture_exposure
    rows = []
    for away in (0, 30, 60):
        declination = latitude - np.copysign(away, latitude.value) * u.deg
        up, _ = near_infrared.zenith_direction(_HOURS, declination, latitude)
        hours = _HOURS[up < 70 * u.deg]
        if hours.size < 2:
            continue
        drift = near_infrared.picture_drift(guided, 450 * u.nm, hours, declination).value
        fastest = np.hypot(*np.diff(drift, axis=0).T).max() / (15 * 60) * exposure.to_value(u.s)
        span = f"{hours[0].value:+.1f} to {hours[-1].value:+.1f}"
        rows.append((f"{declination.value:.0f}", span, f"{np.hypot(*drift.T).max():.2f}", f"{fastest:.3f}"))
    head = (
        "declination [deg]",
        "hours from the meridian",
        "drift in that time [arcsec]",
        f"most in one picture of {exposure.to_value(u.min):.0f} min [arcsec]",
    )
    return head, rows


def narrow_is_not_calm(rig):
    """The near infrared and the seeing, in words."""
    factor = _spot_factor(rig)
    return (
        f"Behind your optics the spot at 850 nm is {percent(factor)}. Guiding does not ask how wide the spot is but "
        "where its middle is, and the middle wanders alike in all colours: a cell of warm air bends them all the "
        "same way."
    )


def long_pass_in_numbers(rig):
    """What a long-pass filter does on a bright and a faint star, in words."""
    plain, star = drawings.bare(rig), drawings.own_star(rig)
    said = []
    for magnitude in (star - 3, star):
        none, passed = (
            near_infrared.guide_star(plain, name, **(_how(rig) | {"magnitude": magnitude}))
            for name in ("none", "long-pass")
        )
        said.append(
            f"magnitude {magnitude:.1f}: centre {none.centroid.value:.4f} arcsec without and "
            f"{passed.centroid.value:.4f} with it, one measurement {float(passed.error / none.error) - 1:+.1%}"
        )
    return (
        f"It takes light away, and gives none. On your camera, {'; '.join(said)}. The figures of sections 2 and 3 show "
        "both."
    )


def diffraction_width(rig):
    """Exercise: width by diffraction at 850 nm."""
    right = seeing.diffraction_fwhm(60 * u.mm, RED)
    first_dark = 1.22 * (RED / (60 * u.mm)).to_value(u.one) * u.rad
    return Question(
        "06.1",
        "How wide (FWHM) does diffraction alone make a star at 850 nm behind a guide telescope of 60 mm? (1.029 x "
        "wavelength / aperture is an angle in radian; one radian is 206,265 arcsec.)",
        right,
        unit=u.arcsec,
        percent=3,
        mistakes=(
            (seeing.diffraction_fwhm(60 * u.mm, GREEN), "that is the width in green light; take 850 nm."),
            (first_dark.to(u.arcsec), "1.22 goes with the radius of the first dark ring; the width has 1.029."),
        ),
        hint="850 nm is 0.00085 mm. Divide by 60 mm, then times 1.029 and 206,265.",
        solution=f"1.029 x 0.00085 / 60 x 206,265 = {right.value:.2f} arcsec: wider than good seeing.",
    )


def wander_in_colour(rig):
    """Exercise: does the wander change with colour?"""
    return Question(
        "06.2",
        "You change the guide camera from green to near infrared light, nothing else. What happens to the star's "
        "wander?",
        "it stays as it is",
        options=("it shrinks, as the width by the air does", "it stays as it is", "it grows, as diffraction does"),
        mistakes=(
            ("it shrinks, as the width by the air does", "width and wander are two things; only the width shrinks."),
            ("it grows, as diffraction does", "diffraction widens the star evenly; it does not move its middle."),
        ),
        hint="A wedge of warm air: does it push green and near infrared light by different angles?",
        solution=f"Air bends both colours equally to {_bends_less(rig):.0%}, so the star's middle moves by the same "
        "angle.",
    )


def small_beside_large(rig):
    """Exercise: what a worse centre does beside the air."""
    air, before, after = 0.24, 0.03, 0.04
    right = 100 * (np.hypot(air, after) / np.hypot(air, before) - 1)
    straight = 100 * ((air + after) / (air + before) - 1)
    return Question(
        "06.3",
        f"A filter raises the error of the centre from {before} to {after} arcsec. The air overhead leaves {air} "
        "arcsec. By how many per cent does the error of one measurement, both together, grow? (Square both, add, take "
        "the root.)",
        right,
        percent=15,
        mistakes=(
            (100 * (after / before - 1), "that is the centre alone; the air is in every measurement."),
            (straight, "errors that know nothing of each other add by their squares, not straight."),
        ),
        hint=f"Before: the root of {air}² + {before}². After: the root of {air}² + {after}².",
        solution=f"{np.hypot(air, before):.4f} becomes {np.hypot(air, after):.4f}: {right:.1f} per cent.",
    )


def star_fields(rig):
    """Fields of the form "another star, another night"."""
    return [
        {
            "key": "magnitude",
            "label": "magnitude of the guide star",
            "unit": "mag",
            "value": float(drawings.own_star(rig)),
            "typical": USUAL_MAGNITUDES,
            "if_unknown": "Leave it: the brightest that your field usually holds.",
        },
        {
            "key": "colour",
            "label": "class of the star",
            "unit": "",
            "value": PLAIN_STAR,
            "choices": tuple(SPECTRAL_CLASSES),
            "if_unknown": "Leave K0: most field stars are near it.",
        },
        {
            "key": "altitude",
            "label": "height of the star above the horizon",
            "unit": "deg",
            "value": float(ALTITUDE.value),
        },
        {
            "key": "seeing",
            "label": "seeing overhead",
            "unit": "arcsec",
            "value": float(rig.site.seeing.value),
            "typical": "2 to 4 in a valley, 1 to 2 on a good site",
        },
    ]


def star_reply(rig):
    """What the form answers: a function of its answers."""

    def reply(answers):
        if not 10 <= answers["altitude"] <= 90:
            raise ValueError(f"height of the star: expected 10 to 90 degrees, found {answers['altitude']:g}")
        here = rigs.changed(rig, {"site.seeing": answers["seeing"] * u.arcsec})
        airmass = airmass_at(answers["altitude"] * u.deg)
        stars = near_infrared.compare_filters(here, answers["magnitude"], answers["colour"], airmass)
        none = stars["none"].error
        lines = [
            f"{name}: centre {star.centroid.value:.3f} arcsec, one measurement {star.error.value:.3f} "
            f"({float(star.error / none) - 1:+.1%})"
            if star.measurable
            else f"{name}: the star drowns in noise"
            for name, star in stars.items()
        ]
        return "Best first.\n" + "\n".join(lines) + f"\n{_advice(here, stars)}"

    return reply


def _advice(rig, stars):
    """Whether to change the filter: one sentence."""
    now, best = rig.guide_optics.filter, next(iter(stars))
    off, gain = (1 - float(stars[name].error / stars[now].error) for name in ("none", best))
    if off >= _WORTH_TAKING_OFF:
        return f"Take the {now} filter off the guide camera: one measurement gets better by {off:.0%}."
    if gain >= _WORTH_BUYING:
        return f"Try the {best} filter on the guide camera (now: {now}): one measurement gets better by {gain:.0%}."
    return f"Nothing: leave the filter as it is (now: {now})."


def card(rig):
    """The three texts of the card: number, meaning, what to do."""
    part, star = without_near_infrared(rig), drawings.own_star(rig)
    stars = near_infrared.compare_filters(rig, **_how(rig))
    passed = float(stars["long-pass"].error / stars["none"].error) - 1
    whole = stars["none"]
    number = f"{_changed(part)}: one measurement without the near infrared, on your star of magnitude {star:.1f}."
    decides = "Something else decides:" if whole.wander > whole.centroid else "The star is faint here:"
    meaning = (
        f"{decides} {ALTITUDE.value:.0f} degrees above the horizon the air leaves {whole.wander.value:.2f} arcsec in "
        f"every colour, the centre is known to {whole.centroid.value:.2f}. A long-pass filter instead of none makes "
        f"one measurement {_changed(passed)}."
    )
    return number, meaning, _advice(rig, stars)
