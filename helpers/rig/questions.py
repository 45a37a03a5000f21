"""Guesses, exercises, forms and card of workbook 00; each answer is computed for the rig it is asked of."""

from functools import partial

import astropy.units as u
import numpy as np

from helpers import ledger as ledgers
from helpers import pixel_scale
from helpers import rig as rigs
from helpers.classroom import forms, guesses
from helpers.classroom.exercises import Question
from helpers.correction_loop import mount
from helpers.rig import drawings
from helpers.rig.parts import FROM_TELESCOPE, SECTIONS, ZERO_FOR

_WITHIN = 0.5 * u.arcsec
# What a form asks first, and why each matters most.
FIRST = {
    "telescope.aperture": ("main telescope: ", "how wide diffraction makes its stars"),
    "telescope.focal_length": ("main telescope: ", "how much sky a pixel sees"),
    "main_camera.pixel_size": ("main camera: ", "how small a movement shows in the picture"),
    "guide_optics.kind": ("", "where the guide camera's light comes from"),
    "guide_optics.aperture": ("guide optics: ", "how much light a guide star gives"),
    "guide_optics.focal_length": ("guide optics: ", "how finely the guide camera measures"),
    "guide_camera.pixel_size": ("guide camera: ", "how finely the guide camera measures"),
    "site.seeing": ("your nights: ", "how wide and how restless stars are"),
}
# What to give next, the most telling first.
NEXT = FIRST | {
    "guide_optics.mirror_size": ("", "how much light passes the pick-off"),
    "guide_optics.mirror_distance": ("", "how much light passes the pick-off"),
    "guide_optics.flexure": ("", "what a guide telescope can't see"),
    "guiding.exposure": ("", "how much of the air is averaged away"),
    "guide_camera.read_noise": ("", "how faint a guide star may be"),
    "guide_camera.peak_quantum_efficiency": ("", "how faint a guide star may be"),
    "site.sky_brightness": ("", "how faint a guide star may be"),
    "mount.periodic_error": ("", "what guiding has to correct"),
    "mount.worm_period": ("", "how fast guiding has to correct it"),
    "mount.polar_error": ("", "how fast stars drift"),
    "guiding.picture_exposure": ("", "how long a picture must hold still"),
}
# For the fields of the form: what is typical, and what to do if it is not known. Common practice, no source.
ADVICE = {
    "telescope.aperture": ("60 to 300", "It stands on the telescope's label; so does the focal length."),
    "telescope.focal_length": ("300 to 2000; with a reducer, the focal length that it gives", ""),
    "telescope.central_obstruction": ("0 for lenses, 0.2 to 0.4 with a second mirror", "Leave it."),
    "telescope.transmission": ("0.7 to 0.8 for mirrors, 0.9 for lenses", "Leave it."),
    "main_camera.pixel_size": ("2.4 to 6", "It stands in the camera's data sheet, as do columns and rows."),
    "guide_optics.kind": ("", "A guide camera on the main telescope's own focuser sits on a pick-off."),
    "guide_optics.aperture": ("30 to 80; a pick-off has the telescope's", ""),
    "guide_optics.focal_length": ("120 to 400; a pick-off has the telescope's", ""),
    "guide_optics.mirror_size": ("7 to 12", "Measure the side of the small mirror with a ruler, without touching it."),
    "guide_optics.mirror_distance": ("40 to 80", "See the form below: add two lengths."),
    "guide_optics.off_axis_distance": ("12 to 25", "See the form below: from the telescope's movement."),
    "guide_optics.flexure": ("1 to 10 for a guide telescope", "Leave it; workbook 10 tells what it does."),
    "guide_camera.pixel_size": ("2 to 6", "It stands in the camera's data sheet."),
    "guide_camera.read_noise": ("1 to 4; at the gain that you use", "Leave it, or measure it in workbook 08."),
    "guide_camera.peak_quantum_efficiency": ("0.6 to 0.9", "Leave it."),
    "guide_camera.quantum_efficiency_850": ("0.2 to 0.5; the highest for sensors made for it", "Leave it."),
    "guide_camera.dark_current": ("0.1 to 2 on a summer night", "Leave it, or measure it in workbook 08."),
    "mount.worm_period": ("240 to 640", "See the form below: count the teeth of the worm wheel."),
    "mount.periodic_error": ("5 to 30", "Let one bright star drift for two turns of the worm, and measure its sway."),
    "mount.polar_error": ("1 to 5 after a careful alignment", "Leave it."),
    "mount.backlash": ("0 to 10", "Leave it."),
    "mount.jitter": ("0.05 to 0.3", "Leave it."),
    "site.latitude": ("", "Any map shows it; north is positive."),
    "site.sky_brightness": ("17.5 in a city, 19 in a suburb, 21.5 far from lights", "Take it from these three."),
    "site.seeing": ("2 to 4 in a valley, 1 to 2 on a good site", "See the form below: from a short picture."),
    "site.outer_scale": ("10 to 50", "Leave it; hardly anybody knows it."),
    "site.atmosphere": ("", "Leave it; workbook 04 shows what it means."),
    "guiding.exposure": ("1 to 4", "It is a setting of your guiding."),
    "guiding.loop_gain": ("0.3 to 0.7", "Leave it; workbook 07 finds a good one."),
    "guiding.delay": ("0, or 1 with slow mounts or computers", "Leave it."),
    "guiding.picture_exposure": ("60 to 600", ""),
}
_WITH_MEANING = "they are mine too"
_CONFIRMED = {
    "key": "confirmed",
    "section": "rig",
    "label": "the values above that you leave as they are",
    "unit": "",
    "value": "keep their marks",
    "choices": ("keep their marks", _WITH_MEANING),
    "folded": False,
}

WORDS = (
    ("aperture", "clear diameter of a telescope: how much light it takes in, and how fine a picture it can draw"),
    ("focal length", "how strongly a telescope magnifies the sky on its sensor; longer means larger"),
    ("magnitude", "how faint a star is: five more are a hundred times less light"),
    ("FWHM", "width of a star in a picture, at half of its greatest brightness"),
    ("exposure", "one picture of a camera, and how long it collects light for it"),
    ("seeing", "how wide the air makes a star; 2.5 arcsec is a usual night"),
    ("airmass", "how much air starlight passes: 1 overhead, 2 at 30 degrees above the horizon"),
    ("right ascension, declination", "a star's place on the sky, as longitude and latitude are a town's on the globe"),
    ("electron", "what light frees in a pixel, and a camera counts"),
    ("read noise", "the uncertainty that a camera adds each time a pixel is read out, in electrons"),
    ("quantum efficiency", "share of the light that frees an electron in a pixel"),
    ("near infrared", "light beyond the eye's red: waves longer than 700 nm (nm: a millionth of a millimetre)"),
    ("dark current", "electrons that a pixel frees by its own warmth, without light"),
    ("full well", "electrons that a pixel holds before it overflows"),
    ("colour mosaic", "tiny coloured filters on the pixels of a colour camera"),
    ("binning", "adding neighbouring pixels up to larger ones"),
    ("central obstruction", "share of the aperture's width that a second mirror shades"),
    ("outer scale", "size of the largest eddies in the air"),
    ("flexure", "slow bending of the guide telescope against the main telescope"),
    ("backlash", "play between gears: the motor turns and the axis does not follow yet"),
    ("log", "list of the errors that the guide camera measured, picture after picture"),
    ("fast shake", "movement too quick for any guide camera, by wind and gears"),
    (
        "loop gain, delay, dead band",
        "what part of an error is corrected, how late, how small an error is left alone",
    ),
)


def light_of_a_pick_off(rig):
    """Where the light comes from that a pick-off gives to the guide camera; the same for every rig."""
    right = "stars just beside the picture"
    return guesses.choices(
        "00.light",
        "A pick-off mirror sits inside the main telescope. Whose light does it give to the guide camera?",
        ("the rim of the picture's own light", right, "a part of each star in the picture"),
        right,
        "Stars just beside the picture. Their light comes through the whole telescope, and is focused next to the main "
        "camera; there the mirror stands. The picture loses nothing, as long as the mirror keeps out of its light.",
    )


def coin_distance(rig):
    """How far away a coin looks half an arcsecond wide; the same for every rig."""
    right = (drawings.COIN / _WITHIN.to_value(u.rad)).to(u.km)
    return guesses.number(
        "00.coin",
        "A coin of 24 mm: how far away does it look half an arcsecond wide, as small as what guiding is about?",
        0,
        20,
        right,
        f"{right.value:.1f} km. At 1 km it is {rigs.angle_of(drawings.COIN, 1 * u.km).value:.1f} arcsec wide, and "
        f"ten times "
        "the distance makes it ten times smaller.",
        unit=u.km,
    )


def _worst(rig):
    """How far a star moves in one exposure, by the worm and by the axis; floats in arcsec."""
    return np.ptp(drawings.worst_path(rig.mount, rig.guiding.picture_exposure), axis=0).to_value(u.arcsec)


def larger_fault(rig):
    """Which fault of the mount moves a star farther in one picture."""
    worm, axis = _worst(rig)
    seconds, names = rig.guiding.picture_exposure.value, ("the worm", "the axis that misses the pole")
    return guesses.choices(
        "00.fault",
        f"In one picture of {seconds:g} s, which of the two faults moves the stars of your mount farther?",
        names,
        names[0] if worm >= axis else names[1],
        f"At its worst the worm moves them {worm:.1f} arcsec, the axis {axis:.1f}. The worm goes to and fro, the drift "
        f"goes on: after ten minutes it is {axis * 600 / seconds:.1f} arcsec, while the worm never takes them farther "
        f"than {rig.mount.periodic_error.value:g}.",
    )


def own_number(rig):
    """What the reader's mount does to a picture, in words."""
    both, shows = drawings.longest_way(rig).value, _shows(rig)
    fewer = both / shows
    return (
        f"In one picture of {rig.guiding.picture_exposure.value:g} s without guiding both faults move a star up to "
        f"{both:.1f} arcsec from end to end. Your picture shows it from {shows:.1f} on. "
        + (
            f"Both faults would have to be {fewer:.{0 if fewer >= 2 else 1}f} times smaller: your mount needs guiding."
            if fewer > 1
            else "This mount stays below that by itself."
        )
    )


def why_it_shows(rig):
    """How the way of a star hangs together with the first number of the strip, in words."""
    return (
        f"Why {_shows(rig):.1f}? A star that glides so far, evenly, is {_noticed(rig):.2f} arcsec **rms** off the "
        "middle of its way, the first number of the strip. (Square how far it is off at each moment, take the mean, "
        f"take the root; `01_pixel_scale` tells why {_noticed(rig):.2f} may not be more.)"
    )


def _noticed(rig):
    return pixel_scale.compare_scales(rig).noticed.value


def _shows(rig):
    """How far a star may glide from end to end until the picture shows it; float in arcsec."""
    return 12**0.5 * _noticed(rig)  # the rms of an even glide is its length / sqrt(12)


def expensive_mount(rig):
    """How good a mount would have to be to need no guiding, in words."""
    shows = _shows(rig)
    fewer = max(1, drawings.longest_way(rig).value / shows)
    return (
        f"A dearer mount has smaller faults, not none. For {shows:.1f} arcsec in "
        f"{rig.guiding.picture_exposure.value:g} "
        f"s yours would need a periodic error of {rig.mount.periodic_error.value / fewer:.2g} arcsec (it has "
        f"{rig.mount.periodic_error.value:g}) and at the same time an axis within "
        f"{rig.mount.polar_error.value / fewer:.2g} arcmin of the pole (now {rig.mount.polar_error.value:g})."
    )


def drift_rule(rig):
    """The drift of a misaligned axis, in words; the same for every rig."""
    rate = _drift(1 * u.arcmin).to_value(u.arcsec / u.min)
    return (
        f"For each arcminute by which the axis misses the pole, stars drift by at most {rate:.2f} arcsec in a minute."
    )


def _drift(error):
    return np.hypot(*mount.polar_drift_rate(90 * u.deg, 0 * u.deg, error, pole_hour_angle=0 * u.deg))


def coin_on_the_hill(rig):
    """Exercise: a coin two kilometres away."""
    right = rigs.angle_of(drawings.COIN, 2 * u.km)
    return Question(
        "00.1",
        "A coin of 24 mm lies 2 km away. How many arcseconds wide does it look?",
        right,
        unit=u.arcsec,
        percent=3,
        mistakes=(
            (right.to_value(u.arcmin) * u.arcsec, "that is the angle in arcminutes: there are 60 arcseconds in each."),
            (right / 2, "take the whole width of the coin, not half of it."),
        ),
        hint=f"At 1 km it is {rigs.angle_of(drawings.COIN, 1 * u.km).value:.2f} arcsec wide. Or read it off the "
        f"figure.",
        solution=f"Twice as far, half as wide: {right.value:.2f} arcsec.",
    )


def drift_in_a_minute(rig):
    """Exercise: drift by a misaligned axis."""
    right, single = _drift(3 * u.arcmin), _drift(1 * u.arcmin)
    return Question(
        "00.2",
        "A mount's axis misses the pole by 3 arcmin. At worst, how many arcseconds do the stars drift in two minutes?",
        2 * u.min * right,
        unit=u.arcsec,
        percent=5,
        mistakes=(
            (1 * u.min * right, "that is the drift of one minute."),
            (2 * u.min * single, "that is the drift for an error of 1 arcmin."),
        ),
        hint=drift_rule(rig),
        solution=f"{single.value:.4f} x 3 x 2 = {(2 * u.min * right).value:.2f} arcsec.",
    )


def not_the_mount(rig):
    """Exercise: what looks like a fault of the mount."""
    right, readout, focus = "the air bends the star's light", "the main camera is read out", "the focus is poor"
    return Question(
        "00.3",
        "A guide camera sees its star move. Which of these can it not tell from a fault of the mount?",
        right,
        options=(readout, right, focus),
        mistakes=(
            (readout, "reading out the main camera moves no star on the guide camera."),
            (focus, "poor focus makes a star wider; it does not move it."),
        ),
        hint="What lies between the star and the telescope?",
        solution="Moving air shifts a star just as a shaking mount would. Telling the two apart is what the workbooks "
        "on seeing, many stars and the correction loop are about.",
    )


def _fields(rig):
    """The fields of the form: name and first eight on top, advice and checks with all."""
    fields = []
    for field in rigs.form_fields(rig):
        key, (typical, if_unknown) = field["key"], ADVICE.get(field["key"], ("", ""))
        field |= {"typical": typical, "if_unknown": if_unknown}
        if key in FIRST:
            field |= {"label": FIRST[key][0] + field["label"], "folded": False}
        if key == "name":
            field["folded"] = False
        else:
            field["check"] = partial(_checked, key)
        fields.append(field)
    fields.sort(key=lambda field: 1 + list(FIRST).index(field["key"]) if field["key"] in FIRST else 0)
    on_top = [field for field in fields if field.get("folded") is False]
    return [*on_top, _CONFIRMED, *(field for field in fields if field.get("folded") is not False)]


def _checked(key, value):
    """Nothing, or the ValueError that names what is wrong with one value."""
    section, _, name = key.rpartition(".")
    about = SECTIONS[section].__dataclass_fields__[name].metadata
    try:
        about["check"](about["label"], value * u.Unit(about["unit"]) if about.get("unit") else value)
    except (TypeError, u.UnitsError) as error:
        raise ValueError(str(error)) from error
    return ""


def _where_kept(file):
    """Where the reader finds the saved rig again: in the folder at hand, or as a visitor of live pages."""
    if not file.is_absolute():
        return f"Saved as {file.name}, beside the workbooks; delete that file to go back to the demo rig."
    return f"Saved under your name; “All workbooks” gives you the file {file.name} to take home."


def rig_form(rig):
    """The form of the reader's rig; saving writes the rig file and tells where the reader stands."""
    suggested = set()

    def kind_chosen(kind):
        usual = rigs.usual_optics(kind, made.answers)
        suggested.update(usual)
        made.suggest(usual)
        return (
            "Put in: a guide telescope of {aperture:g} mm, focal length {focal_length:g} mm, that bends by "
            "{flexure:g} arcsec an hour. Change what you know better."
            if kind == "guide telescope"
            else "Put in: a mirror of {mirror_size:g} mm, {mirror_distance:g} mm in front of the sensor, in the main "
            "telescope's light; the two lengths of a guide telescope don't count then."
        ).format(**{key.removeprefix("guide_optics."): value for key, value in usual.items()})

    def save(answers):
        own = rig.own - (suggested - made.touched) | (made.touched - {"confirmed"})
        if answers.pop("confirmed") == _WITH_MEANING:
            own |= set(FIRST)
        mine = rigs.rig_from_form(answers, own)
        rigs.save_rig(mine, rigs.own_rig_file())
        number, meaning, action = card(mine)
        return f"{_where_kept(rigs.own_rig_file())} {rigs.describe(mine)}.\n{number} {meaning}\n{action}"

    fields = _fields(rig)
    next(field for field in fields if field["key"] == "guide_optics.kind")["check"] = kind_chosen
    made = forms.form(fields, save, button="Save my rig")
    return made


def _asked(key, label, unit, value, section, **more):
    return {"key": key, "section": section, "label": label, "unit": unit, "value": value, "choices": None} | more


def finding_form(rig):
    """A form that works out values that stand on no label."""
    star = pixel_scale.compare_scales(rig).recorded_fwhm.value
    fields = [
        _asked("teeth", "teeth of the worm wheel", "", 180, "worm period", typical="100 to 360; counted, or told"),
        _asked("fwhm", "FWHM of stars in a picture of a few seconds, well focused", "arcsec", round(star, 2), "seeing"),
        _asked("altitude", "height of these stars above the horizon", "deg", 90.0, "seeing"),
        _asked(
            "thread", "mirror's middle to the seat of the guide camera, spacers included", "mm", 47.5, "mirror distance"
        ),
        _asked("depth", "seat of the guide camera to its sensor", "mm", 12.5, "mirror distance"),
        _asked("east", "telescope moved east on the sky (west: minus)", "arcmin", -35.3, "guide field"),
        _asked("north", "telescope moved north (south: minus)", "arcmin", -20.4, "guide field"),
    ]
    return forms.form(fields, partial(_found, rig), button="Work it out")


def _found(rig, answers):
    """What the second form answers, one line for each value."""
    seeing = pixel_scale.seeing_from_picture(rig, answers["fwhm"] * u.arcsec, answers["altitude"] * u.deg)
    lines = [
        f"Worm period: {rigs.worm_period(answers['teeth']).value:.0f} s.",
        f"Seeing overhead: {seeing.value:.2f} arcsec; a little too large, for focus and optics are in it.",
    ]
    if rig.guide_optics.kind == "pick-off":
        east, north = (answers[key] * u.arcmin for key in ("east", "north"))
        angle, distance = rigs.guide_field_place(east, north, rig.telescope.focal_length)
        lines += [
            f"Mirror to guide sensor: {answers['thread'] + answers['depth']:.1f} mm.",
            f"Guide field: {distance.value:.1f} mm from the main axis.",
            f"Position angle of the guide field: {angle.value:.0f} deg; workbook 03 asks for it.",
        ]
    return "\n".join(lines)


def _counted(rig):
    """Keys of all values that mean something for this rig's kind of guide optics."""
    without = set(ZERO_FOR[rig.guide_optics.kind])
    if rig.guide_optics.kind == "pick-off":
        without |= set(FROM_TELESCOPE)
    return [key for key in rigs.flat(rig) if key.removeprefix("guide_optics.") not in without and key != "name"]


def _label(key):
    section, _, name = key.rpartition(".")
    label = SECTIONS[section].__dataclass_fields__[name].metadata["label"]
    return label.split(" (")[0].split(",")[0].split(":")[0]


def table_of_what_is_known(rig):
    """Head and rows: for each part of the rig, what the reader described and what is assumed."""
    rows = []
    for section in SECTIONS:
        keys = [key for key in _counted(rig) if key.startswith(section + ".")]
        described = [_label(key) for key in keys if key in rig.own]
        assumed = [_label(key) for key in keys if key not in rig.own]
        named = ", ".join(assumed) if described else f"all {len(keys)} values"
        rows.append((section.replace("_", " "), ", ".join(described) or "nothing yet", named or "nothing"))
    return ("part", "described by you", "assumed: the demo's values"), rows


def card(rig):
    """The three texts of the card: where the reader stands, what it means, what to give next."""
    keys = _counted(rig)
    given = sum(key in rig.own for key in keys)
    found = ledgers.ledger(rig)
    shown = [own for _, _, own, *_ in ledgers.strip_entries(found, "00_your_rig")]
    number = f"{given} of the {len(keys)} values that describe this rig are yours."
    if given == 0:
        meaning = (
            "All that follows is about an invented rig of an invented club. You learn just as much, but not about your "
            "own."
        )
    elif all(shown):
        meaning = "All numbers of the strip rest on your values alone."
    else:
        meaning = (
            f"Of the strip's {len(shown)} numbers {sum(shown)} rest on your values alone; the others, marked demo, "
            "hold guesses."
        )
    lacking = [key for key in NEXT if key in keys and key not in rig.own]
    if not lacking:
        return number, meaning, "Nothing. What is still assumed matters little; go on to workbook 01."
    if given == 0:
        return number, meaning, "Fill in the eight fields below the name in the form above; the rest can stay."
    label, why = _label(lacking[0]), NEXT[lacking[0]][1]
    part = lacking[0].split(".")[0].replace("_", " ")
    return number, meaning, f"Give next, in the form above: {label} ({part}). It decides {why}."
