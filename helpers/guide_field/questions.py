"""Guesses, exercises, forms and card of workbook 03; each answer is computed for the rig it is asked of."""

from dataclasses import replace

import astropy.units as u
import numpy as np

from helpers import guide_field, starlight
from helpers import ledger as ledgers
from helpers import rig as rigs
from helpers.classroom import guesses
from helpers.classroom.exercises import Question
from helpers.guide_field import drawings
from helpers.guide_field.own_fit import SPACER_STEP
from helpers.guide_field.plan import WANTED

_EXPOSURES = [0.5, 1, 2, 4] * u.s
_SEEN = 0.01  # a chance that rises by less is not spoken of
_MONTHS = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
]


def _stars(number):
    return f"{number} star" + ("" if number == 1 else "s")


def _two(rig):
    return guide_field.sides(rig) == 2


def whose_stars(rig):
    """One sentence before the first panel: whose field it shows."""
    if drawings.list_serves(rig):
        strip = ledgers.ledger(rig)
        return (
            "The chart shows the stars about an invented target that are not too faint for your rig, and where its "
            f"guide sensor looks. (The strip's {strip.stars}, {strip.stars_after_flip} stand for a middling field, not "
            "for this one.)"
        )
    why = guide_field.list_falls_short(drawings.demo_list(), guide_field.DEMO_TARGET, rig)
    return f"The invented star list of this workbook can't serve your rig ({why}). The chart shows the demo club rig."


def after_the_flip(rig):
    """How many of the stars before the flip there are after it."""
    rig = drawings.shown_rig(rig)
    found, angle = drawings.listed(rig), guide_field.DEFAULT_ANGLE.value
    before, after = len(found.before), len(found.after)
    options = ("fewer than half as many", "about as many, or more", "none: the mount turned away")
    if after == 0 and before:
        right = options[2]
    else:
        right = options[0] if after < before / 2 else options[1]
    if _two(rig):
        answer = (
            f"{_stars(after)}. The mirror now sees the sky on the other side of the target, and the two pieces of sky "
            "have nothing to do with each other."
        )
    else:
        answer = (
            f"{_stars(after)}, the same ones: a guide telescope looks at the target itself, and its field only turns "
            "about it."
        )
    return guesses.choices(
        "03.flip",
        f"At a position angle of {angle:.0f}° this rig has {guide_field.usable_in_words(before)} before the flip. "
        "How many are there after it?",
        options,
        right,
        answer,
    )


def nearer_mirror(rig):
    """What half the distance between mirror and sensor does to the light in all."""
    optics = drawings.with_pick_off(rig).guide_optics
    near = replace(optics, mirror_distance=optics.mirror_distance / 2)
    ratio = float(drawings.light_of_mirror(near) / drawings.light_of_mirror(optics))
    middles = [guide_field.lit_fraction(0 * u.mm, 0 * u.mm, item) for item in (optics, near)]
    patch = "smaller and brighter" if middles[1] > middles[0] * 1.02 else "no brighter, with a sharper edge"
    whose = "" if guide_field.sides(rig) == 2 else "Your rig has no such mirror; take the demo club's. "
    return guesses.choices(
        "03.mirror",
        f"{whose}Halve the distance between mirror and guide sensor. What happens to all the starlight that the mirror "
        "sends to the guide side, on the sensor and beside it?",
        {"it is halved": 0.5, "it stays nearly the same": 1, "it is doubled": 2},
        ratio,
        f"It changes by {abs(ratio - 1):.0%}: the mirror's area decides how much there is to share. But the patch of "
        f"light is now {patch}: of a star in the middle {middles[1]:.0%} arrives instead of {middles[0]:.0%}.",
    )


def longer_exposure(rig):
    """What four times the exposure does to the number of usable stars."""
    plan, exposure = guide_field.plan(rig), rig.guiding.exposure
    limits = guide_field.usable_limits(rig, 4 * exposure, plan.airmass, plan.limits.error)
    place = plan.target.galactic
    mean = guide_field.expected_stars(plan.field, limits.faint, limits.bright, place.b, place.l)
    ratio = mean / plan.mean if plan.mean > 0 else 1.0
    options = ("hardly more", "clearly more, but less than twice as many", "twice as many or more")
    right = options[0] if ratio < 1.1 else options[1] if ratio < 2 else options[2]
    return guesses.choices(
        "03.exposure",
        f"Expose {4 * exposure.value:g} s instead of {exposure.value:g} s. How many more usable stars are there at the "
        "target, on average?",
        options,
        right,
        f"{mean:.1f} instead of {plan.mean:.1f}, {ratio:.1f} times as many. Stars down to magnitude {limits.faint:.1f} "
        f"instead of {plan.limits.faint:.1f} become usable, but far from the Milky Way faint stars are few.",
    )


def own_number(rig):
    """The numbers of the rig in two sentences."""
    plan = guide_field.plan(rig)
    sides = ", on each side of the flip" if _two(rig) else ", before and after the flip"
    night = " on both sides" if _two(rig) else ""
    return (
        f"Without a star list: {plan.mean:.1f} usable stars on average in a field "
        f"{abs(plan.target.galactic.b.deg):.0f}° from the plane of the Milky Way{sides}. The chance of at least "
        f"{WANTED}{night}, all night, is {plan.all_night:.0%}."
    )


def what_is_usable(rig):
    """Which stars count, and why that limit."""
    limits, exposure = guide_field.plan(rig).limits, rig.guiding.exposure.value
    said = (
        f"**Usable** is a star that fills no pixel, and whose centre one exposure of {exposure:g} s gives to "
        f"{limits.error.value:.2f} arcsec on each axis. Magnitudes of this page are those *as they reach the guide "
        f"camera*: usable are {limits.bright:.1f} to {limits.faint:.1f}."
    )
    lost = drawings.lost_at_the_mirror(rig)
    if lost >= 0.1:
        said += (
            f" The mirror takes light away: in the middle of the field one of {limits.faint - lost:.1f} in a star "
            f"list arrives as {limits.faint:.1f}. (The strip's limit is a list's, for a star overhead.)"
        )
    if limits.reached:
        return said
    return said + (
        " (Other rigs are asked for 0.10 arcsec. On pixels as coarse as yours no star gives that, so stars count "
        "that are not much worse than your best, which is the one of the strip.)"
    )


def list_against_strip(rig):
    """Why the reader sees three counts, and which of them to use."""
    strip, found = ledgers.ledger(rig), drawings.listed(drawings.shown_rig(rig))
    most = f", at most the {rig.guiding.stars} that your guiding uses" if strip.stars >= rig.guiding.stars else ""
    return (
        "Three counts:\n\n"
        f"- {guide_field.plan(rig).mean:.1f} is the mean of many such fields.\n"
        f"- {strip.stars}, {strip.stars_after_flip} in the strip are whole stars of one middling field{most}.\n"
        f"- {len(found.before)} and {len(found.after)} in the first panel are counted in the list of one target. "
        "Use it where you have one; the card counts in it.\n\n"
        f"({WANTED} by choice: one star is enough to guide, the others are to spare.)"
    )


def why_it_rises(rig):
    """Where the chance is least, and why it rises again farther from the Milky Way, in words."""
    chances = drawings.ChanceByDistance(rig)
    distance, chance = chances.distance[:-1], chances.at()[1][:-1]  # without the target's own
    lowest = int(np.argmin(chance))
    if chance[-1] - chance[lowest] < _SEEN:
        return "For your target the chance falls all the way."
    return (
        f"Beyond {distance[lowest]:.0f}° the chance rises again. The curve looks along the side of the sky where "
        "your target lies, away from the Milky Way's middle; that side is poorer than others. At 90° all sides meet."
    )


def table_of_sky(rig):
    """Head and rows: the chance of enough stars over the sky for several exposures."""
    plan, sky = guide_field.plan(rig), guide_field.sky_grid(step=4 * u.deg)
    rows = []
    for exposure in _EXPOSURES:
        limits = guide_field.usable_limits(rig, exposure, plan.airmass, plan.limits.error)
        ends = limits.faint, limits.bright, sky.latitude, sky.longitude
        chance = guide_field.chance_on_sensor(plan.field, *ends, at_least=WANTED) ** guide_field.sides(rig)
        months = guide_field.mean_chance_by_month(chance, sky, rig.site.latitude)
        far = guide_field.mean_chance(chance, sky, np.abs(sky.latitude) > 45 * u.deg)
        worst = int(np.argmin(months))
        rows.append(
            (
                f"{exposure.value:g} s",
                f"{guide_field.mean_chance(chance, sky):.0%}",
                f"{far:.0%}",
                f"{'every month' if months[worst] > 0.995 else _MONTHS[worst]}: {months[worst]:.0%}",
            )
        )
    head = ("guide exposure", "whole sky", "more than 45° from the Milky Way", "midnight sky in the hardest month")
    return head, rows


def comets(rig):
    """What coma does to the guide stars of this rig."""
    optics = rig.guide_optics
    if not _two(rig):
        return "Your guide telescope looks along its own axis: coma of the main telescope does not reach it."
    if rig.telescope.kind != "reflector":
        return (
            f"Your telescope is a {rig.telescope.kind}: the estimate for plain mirrors does not hold for it. Look at "
            "the corner of a main picture; if stars are round there, they are round on the guide side."
        )
    away, ratio = guide_field.off_axis_angle(optics), float(optics.focal_length / optics.aperture)
    plan, wide = guide_field.plan(rig), guide_field.width_without_corrector(rig)
    place = plan.target.galactic
    limits = guide_field.usable_limits(rig, None, plan.airmass, plan.limits.error, fwhm=wide)
    mean = guide_field.expected_stars(plan.field, limits.faint, limits.bright, place.b, place.l)
    return (
        "All counts here hold with a coma corrector, lenses before the cameras that keep stars round beside the axis. "
        f"Without one your reflector draws comets {guide_field.coma_length(ratio, away).value:.0f} arcsec long "
        f"{away.value:.0f} arcmin off the axis, as badly measured as round stars of {wide.value:.1f} arcsec instead of "
        f"{starlight.guide_star_fwhm(rig).value:.1f}: usable to magnitude {limits.faint:.1f} instead of "
        f"{plan.limits.faint:.1f}, {mean:.1f} instead of {plan.mean:.1f} on average. "
        "(An estimate; a program that takes them for round stars does a little worse.)"
    )


def what_focus_costs(rig):
    """Words and a table (head and rows): how much defocus the guide star bears."""
    tolerance, plan = guide_field.focus_tolerance(rig), guide_field.plan(rig)
    sharp = starlight.guide_star_fwhm(rig, plan.airmass)
    rows = []
    for times in (0, 1, 2, 4):
        wide = guide_field.defocused_fwhm(rig, times * tolerance)
        at_target = np.hypot(sharp, guide_field.unsharpness(rig, times * tolerance))
        left = guide_field.usable_limits(rig, None, plan.airmass, plan.limits.error, fwhm=at_target)
        rows.append(
            (
                f"{times * tolerance.value:.2f}",
                f"{guide_field.blur_diameter(times * tolerance, rig.guide_optics).value:.1f}",
                f"{wide.value:.1f}",
                f"{guide_field.defocused_error(rig, times * tolerance).value:.3f}",
                f"{left.faint:.1f}",
            )
        )
    head = (
        "out of focus [mm]",
        "disc [arcsec]",
        "star's width, overhead [arcsec]",
        "error of that star [arcsec]",
        "usable to magnitude, at the target",
    )
    said = f"Your faintest usable star bears {tolerance.value:.2f} mm before its error grows by a quarter. "
    if _two(rig):
        rough = tolerance < SPACER_STEP * u.mm / 2
        said += "No spacer is so exact: the seat must slide. " if rough else "A spacer is exact enough. "
        said += _shade(rig)
    else:
        said += "A guide telescope has a focuser of its own: only its travel counts."
    return said, (head, rows)


def _shade(rig):
    """Whether the mirror stands in the light of the picture."""
    shadow = guide_field.picture_shadow(rig)
    if shadow.clearance >= 0 * u.mm:
        return f"Your mirror clears the light of the picture by {shadow.clearance.value:.1f} mm."
    return (
        f"Your mirror takes {shadow.share:.0%} of the light where it shades the picture most, "
        f"{shadow.farther.value:.1f} mm farther from the axis it would take none; flat frames correct it."
    )


def corner_of_the_picture(rig):
    """What guiding can't repair: the trail in the corner, and the exposure from which on it shows."""
    declination = float(np.clip(guide_field.plan(rig).target.dec.deg, -80, 80))
    exposure, error = rig.guiding.picture_exposure, rig.mount.polar_error.value
    trail = guide_field.corner_trail(rig, declination * u.deg)
    lasts, near_pole = (guide_field.longest_exposure(rig, dec * u.deg) for dec in (declination, 80))
    said = (
        f"With {error:g} arcmin of polar error, at declination {declination:.0f}°, {exposure.value:g} s turn the "
        f"picture by {trail.rotation.value:.1f} arcsec at most: a star in the corner, {trail.distance.value:.0f} "
        f"arcmin from the guide star, draws a trail of {trail.length.value:.2f} arcsec. One of "
        f"{trail.shows.value:.1f} arcsec shows"
    )
    if near_pole >= guide_field.HALF_TURN:
        return f"{said}; no exposure makes such a trail. Nothing to do."
    said += f": that takes an exposure {_of_length(lasts)} there, {_of_length(near_pole)} at declination 80°. "
    if exposure < min(lasts, near_pole):
        return said + "Nothing to do."
    where = "" if exposure >= lasts else "near the pole "
    return said + f"Expose shorter {where}or bring the mount's axis nearer to the pole; guiding can't help."


def _of_length(lasts):
    if lasts >= guide_field.HALF_TURN:
        return "of no length"
    return f"of {lasts.value:.0f} min" if lasts >= 2 * u.min else f"of {lasts.to_value(u.s):.0f} s"


def _mean_with(rig, optics, size):
    plan = guide_field.plan(rig)
    field, place = guide_field.sensor_field(optics, *(size * u.mm)), plan.target.galactic
    return guide_field.expected_stars(field, plan.limits.faint, plan.limits.bright, place.b, place.l)


def _larger_sensor(rig):
    """Stars of the rig's own sensor, and how many times as many twice the width and height sees."""
    own = np.array(next(iter(drawings.sensors(rig).values())))
    now = _mean_with(rig, rig.guide_optics, own)
    return now, _mean_with(rig, rig.guide_optics, 2 * own) / now if now > 0 else 1.0


def larger_sensor(rig):
    """Is it true for this rig that a bigger sensor sees more stars?"""
    now, gain = _larger_sensor(rig)
    said = "Twice the width and height, 4 times the area, would see"
    more = f"{gain:.1f} times as many usable stars"
    if not _two(rig):
        true = "Behind a guide telescope, which lights it all, this is true as far as its stars stay round."
        return f"{true} {said} {more}."
    if gain >= 3:
        verdict = "this is true: its patch of light is larger than your sensor."
    elif gain >= 1.3:
        verdict = "this is half true: a larger sensor reaches beyond the bright patch of light."
    else:
        verdict = "this is wrong: your sensor has nearly all of the patch of light already."
    return f"For your mirror {verdict} {said} {now * gain:.1f} usable stars, not {now:.1f}.{_where_it_ends(rig)}"


def _where_it_ends(rig):
    """That a small patch is filled before the largest sensor, in words; nothing where it is not."""
    *_, smaller, largest = (float(row[-1]) for row in table_of_sensors(rig)[1])
    if largest > 1.1 * smaller:
        return ""
    return (
        f" With the mirror near, a sensor can be larger than all the patch: the last two below see {smaller:.1f} and "
        f"{largest:.1f} stars."
    )


def table_of_sensors(rig):
    """Head and rows: mean usable stars by sensor, for two distances of the mirror."""
    rig = drawings.with_pick_off(rig)
    optics = rig.guide_optics
    near = replace(optics, mirror_distance=optics.mirror_distance / 3)
    head = ("sensor", "area [mm²]", *(f"mirror {item.mirror_distance.value:.0f} mm away" for item in (optics, near)))
    rows = [
        (
            name,
            f"{size[0] * size[1]:.0f}",
            *(f"{_mean_with(rig, item, np.array(size)):.1f}" for item in (optics, near)),
        )
        for name, size in drawings.sensors(rig).items()
    ]
    return head, rows


def both_sides(rig):
    """Why before midnight tells nothing about after midnight."""
    plan = guide_field.plan(drawings.with_pick_off(rig))
    whose = "" if _two(rig) else " (the demo club rig's pick-off)"
    return (
        f"After the flip a pick-off sees another field. The chance of at least {WANTED} stars is {plan.one_field:.0%} "
        f"in one field{whose}, and {plan.one_field:.0%} of {plan.one_field:.0%}, {plan.all_night:.0%}, in both."
    )


def beam_at_the_mirror(rig):
    """Exercise: width of the beam at the mirror."""
    return Question(
        "03.1",
        "A pick-off mirror sits 54 mm in front of the guide sensor of a telescope of 150 mm aperture and 900 mm focal "
        "length. How wide is the beam of one star at the mirror?",
        54 * 150 / 900 * u.mm,
        unit=u.mm,
        percent=2,
        mistakes=(
            (54 * 900 / 150 * u.mm, "the cone narrows by one part in six: divide."),
            (54 * 150 / 900 / 2 * u.mm, "that is half the width, from the middle to the edge."),
            (54 * 150 / 900 * 0.5**0.5 * u.mm, "the tilt shortens the mirror, not the beam."),
        ),
        hint="The beam is 150 mm wide at the front, 900 mm before the focus, and narrows evenly to a point.",
        solution="54 mm is 0.06 of 900 mm, and 0.06 of 150 mm is 9 mm.",
    )


def chance_for_the_night(rig):
    """Exercise: the chance for both fields from the chance for one."""
    return Question(
        "03.2",
        "Behind a pick-off, the chance of enough guide stars in a field is 0.7. How large is the chance of enough "
        "stars all night, on both sides of the flip?",
        0.7**2,
        absolute=0.01,
        mistakes=(
            (0.7, "that is for one side only."),
            (1.4, "no chance is larger than 1."),
            (0.35, "the second field is no worse than the first: it has them in 7 of 10 cases too."),
            (1 - 0.3**2, "that is the chance of enough stars on at least one side."),
        ),
        hint="Of 10 targets 7 have enough before the flip. How many of those 7 have enough after it as well?",
        solution="0.7 of the targets pass the first test, 0.7 of those the second: 0.49.",
    )


def which_helps(rig):
    """Exercise: what brings most stars to a sensor close to its mirror."""
    club = rigs.demo_rig("club")

    def stars(sensor='1"', distance=25 * u.mm, mirror=8 * u.mm, exposure=1 * u.s):
        optics = replace(club.guide_optics, mirror_distance=distance, mirror_size=mirror)
        plan = guide_field.plan(club)
        limits, place = guide_field.usable_limits(club, exposure, plan.airmass), plan.target.galactic
        field = guide_field.sensor_field(optics, *(guide_field.SENSOR_FORMATS[sensor] * u.mm))
        return guide_field.expected_stars(field, limits.faint, limits.bright, place.b, place.l)

    found = {
        "a sensor of 17.3 x 13.0 mm": stars(sensor='4/3"'),
        "twice the distance between mirror and sensor": stars(distance=50 * u.mm),
        "a mirror of 10 mm and an exposure of 4 s": stars(mirror=10 * u.mm, exposure=4 * u.s),
    }
    one, two, three = (f"{number:.1f}" for number in found.values())
    first, second, _ = found
    return Question(
        "03.3",
        "In the demo club rig a sensor of 12.8 x 9.6 mm sits 25 mm from a mirror of 8 mm, exposes 1 s, and there are "
        "too few stars. Which helps most?",
        max(found, key=found.get),
        options=tuple(found),
        mistakes=(
            (
                first,
                "this sensor is already about as large as the patch of light; the rest of the larger one stays dark.",
            ),
            (second, "the same light is spread over a larger patch: more sky, but every star in it is dimmer."),
        ),
        hint="What decides how much starlight there is to share, and what lets fainter stars count?",
        solution=f"Mean usable stars now: {stars():.1f}. After these changes: {one}, {two} and {three}.",
    )


def card(rig):
    """The three texts of the card: number, meaning, what to do."""
    plan = guide_field.plan(rig)
    mine = drawings.list_serves(rig)
    if not mine:
        number = f"{plan.mean:.1f} usable stars on average, {plan.all_night:.0%} for at least {WANTED} all night."
        meaning = "The demo list does not reach as far as your guide field; this is the average of the sky."
        return number, meaning, "Read a star list of your next target with the form above."
    found, angle = drawings.listed(rig), guide_field.DEFAULT_ANGLE.value
    before, after = len(found.before), len(found.after)
    if not _two(rig):
        number = f"{guide_field.usable_in_words(before)} before and after the flip, at the invented target."
        meaning = "Your guide telescope keeps its field through the flip; no angle needs to be set."
        if before >= WANTED:
            return number, meaning, "Nothing."
        return number, meaning, f"Expose longer than {rig.guiding.exposure.value:g} s where the field is poor."
    number = (
        f"{guide_field.usable_in_words(before)} before the flip, {after} after it, at the invented target and "
        f"{angle:.0f}°."
    )
    meaning = (
        f"The night is as good as its poorer side: {_stars(found.poorer)} in the list of this field. The average of "
        f"section 4 ({plan.mean:.1f} stars, {plan.all_night:.0%}) is for a target without a list."
    )
    return number, meaning, _action(found)


def _action(found):
    search = found.search
    if search.turn.value:
        return (
            f"Set a position angle of {search.best.value:.0f}° before you begin, a turn of {search.turn.value:+.0f}°: "
            f"then there are {found.promise}. Take new flat frames after the turn."
        )
    if found.poorer >= WANTED:
        return f"Nothing: at least {WANTED} on both sides."
    return "No angle is better: plan a longer exposure for the poorer side."
