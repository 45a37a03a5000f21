"""A rig: telescope, cameras, guide optics, mount, site and settings, checked, and kept in a small TOML file."""

from helpers.rig.demo import demo_rig
from helpers.rig.files import OWN_VARIABLE, RIG_VARIABLE, SAVED_RIG, load_rig, own_rig_file, save_rig, working_rig
from helpers.rig.finding import guide_field_place, worm_period
from helpers.rig.form import form_fields, rig_from_form, usual_optics
from helpers.rig.parts import (
    FILTERS,
    GUIDE_KINDS,
    SECTIONS,
    TELESCOPE_KINDS,
    Camera,
    GuideCamera,
    GuideOptics,
    Guiding,
    MainCamera,
    Mount,
    Rig,
    RigError,
    Site,
    Telescope,
    angle_of,
    describe,
)
from helpers.rig.values import changed, flat, from_flat, rig_from_values, rig_values

__all__ = [
    "FILTERS",
    "GUIDE_KINDS",
    "OWN_VARIABLE",
    "RIG_VARIABLE",
    "SAVED_RIG",
    "SECTIONS",
    "TELESCOPE_KINDS",
    "Camera",
    "GuideCamera",
    "GuideOptics",
    "Guiding",
    "MainCamera",
    "Mount",
    "Rig",
    "RigError",
    "Site",
    "Telescope",
    "angle_of",
    "changed",
    "demo_rig",
    "describe",
    "flat",
    "form_fields",
    "from_flat",
    "guide_field_place",
    "load_rig",
    "own_rig_file",
    "rig_from_form",
    "rig_from_values",
    "rig_values",
    "save_rig",
    "usual_optics",
    "working_rig",
    "worm_period",
]
