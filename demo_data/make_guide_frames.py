"""Recipe of the invented frames guide_frames.fits; run it from anywhere to make them anew.

Eight guide frames of the star field before the meridian flip (field_before_flip.ecsv), as the club rig with camera B
records them with 4 x 4 pixels added up to one, one second each, while the air and a guided mount move the stars. The
first part of the file holds the frames, the second, STARS, the stars' mean places (in added-up pixels, first pixel's
centre at 0) and Gaia G magnitudes.
"""

import sys
from pathlib import Path

import astropy.units as u
import numpy as np
from astropy.coordinates import SkyCoord
from astropy.io import fits

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from helpers import guide_field, pixel_scale, rig, seeing, starlight
from helpers.seeing.simulated_motion import simulate_motion

SEED, FRAMES, BINNING, HOT_SHARE = 20250, 8, 4, 2e-5
TARGET, POSITION_ANGLE = SkyCoord(188.0 * u.deg, 33.0 * u.deg), 60 * u.deg  # as in make_fields.py
MOUNT_RMS, MOUNT_MEMORY = 0.25, 0.8  # arcsec per axis that guiding leaves, and how much of it lasts to the next frame


def mount_motion(rng):
    """What the mount does, the same for all stars: a slow random wander, arcsec, shape (frames, 1, 2)."""
    place = np.zeros((FRAMES, 2))
    place[0] = rng.normal(0, MOUNT_RMS, 2)
    for frame in range(1, FRAMES):
        kick = rng.normal(0, MOUNT_RMS * np.sqrt(1 - MOUNT_MEMORY**2), 2)
        place[frame] = MOUNT_MEMORY * place[frame - 1] + kick
    return place[:, None] * u.arcsec


def main(folder=HERE):
    club, rng = rig.demo_rig("club", "B"), np.random.default_rng(SEED)
    camera, optics = club.guide_camera, club.guide_optics
    stars = guide_field.load_catalogue(HERE / "field_before_flip.ecsv")
    stars = guide_field.usable_stars(stars, TARGET, POSITION_ANGLE, club, limiting_magnitude=40)
    places = (stars.on_sensor / camera.pixel_size).decompose().value + (np.array([camera.columns, camera.rows]) - 1) / 2
    angles = (stars.on_sensor / optics.focal_length).decompose() * u.rad
    air = simulate_motion(
        angles.to(u.arcmin), optics.aperture, seeing.atmosphere_for(club.site), club.guiding.exposure, FRAMES, rng
    )
    view = starlight.view_of_arrived(club)  # the stars' magnitudes hold what the pick-off takes
    frames = view.frames(places, stars.magnitudes, air + mount_motion(rng), rng, hot_share=HOT_SHARE)
    frames = starlight.bin_frames(frames, BINNING)
    scale = pixel_scale.pixel_scale(camera.pixel_size, optics.focal_length, BINNING)
    cards = fits.Header()
    cards.update(
        {
            "OBJECT": ("invented field", "star field before the meridian flip"),
            "EXPTIME": (club.guiding.exposure.value, "[s] exposure"),
            "XBINNING": (BINNING, "columns added up"),
            "YBINNING": (BINNING, "rows added up"),
            "PIXSCALE": (round(scale.value, 4), "[arcsec] pixel after adding up"),
            "GAIN": (round(starlight.gain_setting(camera).step.value, 4), "electrons per step"),
            "OFFSET": (20 * BINNING**2, "value of no light"),
            "COMMENT": f"Invented; made by make_guide_frames.py with seed {SEED}.",
        }
    )
    picture = fits.PrimaryHDU(frames.astype(np.uint16), header=cards)
    binned = (places - (BINNING - 1) / 2) / BINNING
    table = fits.BinTableHDU.from_columns(
        [
            fits.Column(name="x", format="D", unit="pix", array=np.round(binned[:, 0], 3)),
            fits.Column(name="y", format="D", unit="pix", array=np.round(binned[:, 1], 3)),
            fits.Column(name="magnitude", format="D", unit="mag", array=stars.catalogue_magnitudes),
        ],
        name="STARS",
    )
    fits.HDUList([picture, table]).writeto(folder / "guide_frames.fits", overwrite=True)
    print(f"{frames.shape} frames, {len(stars)} stars, brightest value {frames.max()}")


if __name__ == "__main__":
    main()
