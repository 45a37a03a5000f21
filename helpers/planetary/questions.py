"""Guesses, exercises, form and card of workbook 11; each answer is computed for the rig it is asked of."""

import math

import astropy.units as u

from helpers import pixel_scale, planetary, seeing
from helpers.classroom import guesses
from helpers.classroom.exercises import Question
from helpers.planetary import drawings
from helpers.planetary.drawings import GREEN, LINK, RED, extender, focal_ratio, one_in, region
from helpers.planetary.light import on_axis
from helpers.planetary.planets import MIDDLE_OVER_MEAN
from helpers.seeing import spot_fwhm
from helpers.starlight.widths import guide_star_fwhm

PLANET = "Jupiter"
BITS_OF_PLAN = 12  # in 8 bit, at the lowest gain, one step is more than the noise of these dim frames
_TWO_MILLION = (1920, 1080)


def which_extender(rig):
    """The extender that brings the rig to its finest detail."""
    camera, factor = rig.guide_camera, extender(rig)
    goal = planetary.critical_focal_ratio(camera.pixel_size, GREEN)
    return guesses.choices(
        "11.extender",
        f"A focal extender is a lens in front of the camera that makes the focal length longer. Your telescope is "
        f"f/{focal_ratio(rig):.1f}, your guide camera has pixels of {camera.pixel_size.value:g} µm. Which extender "
        "shows "
        "all the detail, and no more, in green light?",
        {"none": 1.0, "about 2 times": 2.0, "about 4 times": 4.0, "about 8 times": 8.0},
        factor,
        f"{factor:.1f} times. The finest detail needs f/{goal:.1f}: two pixels to each of its periods (a bright band "
        "and a dark one). The same pixels need that on every telescope, large or small.",
    )


def how_many_are_lucky(rig):
    """Share of lucky frames on the reader's telescope."""
    aperture, air = rig.telescope.aperture, seeing.atmosphere_for(rig.site)
    green, red = (planetary.lucky_share(aperture, air, colour) for colour in (GREEN, RED))
    r0 = seeing.fried_parameter(air.fwhm, GREEN)
    return guesses.choices(
        "11.lucky",
        f"At your site, behind your {aperture.to_value(u.mm):.0f} mm, the planet overhead: how many "
        "frames are lucky, in green light?",
        {"most of them": 0.9, "about half": 0.5, "1 in 10 or fewer": 0.05},
        green,
        f"{one_in(green).capitalize()}, and {one_in(red)} in the near infrared. Your aperture is "
        f"{float(aperture / r0):.1f} times as wide as a calm patch of air "
        f"({r0.to_value(u.cm):.1f} cm at {GREEN.to_value(u.nm):.0f} nm, green, and more in red), and the chance that "
        "all patches happen to agree falls steeply with that number.",
    )


def what_limits(rig):
    """Whether the brightest pixel fills while the air holds still."""
    still = planetary.coherence_time(seeing.atmosphere_for(rig.site), GREEN)
    focal_length = rig.telescope.focal_length * extender(rig)
    seen = planetary.disc_signal(rig, PLANET, focal_length, still)
    filled = planetary.filling_exposure(rig, PLANET, focal_length, 1)
    return guesses.choices(
        "11.filling",
        f"The air holds still for {still.value:.1f} ms. How full is the brightest pixel of Jupiter after that time, "
        "with "
        "your extender and no filter?",
        {"overfull": 1.5, "about half": 0.5, "a twentieth or less": 0.04},
        seen.filling,
        f"{seen.filling:.1%}: it would be full after {filled.to_value(u.ms):.0f} ms. So short frames are dim, but a "
        f"pixel of the disc still gets {seen.electrons.value:.0f} electrons on the average, whose own noise, "
        f"{seen.electrons.value**0.5:.0f}, is above the read noise, {rig.guide_camera.read_noise.value:g}: many dim "
        "frames added up lose next to nothing.",
    )


def _plan(rig, planet=PLANET, wavelength=GREEN, link=LINK, bits=BITS_OF_PLAN, diameter=None, rows_per_second=None):
    """Everything about one film, in a dictionary."""
    aperture, air = rig.telescope.aperture, seeing.atmosphere_for(rig.site)
    factor = extender(rig, wavelength)
    focal_length = rig.telescope.focal_length * factor
    diameter = planetary.LARGEST_DIAMETER[planet] if diameter is None else diameter
    side = region(rig, planet, focal_length, diameter)
    detail = planetary.finest_detail(aperture, wavelength)
    film = planetary.longest_film(planet, diameter, detail)
    rate = planetary.frame_rate((side, side), bits, link, rows_per_second)
    still = planetary.coherence_time(air, wavelength)
    seen = planetary.disc_signal(
        rig, planet, focal_length, still, [wavelength.value - 50, wavelength.value + 50] * u.nm
    )
    frames = float(rate * film)
    share = planetary.lucky_share(aperture, air, wavelength)
    return {
        "factor": factor,
        "side": side,
        "detail": detail.value,
        "film": film.to_value(u.min),
        "rate": rate.value,
        "still": still.value,
        "seen": seen,
        "frames": frames,
        "lucky": frames * share,
        "gigabytes": frames * side**2 * (1 if bits == 8 else 2) / 1e9,
        "bound": "sensor" if rate == planetary.sensor_rate((side, side), bits, rows_per_second) else "link",
    }


def _about(count):
    """A number of frames as well as it is known: two digits."""
    return f"{float(f'{count:.2g}'):,.0f}"


def own_number(rig):
    """The reader's numbers of this workbook, in words."""
    plan = _plan(rig)
    length = (plan["factor"] * rig.telescope.focal_length).to_value(u.mm)
    return (
        f"With your guide camera {PLANET} takes an extender of {plan['factor']:.1f} times (f/"
        f"{focal_ratio(rig) * plan['factor']:.1f}, a focal length of {_about(length)} mm), exposures near "
        f"{plan['still']:.1f} ms, {plan['rate']:.0f} frames a second of {plan['side']} x {plan['side']} pixels "
        f"({BITS_OF_PLAN} bit, {LINK}), for at most {plan['film']:.1f} min (then the middle of the disc has turned by "
        f"the finest detail). Of {_about(plan['frames'])} frames about "
        f"{_about(plan['lucky'])} are lucky in green."
    )


def table_of_rates(rig):
    """Head and rows: full frames a second by bits and link, and what limits them."""
    camera = rig.guide_camera
    shapes = {"your sensor": (camera.columns, camera.rows), "two million pixels": _TWO_MILLION}
    rows = []
    for name, (columns, lines) in shapes.items():
        for bits in (8, 12):
            limit = planetary.sensor_rate((columns, lines), bits)
            cells = []
            for link in planetary.LINKS:
                rate = planetary.frame_rate((columns, lines), bits, link)
                cells.append(f"{rate.value:.0f}{' (sensor)' if rate == limit else ''}")
            sent = "8 bit" if bits == 8 else "9 to 16 bit"
            rows.append((f"{name}, {columns} x {lines}", sent, *cells, f"{limit.value:.0f}"))
    return ("full frames a second", "", *planetary.LINKS, "sensor's own limit"), rows


def table_of_planets(rig):
    """Head and rows: brightness, rotation and longest film of each planet."""
    detail = planetary.finest_detail(rig.telescope.aperture, GREEN)
    focal_length = rig.telescope.focal_length * extender(rig)
    rows = []
    for planet in planetary.PLANETS:
        wide = planetary.LARGEST_DIAMETER[planet]
        film = planetary.longest_film(planet, wide, detail).to_value(u.min)
        filled = planetary.filling_exposure(rig, planet, focal_length, 0.7).to_value(u.ms)
        rows.append(
            (
                planet,
                f"{wide.value:.0f}",
                f"{planetary.rotation_period(planet).value:.2f}",
                f"{film:.1f}",
                f"{planetary.surface_brightness(planet).value:.1f}",
                f"{filled:.0f}",
            )
        )
    head = (
        "planet",
        "widest [arcsec]",
        "one turn [h]",
        "longest film [min]",
        "brightness in V [mag / arcsec²]",
        "70% full after [ms]",
    )
    return head, rows


def table_of_galaxies(rig):
    """Head and rows: what the guide camera in the main telescope's focus does on small galaxies."""
    rows = []
    for name, seen in drawings.demo_cameras(rig).items():
        camera = seen.guide_camera
        field = pixel_scale.field_of_view((camera.columns, camera.rows), camera.pixel_size, rig.telescope.focal_length)
        reached = [planetary.faintest_surface(seen, t * u.s).value for t in (1, 10, 60)]
        long = planetary.sky_limited_exposure(seen).value
        rows.append(
            (
                name,
                f"{field[0].value:.0f} x {field[1].value:.0f}",
                f"{camera.read_noise.value:g}",
                f"{long:.1f}",
                *(f"{value:.2f}" for value in reached),
            )
        )
    head = (
        "guide camera",
        "field [arcmin]",
        "read noise [electron]",
        "single frame from [s]",
        "frames of 1 s: reaches [mag / arcsec²]",
        "10 s",
        "60 s",
    )
    return head, rows


def galaxies_in_words(rig):
    """What the small field, the pixel and the read noise allow, in words."""
    camera, telescope = rig.guide_camera, rig.telescope
    scale = pixel_scale.pixel_scale(camera.pixel_size, telescope.focal_length)
    long = planetary.sky_limited_exposure(rig)
    short, best = (planetary.faintest_surface(rig, t).value for t in (1 * u.s, 10 * long))
    width = guide_star_fwhm(on_axis(rig))
    edge = planetary.EDGE_OF_A_GALAXY
    return (
        f"Without extender a pixel sees {scale.value:.2f} arcsec and a star overhead, in all the light that the "
        f"camera takes, is {width.value:.1f} arcsec wide: {float((width / scale).value):.1f} pixels. "
        f"{_whole_galaxies(rig)} From {long.value:.1f} s a frame your read noise adds less than 5% to the noise of "
        f"the sky; an hour takes {(1 * u.h / long).to_value(u.one):,.0f} such frames. In frames "
        f"of 1 s it reaches {short:.2f}, in long ones {best:.2f} mag / arcsec² (the larger, the fainter). Catalogues "
        f"end a galaxy where it has faded to 25 in blue light, about {edge.value:.1f} in V: that edge "
        + ("shows even in frames of 1 s." if short >= edge.value else _edge_in_long_ones(best >= edge.value))
        + _older_reaches_deeper(rig)
    )


def _older_reaches_deeper(rig):
    """Why camera A beats B in long frames, in words; nothing where it does not."""
    cameras = [drawings.demo_cameras(rig)[f"demo camera {name}"] for name in "AB"]
    (short_a, short_b), (long_a, long_b) = (
        [planetary.faintest_surface(seen, time).value for seen in cameras] for time in (1 * u.s, 60 * u.s)
    )
    if short_a >= short_b or long_a <= long_b:
        return ""
    return (
        " In long frames the old camera A reaches deeper than B: there its read noise counts for little, and it has "
        "no dyes that keep light out."
    )


def _edge_in_long_ones(shows):
    return "shows in long frames only." if shows else "stays hidden; only brighter parts show."


def _whole_galaxies(rig):
    """Which galaxies fit the field, in words."""
    whole = planetary.galaxies_in_field(rig)
    largest, size = max(planetary.GALAXIES.items(), key=lambda each: each[1][0])
    told = f"Of {len(planetary.GALAXIES)} well-known galaxies "
    if len(whole) == len(planetary.GALAXIES):
        return told + f"all fit the field, even {largest}, {size[0].value:g} x {size[1].value:g} arcmin."
    if not whole:
        smallest, size = min(planetary.GALAXIES.items(), key=lambda each: each[1][0])
        return told + f"none fits the field, not even {smallest}, {size[0].value:g} x {size[1].value:g} arcmin."
    return told + (
        f"{len(whole)} fit the field ({', '.join(whole)}); {largest}, {size[0].value:g} x {size[1].value:g} arcmin, "
        "does not."
    )


LIGHT = r"""A planet at $r$ astronomical units from the Sun sends back $p/(\pi r^2)$ of the sunlight that falls on
us, to each unit of solid angle; $p$ is its geometric albedo (Mallama, Krobusek & Pavlov 2017, values from memory). So
the brightness of its *surface* does not depend on how near it is. The middle of the disc is taken as {middle:g} times
the mean (a ball that scatters evenly: Lambert 1760). {dyes} All colours are taken as sent back alike; Mars is redder
than that. To fill a pixel to 70% is common practice, no source."""


def dyes_in_words(rig):
    """How much more the brightest pixel of a disc gets than a mean one under a colour mosaic, in words."""
    if not rig.guide_camera.mosaic:
        return ""
    one = planetary.disc_signal(rig, PLANET, rig.telescope.focal_length, 1 * u.ms)
    times = one.filling * rig.guide_camera.full_well.value / one.electrons.value
    return (
        f"Under your camera's colour mosaic the pixels of one colour get {times / MIDDLE_OVER_MEAN:.1f} times the "
        f"light of the mean pixel, so the brightest pixel {times:.1f} times."
    )


def focal_ratio_of_a_pixel(rig):
    """Exercise: focal ratio for a pixel and a wavelength."""
    right = planetary.critical_focal_ratio(3 * u.um, 600 * u.nm)
    return Question(
        "11.1",
        "Pixels of 3.0 µm, light of 600 nm (0.6 µm). Which focal ratio just shows the finest detail? (It is 2 x "
        "pixel / "
        "wavelength.)",
        right,
        percent=3,
        mistakes=(
            (right / 2, "two pixels for each period: twice that."),
            (right * 1000, "micrometres and nanometres: divide by a thousand."),
        ),
        hint="2 x 3.0 / 0.6, both in micrometres.",
        solution=f"2 x 3.0 / 0.6 = {right:.1f}: f/{right:.0f}.",
    )


def frames_over_a_link(rig):
    """Exercise: frames a second over a link."""
    shape = (600, 600)
    right, one_byte, quicker = (
        planetary.frame_rate(shape, bits, link).value for bits, link in ((16, "USB 2"), (8, "USB 2"), (16, "USB 3"))
    )
    return Question(
        "11.2",
        "A region of 600 x 600 pixels, 16 bit (two bytes a pixel), over USB 2, which carries 37.5 million bytes a "
        "second. "
        "How many frames a second?",
        right,
        percent=5,
        mistakes=(
            (one_byte, "16 bit are two bytes for each pixel."),
            (quicker, "that is the limit over USB 3."),
        ),
        hint="Bytes in a frame: 600 x 600 x 2.",
        solution=f"37.5 million / 720,000 = {right:.0f} a second.",
    )


def length_of_a_film(rig):
    """Exercise: how long a film of Jupiter may run."""
    right = planetary.longest_film("Jupiter", 49 * u.arcsec, 0.5 * u.arcsec)
    return Question(
        "11.3",
        "Jupiter, 49 arcsec wide, turns once in 9.925 hours (35,730 s). The finest detail is 0.5 arcsec. How many "
        "seconds "
        "may the film run until the middle of the disc has moved by that?",
        right,
        unit=u.s,
        percent=5,
        mistakes=(
            (right / 2, "the radius counts, not the diameter."),
            (right.to_value(u.min) * u.s, "that is in minutes."),
        ),
        hint="The middle of the disc runs a circle of 2 pi x 24.5 arcsec in one turn.",
        solution=f"35,730 s x 0.5 / (2 pi x 24.5) = {right.value:.0f} s.",
    )


def no_more_to_see(rig):
    """More magnification, in words."""
    factor = extender(rig)
    wide = planetary.LARGEST_DIAMETER[PLANET]
    once, twice = (
        planetary.pixels_across(wide, rig.guide_camera.pixel_size, rig.telescope.focal_length * f)
        for f in (factor, 2 * factor)
    )
    return (
        f"With {factor:.1f} times {PLANET} is {once:.0f} pixels wide; with {2 * factor:.1f} times {twice:.0f}, with "
        "no finer detail and a quarter of the light in each pixel."
    )


def bits_in_words(rig):
    """8 or 16 bit, in words."""
    coarse, fine = (_plan(rig, bits=bits) for bits in (8, BITS_OF_PLAN))
    seen, full = coarse["seen"], rig.guide_camera.full_well.value
    noise, step = float(seen.electrons.value / seen.signal_to_noise), full / 255
    advice = (
        f"So at this setting take {BITS_OF_PLAN} bit, as on the card. With {math.ceil(step / noise)} times the "
        "amplification 8 bit would do (a full pixel then holds less, but these dim frames don't fill it)."
        if step > noise
        else f"So 8 bit are enough; with {BITS_OF_PLAN}, as on the card, nothing is lost but frames."
    )
    return (
        f"The region for {PLANET} runs at {coarse['rate']:.0f} frames a second in 8 bit and {fine['rate']:.0f} in 12 "
        "to 16. Adding up a thousand frames makes up for coarse steps as long as the noise of one frame is larger than "
        f"a step. At the lowest gain setting a step of 8 bit is {step:.0f} electrons, the noise of a pixel in green "
        f"light {noise:.0f}. {advice}"
    )


def calmer_not_sharper(rig):
    """Near infrared on planets, in words."""
    aperture, air = rig.telescope.aperture, seeing.atmosphere_for(rig.site)
    (green, red), (fine, coarse) = (
        [function(colour) for colour in (GREEN, RED)]
        for function in (
            lambda colour: planetary.lucky_share(aperture, air, colour),
            lambda colour: planetary.finest_detail(aperture, colour),
        )
    )
    wide = [spot_fwhm(aperture, air, colour, obstruction=rig.telescope.central_obstruction) for colour in (GREEN, RED)]
    long = (
        "In a long exposure a star is indeed narrower there, for the air makes most of its width "
        "(06_near_infrared); a lucky frame is free of that. "
        if wide[1] < wide[0]
        else ""
    )
    return (
        f"{long}More frames are lucky: {one_in(red)} instead of {one_in(green)}. But what a lucky frame shows is "
        f"{float(coarse / fine):.1f} times coarser, {coarse.value:.2f} instead of {fine.value:.2f} arcsec."
    )


def film_fields(rig):
    """Fields of the form "plan a film"."""
    return [
        {
            "key": "planet",
            "label": "planet",
            "unit": "",
            "value": PLANET,
            "choices": planetary.PLANETS,
        },
        {
            "key": "diameter",
            "label": "its width tonight",
            "unit": "arcsec",
            "value": float(planetary.LARGEST_DIAMETER[PLANET].value),
            "typical": "Mars 4 to 24, Jupiter 30 to 49, Saturn 16 to 20",
            "if_unknown": "An almanac tells it.",
        },
        {
            "key": "wavelength",
            "label": "middle of the filter",
            "unit": "nm",
            "value": float(GREEN.value),
            "typical": "450 blue, 550 green, 650 red, 850 near infrared",
        },
        {"key": "link", "label": "link", "unit": "", "value": LINK, "choices": tuple(planetary.LINKS)},
        {"key": "bits", "label": "bits", "unit": "", "value": "12 bit (sent as 16)", "choices": tuple(drawings.BITS)},
        {
            "key": "rate",
            "label": "full frames a second, from the camera's data sheet",
            "unit": "1 / s",
            "value": 0.0,
            "typical": "20 to 150",
            "if_unknown": "Leave 0: a usual sensor of this class is taken.",
        },
    ]


def film_reply(rig):
    """What the form answers: a function of its answers."""

    def reply(answers):
        if answers["rate"] < 0:
            raise ValueError(f"full frames a second: expected 0 or more, found {answers['rate']:g}")
        if not 380 <= answers["wavelength"] <= 1000:
            raise ValueError(f"middle of the filter: expected 380 to 1000 nm, found {answers['wavelength']:g}")
        rows = answers["rate"] * rig.guide_camera.rows or None
        plan = _plan(
            rig,
            answers["planet"],
            answers["wavelength"] * u.nm,
            answers["link"],
            drawings.BITS[answers["bits"]],
            answers["diameter"] * u.arcsec,
            rows,
        )
        return (
            f"Extender {plan['factor']:.1f} times, region {plan['side']} x {plan['side']}. Up to {plan['rate']:.0f} "
            "frames a "
            f"second (limit: the {plan['bound']}), film up to {plan['film']:.1f} min: {plan['frames']:,.0f} frames, "
            f"{plan['gigabytes']:.1f} GB, about {_about(plan['lucky'])} of them lucky.\n"
            f"Exposure near {plan['still']:.1f} ms, while the air holds still: the brightest pixel is then "
            f"{plan['seen'].filling:.1%} full, the signal to noise of a pixel {plan['seen'].signal_to_noise:.0f}."
        )

    return reply


def card(rig):
    """The three texts of the card: number, meaning, what to do."""
    plan, red = _plan(rig), _plan(rig, wavelength=RED)
    number = (
        f"{plan['factor']:.1f} times: the extender for your guide camera, f/{focal_ratio(rig) * plan['factor']:.1f}."
    )
    meaning = (
        f"{PLANET} is then seen down to {plan['detail']:.2f} arcsec. In a film of {plan['film']:.1f} min about "
        f"{_about(plan['lucky'])} of {_about(plan['frames'])} frames are lucky in green, about "
        f"{_about(red['lucky'])} of {_about(red['frames'])} in the near "
        f"infrared (with the extender, region and film that suit it)."
    )
    action = (
        f"Film in the near infrared: in green fewer than 100 frames would be lucky. Keep exposures near "
        f"{red['still']:.1f} ms."
        if plan["lucky"] < 100 <= red["lucky"]
        else f"Film in green or red light, which shows finer detail than the near infrared: enough frames are lucky. "
        f"Exposures near {plan['still']:.1f} ms, {BITS_OF_PLAN} bit, region "
        f"{plan['side']} x {plan['side']}."
        if plan["lucky"] >= 100
        else "Wait for a night with better air: hardly a frame would be lucky."
    )
    return number, meaning, action
