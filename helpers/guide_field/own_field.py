"""The reader's own guide field: a target, a star list; fields of the forms, and what they answer."""

import astropy.units as u
from astropy.coordinates import SkyCoord

from helpers.guide_field.meridian_flip import list_falls_short, search_radius
from helpers.guide_field.plan import WANTED, Listed, plan, sides, try_list, usable_in_words
from helpers.guide_field.star_lists import cone_search, load_catalogue
from helpers.guide_field.stars import DEFAULT_ANGLE
from helpers.guide_field.targets import DEMO_TARGET, meridian_passage
from helpers.rig.parts import Rig
from helpers.shared.checks import count, instance, number, takes


class OwnField:
    """The reader's own target and star list: fields of the forms, and what they answer."""

    def __init__(self, rig):
        self.rig = rig
        self.target = DEMO_TARGET
        self.answers = {field["key"]: field["value"] for field in self.fields()}

    def fields(self):
        """Fields of the form on target, angle and star list."""
        target = self.target
        ra = target.ra.to_string("hour", sep=":", precision=0, pad=True)
        dec = target.dec.to_string("deg", sep=":", precision=0, pad=True, alwayssign=True)
        listed = {"section": "names in the star list"}
        return [
            {"key": "ra", "label": "right ascension", "value": ra, "typical": "hours, minutes, seconds"},
            {"key": "dec", "label": "declination", "value": dec, "typical": "degrees, minutes, seconds"},
            {
                "key": "angle",
                "label": "position angle of the guide field",
                "unit": "deg",
                "value": DEFAULT_ANGLE.value,
                "if_unknown": "The second form of 00_your_rig finds it; a guide telescope needs none.",
            },
            {"key": "wanted", "label": "stars wanted", "value": WANTED, "typical": "1 to 5"},
            listed
            | {
                "key": "ra_unit",
                "label": "right ascension is given in",
                "value": "as the file says",
                "choices": ("as the file says", "degrees", "hours"),
                "if_unknown": "Leave it: what looks odd is asked.",
            },
            listed
            | {
                "key": "magnitude",
                "label": "column of the magnitudes",
                "value": "",
                "if_unknown": "Leave it empty: usual names are found.",
            },
        ]

    def plan(self, answers):
        """Take the form's answers; say what can be expected at the target."""
        target = self._place(answers)
        found = plan(self.rig, target, answers["wanted"])
        self.target, self.answers = target, dict(answers)
        above = meridian_passage(target, self.rig.site.latitude)
        note = "" if above.note == "Nothing special." else f" {above.note}"
        return (
            f"{found.mean:.1f} usable stars on average, at least {found.wanted} all night: {found.all_night:.0%}. The "
            f"target is {abs(target.galactic.b.deg):.0f}° from the plane of the Milky Way and stands "
            f"{above.altitude.value:.0f}° high in the {above.side} when the mount flips.{note}"
        )

    @staticmethod
    def _place(answers):
        try:
            return SkyCoord(answers["ra"], answers["dec"], unit=(u.hourangle, u.deg))
        except (ValueError, u.UnitsError):
            raise ValueError(
                "right ascension, declination: expected such as 12:32:00 and +33:00:00, found "
                f"{answers['ra']!r:.40} and {answers['dec']!r:.40}"
            ) from None

    def read_list(self, paths):
        """What a file says of both sides of the flip."""
        kind = {"degrees": "deg", "hours": "hourangle"}.get(self.answers["ra_unit"])
        columns = {"magnitude": self.answers["magnitude"].strip()} if self.answers["magnitude"].strip() else None
        try:
            stars = load_catalogue(paths[0], columns, kind, missing_magnitudes="leave out")
        except ValueError as error:
            said = str(error).split('; say ra_unit="')[0]
            raise ValueError(
                f"{said}. Answer the questions on the star list above, press that button, read again."
            ) from error
        return self._of(stars)

    def service_fields(self):
        """Fields of the form that asks a catalogue service."""
        return [
            {
                "key": "address",
                "label": "address of a Simple Cone Search",
                "value": "",
                "typical": "https://...; data centres publish theirs",
                "if_unknown": "Skip this; load a list elsewhere and read its file above.",
            },
            {"key": "magnitude", "label": "column of the magnitudes", "value": "", "if_unknown": "Leave it empty."},
        ]

    def ask_service(self, answers):
        """What a catalogue service says of both sides of the flip; uses the network."""
        radius = search_radius(self.rig)
        column = answers["magnitude"].strip() or None
        return self._of(cone_search(answers["address"].strip(), self.target, radius, column))

    def _of(self, stars):
        angle, wanted = self.answers["angle"] * u.deg, self.answers["wanted"]
        limits = plan(self.rig, self.target, wanted).limits
        if said := list_falls_short(stars, self.target, self.rig):
            return f"This list can't be used for your rig and target: {said}."
        found = try_list(stars, self.target, self.rig, limits, angle, wanted)
        notes = "".join(f" {note}" for note in stars.meta.get("notes", []))
        return f"{what_to_set(self.rig, found, angle.value, wanted)}{notes}"


@takes(
    rig=instance(Rig),
    found=instance(Listed),
    angle=number(minimum=-360, maximum=720),
    wanted=count(minimum=1, maximum=10**9),
)
def what_to_set(rig, found, angle, wanted):
    """The counts of a list and the angle to set, in words."""
    if sides(rig) == 1:
        return f"{usable_in_words(len(found.before))} before and after the flip; no angle needs to be set."
    search = found.search
    said = f"At {angle:.0f}°: {usable_in_words(len(found.before))} before the flip, {len(found.after)} after. "
    if not search.turn.value:
        if found.poorer >= wanted:
            return said + f"At least {wanted} on both sides: nothing to turn."
        return said + f"That is fewer than {wanted} on one side, but no angle is better than this one."
    kept = f"(a turn of {search.turn.value:+.0f}°, {search.frame_kept:.0%} of the picture stays in the frame)"
    if search.enough:
        return said + f"Set {search.best.value:.0f}° {kept}: then there are {found.promise}."
    return said + (
        f"No angle has {wanted} on both sides for sure; the best is {search.best.value:.0f}° {kept}: {found.promise}."
    )
