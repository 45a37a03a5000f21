"""Guesses, exercises, forms and card of workbook 02; each answer is computed for the rig it is asked of."""

from itertools import pairwise

import astropy.units as u
import numpy as np

from helpers import rig as rigs
from helpers import starlight
from helpers.classroom import guesses
from helpers.classroom.exercises import Question
from helpers.rig.parts import FILTERS
from helpers.shared import files
from helpers.starlight import drawings, spectra

_HARMFUL = ("the dyes of a colour camera", "a city sky", "an infrared-blocking filter")
_HARMLESS = 0.2  # magnitudes; less is not worth a screwdriver
_COARSE = 0.05 * u.arcsec  # sampling floor, one axis, that a reader should know of


def still_star(rig):
    """How far the measured centres of a star that stands still lie from its place, in widths of the star."""
    magnitude = drawings.example_star(rig)
    signal = starlight.view(rig).signal(magnitude)
    share = float(signal.noise_error / signal.fwhm)
    return guesses.choices(
        "02.still",
        f"A faint star, magnitude {magnitude:g} (larger is fainter), is {signal.fwhm.value:.1f} arcsec wide and stands "
        "perfectly still. How far beside its true place does the camera find its centre?",
        {"as far as the star is wide": 1, "a quarter of its width": 0.25, "a twentieth of its width, or less": 0.05},
        share,
        f"Usually {signal.noise_error.value:.2f} arcsec on each axis, 1/{1 / share:.0f} of its width: the mean of "
        f"{signal.electrons.value:,.0f} electrons is known far better than the place of one. But guiding can't tell "
        "this dance from a movement of the mount, and would follow it.",
    )


def _steps(rig, magnitude):
    """What each change multiplies a star's error by: read noise, sensor, dyes, sky, blocking filter, long-pass."""
    errors = [float(signal.centroid_error.value) for signal in drawings.one_by_one(rig, magnitude)[0]]
    factors = [after / before for before, after in pairwise(errors[:6])]
    return [*factors, errors[6] / errors[4]]


def costliest_change(rig):
    """Which change costs a faint star most."""
    magnitude = drawings.example_star(rig)
    reading, sensor, *costs, long_pass = _steps(rig, magnitude)
    worst, (dyes, sky, blocking) = _HARMFUL[int(np.argmax(costs))], costs
    return guesses.choices(
        "02.bars",
        f"Two changes make the camera better. Which of the others harms a star of magnitude {magnitude:g} most?",
        _HARMFUL,
        worst,
        f"It is {worst}. The error is multiplied by {reading:.2f} by low read noise, {sensor:.2f} by the better "
        "sensor, "
        f"{dyes:.2f} by the dyes, {sky:.2f} by the city sky, {blocking:.2f} by the blocking filter ({long_pass:.2f} by "
        "a long-pass).",
    )


def coarse_pixels(rig):
    """What pixels as wide as the star do to a bright star, behind dyes."""
    magnitude, (low, _, size) = drawings.bright_star(rig), drawings.pixel_sizes(rig)
    fine, coarse = (drawings.of_pixel(rig, value, True) for value in (3 * low, size))
    before, after = (view.signal(magnitude).centroid_error for view in (fine, coarse))
    wide, narrow = (drawings.pixels_wide(view) for view in (fine, coarse))
    return guesses.choices(
        "02.pixels",
        f"Behind your optics, one colour camera has pixels so fine that a star is {wide:.1f} of them wide; another has "
        f"larger ones, and a star is {narrow:.1f} wide. What becomes of the error of a bright star?",
        {"it stays, as the telescope gathers the light": 1, "it doubles or more": 3, "it is halved": 0.5},
        float(after / before),
        f"It is multiplied by {float(after / before):.1f}, from {before.value:.3f} to {after.value:.3f} arcsec, though "
        "the light is the same: a star on so few pixels, of different colours, is found a little beside its place.",
    )


def fainter_star(rig):
    """Exercise: magnitudes are no plain factors."""
    return Question(
        "02.1",
        "A star of magnitude 9 gives 100,000 electrons. How many does one of magnitude 14 give, with the same "
        "exposure?",
        1e5 * 10 ** (-0.4 * (14 - 9)),
        u.electron,
        percent=2,
        mistakes=(
            (1e5 / 5, "magnitudes are no plain factors: five of them are a factor of a hundred."),
            (1e7, "a larger magnitude is a fainter star."),
            (1e5 / 2.512, "that is one magnitude fainter, not five."),
        ),
        hint="Five magnitudes are a factor of one hundred.",
        solution="100,000 / 100 is 1,000 electrons.",
    )


def four_times_the_light(rig):
    """Exercise: the centre error of a star whose own light is the only noise."""
    before = 0.04 * u.arcsec
    return Question(
        "02.2",
        f"A bright star's centre is known to {before.value:g} arcsec; its own light is the only noise. How well is it "
        "known with four times the exposure?",
        before
        * starlight.signal_to_noise(1 * u.electron, 0 * u.electron / u.pix, 1, 0 * u.electron)
        / starlight.signal_to_noise(4 * u.electron, 0 * u.electron / u.pix, 1, 0 * u.electron),
        u.arcsec,
        percent=3,
        mistakes=(
            (before / 4, "four times the light makes twice the noise as well: the error falls with the root."),
            (before, "more light does help, as long as pixels are not coarse."),
            (before * 2, "more light makes the error smaller."),
        ),
        hint="N portions of light come give or take the root of N.",
        solution="The error falls with the root of the light: 0.04 / 2 is 0.02 arcsec.",
    )


def full_pixel(rig):
    """Exercise: what helps when the brightest pixel is full."""
    options = ("a higher gain", "a shorter exposure", "adding up four such exposures")
    return Question(
        "02.3",
        "The brightest pixel of your only guide star is full. What makes its centre trustworthy again?",
        options[1],
        options=options,
        mistakes=(
            (options[0], "a higher gain makes a pixel full sooner: see the table of settings."),
            (options[2], "what is cut off in each stays cut off in the sum."),
        ),
        hint="A pixel holds only so many electrons. What decides how many arrive before it is read?",
        solution="A shorter exposure: fewer electrons arrive. The star is bright, so its centre stays well known.",
    )


def table_of_cameras(rig):
    """Head and rows: what the invented cameras A and B are."""
    cameras, (best, near_infrared) = drawings.demo_cameras(), spectra.SHARES_THAT_COUNT
    rows = [
        ("in front of the pixels", *("dyes" if c.mosaic else "nothing" for c in cameras)),
        ("read noise [electrons]", *(f"{c.read_noise.value:g}" for c in cameras)),
        (best, *(f"{c.peak_quantum_efficiency:.0%}" for c in cameras)),
        (near_infrared, *(f"{c.quantum_efficiency_850:.0%}" for c in cameras)),
        ("dark current [electrons a second]", *(f"{c.dark_current.value:g}" for c in cameras)),
        ("a pixel holds [electrons]", *(f"{c.full_well.value:,.0f}" for c in cameras)),
    ]
    return ("invented guide camera", "A, older", "B, newer"), rows


def two_cameras(rig):
    """What the bars leave of A against B, in words."""
    magnitude = drawings.example_star(rig)
    reading, sensor, dyes, *_ = _steps(rig, magnitude)
    both = reading * sensor * dyes
    visible = np.linspace(420, 680, 50) * u.nm
    through = np.mean(spectra.mosaic_transmission("mean", visible))
    return (
        f"At magnitude {magnitude:g} low read noise and the better sensor make the error {1 / (reading * sensor):.1f} "
        f"times smaller; the dyes, which pass {through:.0%} of the visible light, make it {dyes:.2f} times larger "
        f"again. In all B, the fourth bar, is {'better' if both < 1 else 'worse'} than A, the first: {both:.2f} times "
        "its error."
    )


def why_a_tenth(rig):
    """Why 0.1 arcsec is asked for, in words."""
    air, shows, wanted = drawings.air_of(rig), drawings.notices(rig), drawings.WANTED
    one, two = (np.hypot(air, times * wanted).value for times in (1, 2))
    return (
        f"Why {wanted.value:g} arcsec? Errors add in squares. In one exposure the air moves the star by "
        f"{air.value:.2f} "
        f"on each axis anyway; with {wanted.value:g} on top it is {one:.2f}, with twice that {two:.2f}. What shows in "
        f"your picture is {shows.value:.2f}."
    )


def hidden_by_noise(rig):
    """In how many exposures a faint star is found, in words."""
    view, magnitudes = starlight.view(rig), np.linspace(0, 25, 5001)
    ratios = view.signal(magnitudes).signal_to_noise
    four, six = (view.found(np.interp(-ratio, -ratios, magnitudes)) for ratio in (4, 6))
    return (
        f"A faint star is not found in every exposure: with a signal-to-noise ratio of 6 in {six[0] * 100:.0f} of 100, "
        f"with one of 4 in {four[0] * 100:.0f}, those in which noise happens to lift it. In those "
        f"{four[0] * 100:.0f} the centre of this fainter star is known to {four[1].value:.2f} arcsec; the others tell "
        "nothing."
    )


def _limits(rig):
    view = starlight.view(rig)
    return drawings.faintest(view), view.brightest(), view


def own_number(rig):
    """The reader's number of this workbook, in words."""
    limit, bright, view = _limits(rig)
    at = f"in exposures of {view.exposure.value:g} s, overhead"
    if limit is None:
        floor = view.signal(bright).sampling_floor.value
        return (
            f"No star's centre is known to 0.1 arcsec {at}: a star is {drawings.pixels_wide(view):.1f} pixels wide, "
            "and its "
            f"place among the pixels alone makes {floor:.2f} arcsec of error."
        )
    told = [round(magnitude, 1) for magnitude in (limit, bright)]  # the light is that of the magnitudes as told
    light = [f"about {float(f'{view.signal(m).electrons.value:.2g}'):,.0f} electrons" for m in told]
    lost = (
        f" The pick-off is counted in: {view.light_share:.0%} of the light pass it." if view.light_share < 0.995 else ""
    )
    return (
        f"Your faintest guide star, its centre known to 0.1 arcsec {at}: Gaia G {limit:.1f}, which gives {light[0]}. "
        f"Your brightest, before a pixel is full: {bright:.1f}, {light[1]} on all its pixels.{lost}"
    )


def _settings(rig):
    """Name and view of the rig as it is and with one setting changed."""
    binning, exposure = rig.guide_camera.binning, rig.guiding.exposure
    other = 2 if binning == 1 else 1
    changed = rigs.changed(rig, {"guide_camera.binning": other})
    return [
        ("as it is", starlight.view(rig)),
        (f"exposure {2 * exposure.value:g} s instead of {exposure.value:g} s", starlight.view(rig, 2 * exposure)),
        (f"binning {other} instead of {binning}", starlight.view(changed)),
        ("amplified four times as much", starlight.view(rig, gain=4)),
    ]


def table_of_settings(rig):
    """Head and rows: what exposure, binning and gain change for the reader's rig."""
    magnitude = drawings.example_star(rig)
    rows = []
    for name, view in _settings(rig):
        signal = view.signal(magnitude)
        # to 0.01, no finer than the limits tell it
        error = f"{signal.centroid_error.value:.2f}" if signal.measurable else "no star"
        rows.append((name, error, drawings.in_words(drawings.faintest(view)), f"{view.brightest():.1f}"))
    head = (
        "one setting changed",
        f"error at magnitude {magnitude:g} [arcsec]",
        "faintest star, 0.1 arcsec [G]",
        "brightest star [G]",
    )
    return head, rows


def place_of_the_star(rig):
    """What the sampling floor does on the reader's rig, in words."""
    view = starlight.view(rig)
    magnitude = drawings.example_star(rig)
    signal = view.signal(magnitude)
    moved = float((drawings.air_of(rig) / view.pixel_scale).to_value(u.pix))
    floor, noise = signal.sampling_floor.value, signal.noise_error.value
    wide = drawings.pixels_wide(view)
    shown = f"{floor:.3f}" if floor >= 0.0005 else "less than 0.001"
    start = f"On your rig a star is {wide:.1f} pixels wide; its place among them makes {shown} arcsec, "
    if floor < 0.1 * noise:
        return start + f"nothing beside the {noise:.3f} arcsec of noise of a star of magnitude {magnitude:g}."
    acts = "acts as noise" if moved > 0.5 else "changes slowly, as the star drifts"
    return start + (
        f"beside {noise:.3f} arcsec of noise of a star of magnitude {magnitude:g}. The air moves it by {moved:.2f} "
        f"pixels from one exposure to the next: the error {acts}."
    )


def _coarse_rig(rig):
    """The reader's rig if its pixels are coarse, else the demo's small guide telescope; and whose it is."""
    if starlight.view(rig).signal(drawings.example_star(rig)).sampling_floor > _COARSE:
        return rig, "your rig"
    return rigs.demo_rig("starter"), "the demo's small guide telescope"


def table_of_cures(rig):
    """Head and rows: cures of the error by coarse pixels, and what they cost."""
    coarse, whose = _coarse_rig(rig)
    magnitude, view = drawings.example_star(coarse), starlight.view(coarse)
    half = rigs.changed(coarse, {"guide_camera.pixel_size": coarse.guide_camera.pixel_size / 2})
    plain = rigs.changed(coarse, {"guide_camera.mosaic": False})
    cures = [
        ("as it is", view, ""),
        (
            "out of focus: the star twice as wide",
            starlight.view(coarse, fwhm=2 * view.fwhm),
            "noise: faint stars are lost",
        ),
        ("pixels half as large, or twice the focal length", starlight.view(half), "a quarter of the field"),
    ]
    if coarse.guide_camera.mosaic:
        binned = rigs.changed(coarse, {"guide_camera.binning": 2})
        cures.append(("binning 2: colours evened out", starlight.view(binned), "coarser still"))
        cures.append(("the same sensor without dyes", starlight.view(plain), "another camera"))
    rows = []
    for name, cured, price in cures:
        signal = cured.signal(magnitude)
        place = f"{signal.sampling_floor.value:.2f}" if signal.measurable else "no star"
        noise = f"{signal.noise_error.value:.2f}" if signal.measurable else "no star"
        rows.append((name, place, noise, price))
    return (f"{whose}, magnitude {magnitude:g}", "by place [arcsec]", "by noise [arcsec]", "price"), rows


def table_of_filters(rig):
    """Head and rows: both demo cameras behind the reader's optics and under the reader's sky, with each filter."""
    magnitude = drawings.example_star(rig)
    rows = []
    for name in FILTERS:
        cells = []
        for camera in drawings.demo_cameras():
            view = starlight.view(drawings.with_camera(rig, camera, filter_name=name))
            signal = view.signal(magnitude)
            error = f"{signal.centroid_error.value:.3f}" if signal.measurable else "no star"
            cells += [error, drawings.in_words(drawings.faintest(view))]
        rows.append((name, *cells))
    star = f"error at {magnitude:g} [arcsec]"
    return ("filter", f"A: {star}", "A: faintest [G]", f"B: {star}", "B: faintest [G]"), rows


def _better(error_a, error_b):
    """Which of two cameras has the smaller error, in words; none within 5 %."""
    if abs(error_a / error_b - 1) < 0.05:
        return "both cameras do equally well"
    return f"camera {'A' if error_a < error_b else 'B'} is better"


def filters_cost(rig):
    """What the filters do to both cameras, in words."""
    magnitude = drawings.example_star(rig)
    errors = {
        (k, name): float(
            starlight.view(drawings.with_camera(rig, camera, filter_name=name)).signal(magnitude).centroid_error.value
        )
        for k, camera in enumerate(drawings.demo_cameras())
        for name in FILTERS
    }
    verdicts = {name: _better(errors[0, name], errors[1, name]) for name in FILTERS}
    said = f"Without a filter {verdicts['none']}"
    said += "".join(f"; with the {name} one {verdicts[name]}" for name in FILTERS[1:])
    if all(error > errors[k, "none"] for (k, name), error in errors.items() if name != "none"):
        said += ". But each filter makes each camera worse than it is without"
    return (
        f"{said}. (Your sky: {rig.site.sky_brightness.value:g} magnitudes from each square arcsecond, larger is "
        f"darker. The last bars of section 1 have the city's, {drawings.CITY_SKY.value:g}.)"
    )


def larger_pixels_gather_nothing(rig):
    """The light of a star on small and large pixels, in words."""
    low, high, _ = drawings.pixel_sizes(rig)
    magnitude = drawings.bright_star(rig)
    small, large = (drawings.of_pixel(rig, size, False).signal(magnitude) for size in (2 * low, high))
    return (
        f"The telescope gathers it; pixels only divide it. A star of magnitude {magnitude:g} gives your camera, "
        f"without dyes, {small.electrons.value:,.0f} electrons on pixels of {2 * low:.1f} µm and "
        f"{large.electrons.value:,.0f} on pixels of {high:.1f} µm. A larger pixel looks brighter "
        f"({large.peak_fraction:.0%} full, not {small.peak_fraction:.0%}) because fewer share the star."
    )


def table_of_magnitudes(rig):
    """Head and rows: Gaia G from the visual magnitude, for some kinds of stars."""
    classes = {"F5": "white", "G2": "yellow, as the Sun", "K0": "orange", "K5": "deep orange", "M2": "red"}
    rows = [
        (name, colour, f"V {starlight.gaia_minus_visual(name):+.1f}".replace("-", "− "))
        for name, colour in classes.items()
    ]
    return ("spectral class", "colour", "Gaia G is about"), rows


def star_fields(rig):
    """Fields of the form "my star"."""
    magnitude = {
        "key": "magnitude",
        "label": "magnitude of the star",
        "unit": "",
        "value": drawings.example_star(rig),
        "typical": "6 to 15",
        "if_unknown": "See above.",
    }
    kind = {"key": "kind", "label": "which magnitude that is", "unit": "", "value": "Gaia G"}
    kind |= {"choices": ("Gaia G", "visual, V"), "if_unknown": "Mostly V."}
    colour = {"key": "star", "label": "spectral class", "unit": "", "value": "K0"}
    colour |= {"choices": tuple(starlight.SPECTRAL_CLASSES), "if_unknown": "K0 is a usual star."}
    exposure = {"key": "exposure", "label": "guide exposure", "unit": "s", "typical": "1 to 4"}
    exposure |= {"value": float(rig.guiding.exposure.value)}
    airmass = {"key": "airmass", "label": "airmass (how much air the light passes)", "unit": "", "value": 1.0}
    airmass |= {"typical": "1 overhead, 2 at 30 degrees high"}
    return [magnitude, kind, colour, exposure, airmass]


def star_reply(rig):
    """What the form answers: a function of its answers."""

    def reply(answers):
        shift = starlight.gaia_minus_visual(answers["star"]) if answers["kind"] != "Gaia G" else 0.0
        magnitude = answers["magnitude"] + shift
        view = starlight.view(
            rig, answers["exposure"] * u.s, airmass=answers["airmass"], spectral_class=answers["star"]
        )
        return _worth(view, magnitude)

    return reply


def _worth(view, magnitude):
    """A star's worth on a view, in words."""
    signal = view.signal(magnitude)
    light, ratio = signal.electrons.value, signal.signal_to_noise
    start = f"Gaia G {magnitude:.1f}: {light:,.0f} electrons, signal-to-noise {ratio:.1f}. "
    if not signal.measurable:
        return start + "Below 3 this is no star: noise makes such spots everywhere. Expose longer or take another."
    if signal.saturated:
        return start + f"Its brightest pixel is full; stars fainter than {view.brightest():.1f} are not cut off."
    share, error = view.found(magnitude)
    if share < drawings.SURELY_FOUND:
        return start + (
            f"Noise hides it at times: it is found in about {share * 100:.0f} of 100 exposures, and its centre is then "
            f"known to {error.value:.3f} arcsec on each axis. Expose longer or take another."
        )
    good = "good enough to guide on" if signal.centroid_error <= drawings.WANTED else "more than the 0.1 asked for here"
    return (
        start + f"Brightest pixel {signal.peak_fraction:.0%} full, centre known to {signal.centroid_error.value:.3f} "
        f"arcsec on each axis: {good}. (Light is foretold to about 0.3 magnitudes.)"
    )


def curve_reply(rig):
    """What the upload of the reader's own efficiency curve answers: a function of the files."""

    def reply(paths):
        units = {"wavelength": u.nm, "quantum_efficiency": u.dimensionless_unscaled}
        table = files.read_table(paths[0], units)
        curve = (table["wavelength"].quantity, np.asarray(table["quantum_efficiency"]))
        magnitude = drawings.example_star(rig)
        smooth, own = starlight.view(rig), starlight.view(rig, curve=curve)
        light = float(own.signal(magnitude).electrons / smooth.signal(magnitude).electrons)
        return (
            f"{len(table)} rows read. With your curve the sensor gets {light:.2f} times the light that the smooth "
            "curve of "
            f"your rig gives it. Faintest star: {drawings.in_words(drawings.faintest(own))} instead of "
            f"{drawings.in_words(drawings.faintest(smooth))}; brightest: {own.brightest():.1f} instead of "
            f"{smooth.brightest():.1f}."
        )

    return reply


def _gain_in_magnitudes(rig, changes):
    """How much fainter the faintest star gets by a change of the rig; None where there is none before."""
    before, after = (drawings.faintest(starlight.view(each)) for each in (rig, rigs.changed(rig, changes)))
    return None if before is None or after is None else after - before


def _cheap_cure(rig):
    """The best cure without new parts for a faint star on coarse pixels, in words; None if none helps."""
    view, magnitude = starlight.view(rig), drawings.example_star(rig)
    cures = {
        "Put the guide camera a little out of focus, until stars are twice as wide": starlight.view(
            rig, fwhm=2 * view.fwhm
        )
    }
    if rig.guide_camera.mosaic and rig.guide_camera.binning == 1:
        cures["Guide with binning 2"] = starlight.view(rigs.changed(rig, {"guide_camera.binning": 2}))
    errors = {name: cured.signal(magnitude).centroid_error.value for name, cured in cures.items()}
    best, now = min(errors, key=errors.get), view.signal(magnitude).centroid_error.value
    if errors[best] > 0.9 * now:
        return None
    return f"{best}: the error of a star of magnitude {magnitude:g} falls from {now:.2f} to {errors[best]:.2f} arcsec."


def _action(rig):
    """The one recommendation of the card."""
    limit, _, view = _limits(rig)
    coarse = limit is None or view.signal(drawings.example_star(rig)).sampling_floor > _COARSE
    cure = _cheap_cure(rig) if coarse else None
    if cure is not None:
        return cure
    for changes, text in (
        ({"guide_optics.filter": "none"}, "Take the filter in front of the guide sensor out"),
        ({"guide_camera.binning": 1}, "Guide without binning"),
    ):
        gained = _gain_in_magnitudes(rig, changes)
        if gained is not None and gained > _HARMLESS:
            return f"{text}: that reaches stars {gained:.1f} magnitudes fainter."
    stars = "stars between the two limits" if limit is not None else "bright stars"
    return f"Nothing. Choose {stars}; which exposure is best, workbook 07 weighs."


def _step(magnitudes):
    """A change of magnitudes, in words."""
    return f"{magnitudes:+.1f}" if abs(magnitudes) >= 0.05 else "no change"


def card(rig):
    """The three texts of the card: number, meaning, what to do."""
    limit, bright, _ = _limits(rig)
    (_, _), *others = _settings(rig)
    if limit is None:
        meaning = "More light does not help: the error comes from the place of the star among coarse pixels."
        return own_number(rig), meaning, _action(rig)
    parts = []
    for name, seen in others:
        faint, top = drawings.faintest(seen), seen.brightest()
        reach = "none" if faint is None else _step(round(faint, 1) - round(limit, 1))
        parts.append(f"{name}: {reach} and {_step(round(top, 1) - round(bright, 1))}")
    meaning = (
        "Stars between the two limits are good enough. Other settings shift the faint and the bright limit, in "
        f"magnitudes (plus: towards fainter stars): {'; '.join(parts)}."
    )
    return own_number(rig), meaning, _action(rig)
