"""How many usable stars fall on a guide sensor, here and all over the sky, before and after the meridian flip."""

from helpers.guide_field.chances import (
    SkyGrid,
    Sweep,
    chance_on_sensor,
    expected_stars,
    mean_chance,
    mean_chance_by_month,
    sky_grid,
    sweep_chances,
)
from helpers.guide_field.meridian_flip import (
    AngleSearch,
    field_outline,
    frame_kept,
    list_falls_short,
    search_position_angles,
    search_radius,
    sky_offsets,
)
from helpers.guide_field.pick_off import (
    SENSOR_FORMATS,
    LitField,
    coma_length,
    lit_field,
    lit_fraction,
    off_axis_angle,
    sensor_field,
)
from helpers.guide_field.star_counts import chance_of_stars, star_density, star_density_band
from helpers.guide_field.star_lists import StarListError, cone_search, load_catalogue
from helpers.guide_field.stars import DEFAULT_ANGLE, GuideStars, middling_stars, stars_at, usable_stars
from helpers.guide_field.targets import DEMO_TARGET, MeridianPassage, default_target, meridian_passage
from helpers.rig.beam import beam_width, mirror_outline

__all__ = [
    "DEFAULT_ANGLE",
    "DEMO_TARGET",
    "SENSOR_FORMATS",
    "AngleSearch",
    "GuideStars",
    "LitField",
    "MeridianPassage",
    "SkyGrid",
    "StarListError",
    "Sweep",
    "beam_width",
    "chance_of_stars",
    "chance_on_sensor",
    "coma_length",
    "cone_search",
    "default_target",
    "expected_stars",
    "field_outline",
    "frame_kept",
    "list_falls_short",
    "lit_field",
    "lit_fraction",
    "load_catalogue",
    "mean_chance",
    "mean_chance_by_month",
    "meridian_passage",
    "middling_stars",
    "mirror_outline",
    "off_axis_angle",
    "search_position_angles",
    "search_radius",
    "sensor_field",
    "sky_grid",
    "sky_offsets",
    "star_density",
    "star_density_band",
    "stars_at",
    "sweep_chances",
    "usable_stars",
]
