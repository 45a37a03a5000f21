"""Names of the room under its former module; use `helpers.rig` or its parts."""

from helpers.rig.demo import demo_rig
from helpers.rig.parts import Camera, GuideCamera, GuideOptics, Rig, RigError
from helpers.rig.values import changed, rig_from_values, rig_values

__all__ = [
    "Camera",
    "GuideCamera",
    "GuideOptics",
    "Rig",
    "RigError",
    "changed",
    "demo_rig",
    "rig_from_values",
    "rig_values",
]
