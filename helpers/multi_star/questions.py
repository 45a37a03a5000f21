"""Guesses, exercises, forms and card of workbook 05; each answer is computed for the rig it is asked of."""

import astropy.units as u
import numpy as np

from helpers import guide_field, multi_star, pixel_scale, seeing, starlight
from helpers.classroom import figures, forms, guesses
from helpers.classroom.exercises import Question
from helpers.guide_field import stars as field_stars
from helpers.guide_field.usable import USUAL_MAGNITUDES
from helpers.multi_star import drawings

_WANTED = 0.1 * u.arcsec  # centroid error up to which a star is used
_BESIDE = 2.0 * u.arcmin  # one-axis rms by which a mount may point beside its aim after a flip
_FIELDS = 2000  # drawn to find what a poor one holds
_AN_HOUR = (u.arcsec / u.min).to(u.deg / u.hour)


def _wander(rig):
    return seeing.image_motion(rig.guide_optics.aperture, seeing.atmosphere_for(rig.site), rig.guiding.exposure)


def mean_of_eight(rig):
    """What the mean of eight stars keeps of the movement by the air."""
    _, kept = drawings.eight(rig)
    return guesses.choices(
        "05.arrows",
        "At the left only the air moves the stars. How much of one star's movement is left in the mean of eight?",
        {"a third": 0.35, "a half": 0.5, "two thirds or more": 0.85},
        kept,
        f"{kept:.0%} of it. The light of all stars crosses the same air near the ground, and slow, wide waves of air "
        f"higher up: they go the same way together. At the right each error is a new accident; there {8**-0.5:.0%} is "
        "left, one over the root of eight.",
    )


def all_own_stars(rig):
    """What all stars of the reader's field leave, against the best alone."""
    field = drawings.own_field(rig)
    one, every = field.mean(1), field.mean()
    count, further = len(field), field.stars.catalogue_magnitudes[1:]
    why = (
        f" The further stars are fainter (G = {further.min():.1f} to {further.max():.1f} instead of "
        f"{field.stars.catalogue_magnitudes[0]:.1f}), and the air is shared."
        if count > 2
        else ""
    )
    alike = (
        f" In the first panel all counted alike, and {drawings.eight(rig)[1]:.0%} of the air's part was left; here the "
        "best star counts most."
        if _keeps_more(rig, every)
        else ""
    )
    return guesses.choices(
        "05.own",
        f"Instead of your best star alone, all {count} of this field are averaged. What is left of the movement?",
        {"nearly all of it": 0.95, "about two thirds": 0.67, "a third": 0.33},
        float(every.both / one.both),
        f"{float(every.both / one.both):.0%} of it: {every.both.value:.2f} instead of {one.both.value:.2f} arcsec. "
        f"The air's part goes from {one.air.value:.2f} to {every.air.value:.2f}, that of the errors of measuring from "
        f"{one.noise.value:.3f} to {every.noise.value:.3f}.{why}{alike}",
    )


def _keeps_more(rig, mean):
    """Whether a mean of the reader's stars keeps more of the air than that of eight which all count alike."""
    return float(mean.air / drawings.own_field(rig).mean(1).air) > drawings.eight(rig)[1] + 0.005


def lone_star(rig):
    """How much worse the lone star after the flip is than seven; the demo field, the same for each rig."""
    seven, one = (field.mean() for field in drawings.demo_measured())
    ratio = float(one.both / seven.both)
    chance = " (that section 1 has 7 too is chance)" if len(drawings.own_field(rig)) == 7 else ""
    return guesses.choices(
        "05.flip",
        f"Before the flip the club's camera follows the seven stars of its list{chance}, after it a lone one, fainter "
        "than most of them. How much larger is the movement it reports, if the mount stands still?",
        {"less than a fifth": 1.1, "half as large again": 1.5, "2.6 times as large, the root of seven": 2.65},
        ratio,
        f"By {ratio - 1:.0%}: {one.both.value:.3f} instead of {seven.both.value:.3f} arcsec. The error of measuring "
        f"grows from {seven.noise.value:.3f} to {one.noise.value:.3f}, but both are small beside the air, which all "
        "stars share. What changes is the risk: a cloud that the seven outlast takes the lone star away.",
    )


def nine_errors(rig):
    """Exercise: error of the mean of nine."""
    one = 0.30 * u.arcsec
    right = np.sqrt(multi_star.mean_variance(np.diag(np.full(9, one.value**2)) * u.arcsec**2))
    return Question(
        "05.1",
        "Nine stars are equally bright, and each is measured with an error of 0.30 arcsec. How large is the error of "
        "their mean? (Leave the air aside.)",
        right,
        unit=u.arcsec,
        percent=3,
        mistakes=(
            (one / 9, "the mean square falls to a ninth, the error to its root."),
            (one, "errors of different stars know nothing of each other; they cancel in part."),
        ),
        hint="Errors that know nothing of each other: that of one star, over the square root of the number of stars.",
        solution=f"0.30 arcsec over 3, the root of 9, is {right.value:.2f} arcsec.",
    )


def two_alike(rig):
    """Exercise: movement of the mean of two stars that move much alike."""
    one, alike = 0.40 * u.arcsec, 0.8
    right = np.sqrt(multi_star.mean_variance(one.value**2 * np.array([[1, alike], [alike, 1]]) * u.arcsec**2))
    return Question(
        "05.2",
        f"The air moves each of two bright stars by {one.value:.2f} arcsec rms, with a correlation of {alike}. How far "
        "does their mean move?",
        right,
        unit=u.arcsec,
        percent=2,
        mistakes=(
            (one / 2**0.5, "that would be right if they knew nothing of each other; these move much alike."),
            (one, "nearly, but a little does cancel."),
            (right**2 / u.arcsec, "that is the mean square; take its root."),
        ),
        hint="The mean square of the mean of two is that of one star, times (1 + correlation) / 2.",
        solution=f"{one.value:.2f} arcsec times the root of (1 + {alike}) / 2 is {right.value:.3f} arcsec: "
        f"{1 - float(right / one):.0%} less than one star.",
    )


def what_is_shared(rig):
    """Exercise: which part sets a log that stars don't improve."""
    shared = "what all stars share: air and mount"
    return Question(
        "05.3",
        "With one bright star your log shows 0.50 arcsec, with nine bright stars 0.48. Which part sets the number?",
        shared,
        options=("errors of measuring", shared, "one bad star"),
        mistakes=(
            ("errors of measuring", "those would have fallen to a third."),
            ("one bad star", "one bad star among nine would make it worse, not better."),
        ),
        hint="Which part does not change with the number of stars?",
        solution="What all stars share. More stars won't help; look at exposure, mount and loop.",
    )


def nine_words(rig):
    """What nine stars take off instead of one, bright ones to faint ones, in words."""
    found = drawings.nine_against_one(rig)
    gains = 1 - found[:, 1] / found[:, 0]
    return (
        f"Nine stars instead of one take off {gains[0]:.0%} where they are bright (error of measuring a tenth of the "
        f"air), {gains[1]:.0%} where they are middling (as large as the air) and {gains[2]:.0%} where they are faint "
        f"(twice the air). A third of the error would be {2 / 3:.0%} less."
    )


def flip_table():
    """Head and rows: seven stars and one, in air, error of measuring, and the risk of losing them."""
    club, *fields = drawings.demo_fields()
    means = [field.mean() for field in drawings.demo_measured()]
    hides = [multi_star.cloud_that_hides(club, stars, airmass=drawings.demo_airmass()) for stars in fields]
    missed = [_missed(club, stars) for stars in fields]
    head = ("the club's field", f"before: {len(fields[0])} stars", "after: one star")
    rows = [
        ("air, one-axis rms [arcsec]", *(f"{mean.air.value:.3f}" for mean in means)),
        ("errors of measuring [arcsec]", *(f"{mean.noise.value:.4f}" for mean in means)),
        ("both [arcsec]", *(f"{mean.both.value:.3f}" for mean in means)),
        ("a cloud loses all when it lets less through than", *(f"1/{10 ** (0.4 * cloud):.0f}" for cloud in hides)),
        (f"pointing off by {_BESIDE.value:g} arcmin rms: no star on the sensor", *(f"{share:.1%}" for share in missed)),
        ("one star goes wrong", "seen, and left out", "the mount follows it"),
    ]
    return head, rows


def flip_note():
    """What the table of the flip takes for granted, in words."""
    return (
        f"The club's mount is taken to point beside its aim by {_BESIDE.value:g} arcmin rms on each axis after the "
        "flip: common practice, no source."
    )


def _missed(rig, stars):
    return multi_star.chance_of_missing(rig, stars, _BESIDE, np.random.default_rng(3))


def flip_words():
    """What the table says, and what helps beforehand."""
    club, before, after = drawings.demo_fields()
    target, airmass = guide_field.DEMO_TARGET, drawings.demo_airmass()
    around = guide_field.load_catalogue(drawings.DEMO_DATA / "field_surroundings.ecsv")
    limits = guide_field.plan(club, target).limits
    found = guide_field.try_list(around, target, club, limits, present=before.position_angle)
    tenth = float(after.magnitudes[0]) + 2.5
    longer = multi_star.fallback_exposure(club, tenth, airmass=airmass)
    exposure = (
        f"Second, an exposure to fall back to: with {longer.value:.1f} s instead of {club.guiding.exposure.value:g} s "
        f"the lone star is known to {_WANTED.value:g} arcsec even where a cloud leaves a tenth of its light."
        if longer is not None
        else "A longer exposure does not help where a cloud leaves a tenth of its light."
    )
    return (
        "An unattended night can be prepared. First, the angle: now the guide camera has "
        f"{len(before)} usable stars before the flip and {len(after)} after it. Turned by "
        f"{abs(found.search.turn.value):.0f} degrees, to {found.search.best.value:.0f}, it has {found.promise}. "
        f"{exposure}"
    )


def own_number(rig):
    """The reader's number of this workbook, in words."""
    field, count = drawings.own_field(rig), drawings.used(rig)
    mean, alone, best = field.mean(count), _wander(rig), field.mean(1)
    gain = f" Both together are {float(1 - mean.both / best.both):.0%} less than with the best star alone." * (
        count > 1
    )
    most = ", for the best counts most" if count > 1 and _keeps_more(rig, mean) else ""
    stars = "The star that your camera would use has" if count == 1 else f"The mean of the {count} stars in use has"
    return (
        f"{stars} an error of measuring of {mean.noise.value:.2f} arcsec on each axis in "
        f"{rig.guiding.exposure.value:g} s. The air moves it by {mean.air.value:.2f} arcsec, "
        f"{float(mean.air / alone):.0%} of what it does to one star{most}.{gain}"
    )


def own_words(rig):
    """What the own number rests on, in words."""
    field, count = drawings.own_field(rig), drawings.used(rig)
    bright = field.stars.catalogue_magnitudes[:count]
    to = f" to {bright.max():.1f}" if count > 1 else ""
    good = field.errors[count - 1] <= _WANTED
    rule = (
        f"In use are stars known to {_WANTED.value:g} arcsec or better."
        if good
        else f"No star there is known to {_WANTED.value:g} arcsec, so the best of the poor ones are in use."
    )
    holds = f"at least {len(field)}" if len(field) == max(drawings.MOST, rig.guiding.stars) else str(len(field))
    return (
        f"A middling field has on your guide sensor {holds} {'star' if len(field) == 1 else 'stars'} that can be "
        f"measured. {rule} Their magnitude is G = {bright.min():.1f}{to}."
    )


def table_of_likeness(rig):
    """Head and rows: how alike the air moves two stars."""
    apart = np.array([0, 1, 3, 10, 30, 60])
    separations = np.column_stack([apart, 0 * apart]) * u.arcmin
    times = [0 * u.s, rig.guiding.exposure, 4 * rig.guiding.exposure]
    found = []
    for time in times:
        air = seeing.atmosphere_for(rig.site)
        both = multi_star.pair_covariance(separations, rig.guide_optics.aperture, air, time).mean(axis=0)
        found.append((both / both[0]).value)
    head = ("distance of two stars", *("at an instant" if not t.value else f"over {t.value:g} s" for t in times))
    rows = [(f"{a} arcmin", *(f"{part[k]:.2f}" for part in found)) for k, a in enumerate(apart) if a]
    return head, rows


def table_of_weights(rig):
    """Head and rows: four ways to use the reader's stars, all that can be measured."""
    field = drawings.own_field(rig)
    count, full = len(field), multi_star.with_centroid_noise(field.air, field.errors)
    ways = {
        "the best star alone": np.eye(count)[0],
        "all alike": np.full(count, 1 / count),
        "each by 1 / error², as the panels do": multi_star.snr_weights(field.errors),
        "best weights": multi_star.best_weights(full.mean(axis=0)),
    }
    rows = []
    for name, weights in ways.items():
        mean = field.mean(weights=weights)
        rows.append((name, *(f"{part.value:.3f}" for part in (mean.air, mean.noise, mean.both))))
    return (f"your field, {count} stars, in arcsec", "air", "errors of measuring", "both"), rows


def table_of_methods(rig):
    """Head and rows: error of four ways to find the middle of a star, measured on simulated frames."""
    field, count = drawings.own_field(rig), drawings.used(rig)
    found = drawings.centroid_methods(rig, float(field.stars.magnitudes[count - 1]))
    head = ("way to find the middle", "one-axis error [arcsec]", "against the least possible")
    least, rows = found["least possible"], []
    for name, error in found.items():
        luck = f" ± {drawings.METHODS_KNOWN_TO * error / least:.2f}" if name != "least possible" else ""
        rows.append((name, f"{error:.3f}", f"{error / least:.2f}{luck}"))
    return head, rows


def more_cannot_harm(rig):
    """What is true of "more stars can't harm", in words."""
    covariance, _ = drawings.eight(rig)
    six = covariance[:, :6, :6]
    wander = np.sqrt(covariance[:, 0, 0].mean())
    bright = 0.1 * wander
    together = np.sqrt(multi_star.mean_variance(six).mean())
    usable = min(_WANTED, wander)
    noise = np.hypot(bright, 5**0.5 * usable) / 6
    # equal weights: air of six and noise of six against one star alone
    harm = np.sqrt((36 * (wander**2 + bright**2 - together**2) - bright**2) / 5)
    return (
        f"In a plain mean with stars one would use it is true: a bright star alone moves "
        f"{np.hypot(wander, bright).value:.3f} arcsec; with five more, each known only to {usable.value:.2f} arcsec, "
        f"{np.hypot(together, noise).value:.3f}. Five more begin to harm when each is worse than "
        f"{harm.value:.2f} arcsec; to count each by 1 / error² (its weight) prevents that. The real "
        "harm is a star that goes wrong unseen."
    )


def field_form(rig):
    """Fields of the form for the reader's own stars."""
    field, count = drawings.own_field(rig), drawings.used(rig)
    shown = ", ".join(f"{magnitude:.1f}" for magnitude in field.stars.catalogue_magnitudes[:count])
    share = starlight.view(rig).light_share
    return [
        {
            "key": "magnitudes",
            "label": "your guide stars",
            "unit": "Gaia G of a star list, commas between",
            "value": shown,
            "typical": USUAL_MAGNITUDES,
            "if_unknown": "Leave the stars of a middling field. "
            + (f"What your mirror keeps back, {1 - share:.0%} of the light, is taken off." if share < 1 else ""),
        },
        {
            "key": "exposure",
            "label": "guide exposure",
            "unit": "s",
            "value": float(rig.guiding.exposure.value),
            "typical": "1 to 4",
        },
    ]


def field_reply(rig):
    """What the form answers: a function of its answers."""

    def reply(answers):
        catalogue = np.array(forms.numbers("your guide stars", answers["magnitudes"]))
        share = starlight.view(rig).light_share
        places = np.resize(drawings.spread(rig).value, (len(catalogue), 2)) * (
            1 - 0.02 * np.arange(len(catalogue))[:, None]
        )
        stars = guide_field.stars_at(rig, places * u.arcmin, catalogue - 2.5 * np.log10(share))
        field = multi_star.measure_field(rig, stars, answers["exposure"] * u.s)
        both = [field.mean(n).both.value for n in range(1, len(field) + 1)]
        enough = next(n for n, value in enumerate(both, 1) if value <= 1.02 * both[-1])
        mean = field.mean()
        word = "star gives" if enough == 1 else f"{enough} stars give"
        lost = len(catalogue) - len(field)
        left = f" ({lost} can't be measured: too faint, or so bright that a pixel is full.)" if lost else ""
        return (
            f"The mean of {len(field)} moves {mean.both.value:.3f} arcsec on each axis: {mean.air.value:.3f} by the "
            f"air, {mean.noise.value:.3f} by errors of measuring. The best {word} all of it but 2 %; the best alone "
            f"{both[0]:.3f}.{left}"
        )

    return reply


def frames_fields(rig):
    """Fields of the form about the reader's guide frames; what the file's header says goes before them."""
    step = round(starlight.gain_setting(rig.guide_camera).step.value, 2)
    return [
        {"key": "exposure", "label": "exposure of a frame (EXPTIME)", "unit": "s", "value": 0.5},
        {"key": "altitude", "label": "height of the stars above the horizon", "unit": "deg", "value": 60.0},
        {
            "key": "binning",
            "label": "pixels added up, each way",
            "unit": "",
            "value": int(rig.guide_camera.binning),
            "typical": "2 for a colour camera, so that its colours cancel",
        },
        {
            "key": "step",
            "label": "electrons a step of a pixel's value (GAIN)",
            "unit": "electron",
            "value": step,
            "if_unknown": "Leave it; `08_camera_check` measures it.",
        },
    ]


def frames_reader(rig):
    """Two functions that share their answers: one takes the form's, one reads the frames that were picked."""
    known = {field["key"]: field["value"] for field in frames_fields(rig)}

    def keep(answers):
        _check_frames(answers)
        known.update(answers)
        return "Kept. Now pick the frames."

    def read(paths):
        scale = pixel_scale.pixel_scale(rig.guide_camera.pixel_size, rig.guide_optics.focal_length, known["binning"])
        step = known["step"] * u.electron / u.DN
        run = multi_star.read_guide_run(paths, scale, known["exposure"] * u.s, step)
        airmass = near_horizon(known["altitude"])
        found = drawings.analysed(rig, run, airmass)
        words = run_words(rig, run, found, airmass)
        return figures.show(drawings.motion_of_run(found), drawings.RUN_ALT, words)

    return keep, read


def near_horizon(altitude):
    """Airmass at a height above the horizon in degrees."""
    return float(1 / np.sin(np.radians(altitude)))


def _check_frames(answers):
    limits = {"exposure": (0.001, 60), "altitude": (15, 90), "binning": (1, 8), "step": (0.001, 1000)}
    for key, (low, high) in limits.items():
        if not low <= answers[key] <= high:
            raise ValueError(f"{key}: expected {low:g} to {high:g}, found {answers[key]:g}")


def _between(estimate, digits=2, by=1):
    """A value and its interval, times a factor."""
    parts = (estimate.value, estimate.low, estimate.high)
    value, low, high = (by * float(getattr(part, "value", part)) for part in parts)
    return f"{value:.{digits}f} ({low:.{digits}f} to {high:.{digits}f})"


def run_words(rig, run, found, airmass=1):
    """What a run of guide frames tells, a sentence for each number, in words; 95 % intervals in brackets."""
    stars = [type(found.stars)(*part) for part in zip(*_parts(found.stars), strict=True)]
    moved = "; ".join(f"{k} {_between(star, 3)}" for k, star in enumerate(stars, 1))
    head = (
        f"{run.frames} frames of {run.exposure.value:g} s, {len(run)} stars, {run.fwhm.value:.2f} arcsec wide. In "
        "brackets: the interval that holds the true value in 95 of 100 runs."
    )
    each = f"Star by star it really moved, without errors of measuring, one-axis rms [arcsec]: {moved}."
    parts = (
        f"All share {_between(found.together, 3)} arcsec of it: mount and common air. Each has "
        f"{_between(found.apart, 3)} for itself: air that two stars do not share."
    )
    others = _seeing_words(rig, run, found, airmass), _turning_words(rig, found)
    return "\n".join([head, each, parts, _alike_words(found), _noise_words(found), *others])


def _parts(estimate):
    return estimate.value.value, estimate.low.value, estimate.high.value


def _alike_words(found):
    fits = (found.alike.low <= found.foretold(found.distance)) & (found.foretold(found.distance) <= found.alike.high)
    near, far = (
        f"{found.distance[k].value:.1f} arcmin apart {found.alike.value[k]:.2f} ({found.alike.low[k]:.2f} to "
        f"{found.alike.high[k]:.2f})"
        for k in (0, -1)
    )
    return f"Correlation of two stars: {near}, {far}. The model lies inside {fits.sum()} of {fits.size} intervals."


def _noise_words(found):
    if found.noise is None:
        return "Errors of measuring are taken for the least possible: with these stars they can't be told from air."
    return (
        f"Errors of measuring: {_between(found.noise)} times the least that their light allows (itself known to about "
        "a tenth)."
    )


def _seeing_words(rig, run, found, airmass):
    """The seeing, and how far it hangs on the layers assumed."""
    others = multi_star.seeing_by_layers(run, rig.guide_optics.aperture, seeing.ATMOSPHERES, airmass)
    values = [estimate.value.to_value(u.arcsec) for estimate in others.values()]
    return (
        f"Seeing overhead: {_between(found.seeing)} arcsec, if the air has the layers of your site "
        f"({rig.site.atmosphere}). With those of the other named nights {min(values):.1f} to {max(values):.1f}: air "
        "near the ground moves all stars alike, and is inferred, not measured."
    )


def _turning_words(rig, found):
    """How the field turns, and what that does to the main picture."""
    low, high = found.turning.low.value, found.turning.high.value
    if low <= 0 <= high:
        most = max(-low, high)
        return f"The field does not turn by an amount that shows: at most {most * _AN_HOUR:.2f} degrees an hour."
    camera, time = rig.main_camera, rig.guiding.picture_exposure
    corner = np.hypot(camera.columns, camera.rows) / 2 * camera.pixel_size / rig.telescope.focal_length
    moved = (abs(found.turning.value) * time * corner.decompose().value).to(u.arcsec)
    return (
        f"The field turns by {_between(found.turning, by=_AN_HOUR)} degrees an hour: in a picture of "
        f"{time.to_value(u.s):.0f} s that draws the corners out by {moved.value:.2f} arcsec."
    )


def demo_run_words(rig):
    """What the simulated run tells, in words; the same for each rig."""
    simulated, found = drawings.demo_run()
    return run_words(drawings.demo_fields()[0], simulated.run, found)


def table_of_demo_run(rig):
    """Head and rows: what was put into the simulated run beside what was found; the same for each rig."""
    simulated, found = drawings.demo_run()
    club = drawings.demo_fields()[0]
    together, apart = shared_and_rest(simulated.moved.value)
    errors = np.sqrt(np.mean(simulated.missed**2) / np.mean(simulated.run.errors**2))
    rows = [
        ("what all stars share [arcsec]", f"{together:.3f}", _between(found.together, 3)),
        ("what each has for itself [arcsec]", f"{apart:.3f}", _between(found.apart, 3)),
        ("errors of measuring over the least possible", f"{float(errors):.2f}", _between(found.noise)),
        ("seeing overhead [arcsec]", f"{club.site.seeing.value:.2f}", _between(found.seeing)),
        (
            "turning of the field [degrees an hour]",
            f"{simulated.turning.value * _AN_HOUR:.2f}",
            _between(found.turning, by=_AN_HOUR),
        ),
    ]
    return ("", "put in", "found (95 % interval)"), rows


def shared_and_rest(moved):
    """One-axis rms that all stars share and that each has for itself, of true movements (n, N, 2)."""
    covariance = sum(np.cov(moved[..., axis].T) for axis in (0, 1)) / 2
    count = len(covariance)
    shared = (covariance.sum() - np.trace(covariance)) / (count * (count - 1))
    return np.sqrt(shared), np.sqrt(np.trace(covariance) / count - shared)


def poor_field(rig):
    """G of the best star, as it reaches the camera, of which nine fields in ten have a brighter one."""
    target, rng = guide_field.default_target(rig), np.random.default_rng(9)
    return float(np.quantile(field_stars.drawn_magnitudes(rig, target, rng, _FIELDS)[:, 0], 0.9))


def card(rig):
    """The three texts of the card: number, meaning, what to do."""
    field, count = drawings.own_field(rig), drawings.used(rig)
    mean = field.mean(count)
    number = (
        f"{mean.noise.value:.2f} arcsec on each axis: the error of measuring of the mean of your stars (in the strip: "
        "noise of the stars' mean)."
    )
    share = float(mean.noise**2 / mean.both**2)
    meaning = (
        f"It makes {share:.0%} of what the camera reports (in squares); the rest, {mean.air.value:.2f} arcsec, is air, "
        "of which more stars take off little."
    )
    return number, meaning, _action(rig, field, count)


def _action(rig, field, count):
    """One recommendation."""
    magnitude, now = poor_field(rig), rig.guiding.exposure
    alone = field.mean(1)
    if field.errors[0] > _WANTED:
        gain = 1 - float(field.mean(count).both / alone.both)
        if count > 1:
            return f"Let the camera follow {count} stars: their mean moves {gain:.0%} less than the best star alone."
        return "Expose longer, or turn the guide camera to a richer field: its only star is poor."
    longer = multi_star.fallback_exposure(rig, magnitude)
    if longer is not None and longer > 1.05 * now:
        return (
            f"Let the camera follow all stars it can use, and set {longer.value:.1f} s as the exposure to fall back to "
            f"when only one is left: of ten random fields at least nine hold a star bright enough for it."
        )
    if longer is None:
        return (
            "Choose the position angle of the guide camera beforehand: of ten random fields at least "
            "one has no star bright enough even for 20 s."
        )
    said = (
        "Nothing to change: of ten random fields at least nine hold a star bright enough for your "
        "exposure. Follow all you can use."
    )
    if guide_field.sides(rig) == 2:
        said += (
            " For an unattended night, set the angle that 03_guide_field gives for your target, and an exposure "
            "to fall back to."
        )
    return said
