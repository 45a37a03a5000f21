"""The rigs that every workbook must hold for: the demo's, a long refractor with a pick-off, a guide telescope on it."""

import astropy.units as u

from helpers.rig import changed, demo_rig

CLUB = demo_rig()
REFRACTOR = changed(
    CLUB,
    {
        "name": "long refractor",
        "telescope.kind": "refractor",
        "telescope.aperture": 130 * u.mm,
        "telescope.focal_length": 910 * u.mm,
        "telescope.central_obstruction": 0.0,
        "guide_camera.pixel_size": 2.9 * u.um,
        "main_camera.pixel_size": 3.76 * u.um,
    },
)
GUIDE_TELESCOPE = changed(
    REFRACTOR,
    {
        "name": "long refractor with a guide telescope",
        "guide_optics.kind": "guide telescope",
        "guide_optics.aperture": 30 * u.mm,
        "guide_optics.focal_length": 120 * u.mm,
        "guide_optics.central_obstruction": 0.0,
        "guide_optics.transmission": 0.9,
        "guide_optics.flexure": 4 * u.arcsec / u.h,
    },
)
RIGS = {"club": CLUB, "refractor": REFRACTOR, "guide telescope": GUIDE_TELESCOPE}
