"""The invented rigs of the demo scenario."""

import functools

from helpers.rig.values import flat, rig_from_values
from helpers.shared.checks import choice, takes

# The invented rigs and cameras of the demo scenario.
_GUIDE_CAMERAS = {
    "A": {
        "name": "guide camera A",
        "mosaic": False,
        "read_noise": "3.2 electron",
        "peak_quantum_efficiency": 0.70,
        "quantum_efficiency_850": 0.25,
        "dark_current": "0.5 electron / s",
        "full_well": "14000 electron",
    },
    "B": {
        "name": "guide camera B",
        "mosaic": True,
        "read_noise": "0.9 electron",
        "peak_quantum_efficiency": 0.85,
        "quantum_efficiency_850": 0.50,
        "dark_current": "0.2 electron / s",
        "full_well": "12000 electron",
    },
}
_GUIDE_SENSOR = {"pixel_size": "3.0 um", "columns": 1800, "rows": 1000, "bit_depth": 12, "binning": 1}
_MAIN_CAMERA = {
    "name": "main camera",
    "pixel_size": "3.8 um",
    "columns": 6000,
    "rows": 4000,
    "mosaic": False,
    "read_noise": "1.5 electron",
    "peak_quantum_efficiency": 0.80,
    "quantum_efficiency_850": 0.30,
    "dark_current": "0.01 electron / s",
    "full_well": "50000 electron",
    "bit_depth": 16,
    "binning": 1,
}
_SITE = {
    "name": "Quillmere Hollow Observatory",
    "latitude": "47 deg",
    "longitude": "0 deg",
    "height": "310 m",
    "sky_brightness": "19.2 mag / arcsec2",
    "seeing": "2.5 arcsec",
    "outer_scale": "20 m",
    "atmosphere": "valley night",
}
_GUIDING = {
    "exposure": "1 s",
    "loop_gain": 0.5,
    "delay": 0,
    "dead_band": "0 arcsec",
    "stars": 20,
    "picture_exposure": "180 s",
}
_DEMO = {
    "club": {
        "name": "club rig",
        "telescope": {
            "kind": "reflector",
            "aperture": "250 mm",
            "focal_length": "1350 mm",
            "central_obstruction": 0.32,
            "transmission": 0.75,
        },
        "guide_optics": {
            "kind": "pick-off",
            "mirror_size": "9 mm",
            "mirror_distance": "60 mm",
            "off_axis_distance": "16 mm",
            "filter": "none",
        },
        "mount": {
            "worm_period": "480 s",
            "periodic_error": "9 arcsec",
            "polar_error": "2 arcmin",
            "backlash": "2 arcsec",
            "jitter": "0.15 arcsec",
        },
    },
    "starter": {
        "name": "starter rig",
        "telescope": {
            "kind": "refractor",
            "aperture": "70 mm",
            "focal_length": "420 mm",
            "central_obstruction": 0.0,
            "transmission": 0.92,
        },
        "guide_optics": {
            "kind": "guide telescope",
            "aperture": "50 mm",
            "focal_length": "200 mm",
            "central_obstruction": 0.0,
            "transmission": 0.90,
            "flexure": "4 arcsec / h",
            "filter": "none",
        },
        "mount": {
            "worm_period": "600 s",
            "periodic_error": "20 arcsec",
            "polar_error": "4 arcmin",
            "backlash": "5 arcsec",
            "jitter": "0.25 arcsec",
        },
    },
}


@takes(name=choice(tuple(_DEMO)), guide_camera=choice(tuple(_GUIDE_CAMERAS)))
def demo_rig(name="club", guide_camera="B"):
    """An invented rig of the demo scenario.

    Parameters
    ----------
    name : {"club", "starter"}
    guide_camera : {"A", "B"}
        A: older, monochrome; B: newer, colour mosaic; same size and pixel.

    Returns
    -------
    Rig

    Raises
    ------
    ValueError
        Another name.
    """
    camera = _GUIDE_SENSOR | _GUIDE_CAMERAS[guide_camera]
    shared = {"main_camera": _MAIN_CAMERA, "guide_camera": camera, "site": _SITE, "guiding": _GUIDING}
    return rig_from_values(_DEMO[name] | shared)


@functools.cache
def demo_values():
    """The values of all demo rigs by key; dict of tuples."""
    rigs = [flat(demo_rig(name, camera)) for name in _DEMO for camera in _GUIDE_CAMERAS]
    return {key: tuple(rig[key] for rig in rigs) for key in rigs[0]}
