"""Recipe of the invented frames in camera_drawer/: three guide cameras from the club's drawer; run it from anywhere.

healthy: camera B as it should be. clipped_offset: camera A, its offset set so low that the faint half of the noise is
cut off at zero. column_driver: camera A with a bad column driver, which makes whole columns jump from frame to frame.
Each folder holds bias, dark and flat frames of a small part of the sensor, made by
helpers/camera_check/simulated_camera.py.
"""

import sys
from pathlib import Path

import astropy.units as u
import numpy as np
from astropy.io import fits

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from helpers import rig
from helpers.camera_check.simulated_camera import SimulatedCamera, take_frames

SHAPE = (96, 128)


def like(guide_camera, gain, offset, **changes):
    """A simulated camera with the properties of a camera of the scenario."""
    claimed = rig.demo_rig(guide_camera=guide_camera).guide_camera
    return SimulatedCamera(
        gain=gain * u.electron / u.DN,
        offset=offset * u.DN,
        read_noise=claimed.read_noise,
        full_well=claimed.full_well,
        dark_current=claimed.dark_current,
        bit_depth=claimed.bit_depth,
        mosaic=claimed.mosaic,
        dsnu=0.2 * claimed.read_noise,
        row_noise=0.04 * claimed.read_noise,
        **{"column_noise": 0.03 * claimed.read_noise, **changes},
    )


CAMERAS = {
    "healthy": (like("B", 0.8, 40), 81),
    "clipped_offset": (like("A", 1.5, 2), 82),
    "column_driver": (like("A", 1.5, 60, column_noise=6.5 * u.electron), 83),
}


def header(camera, kind, exposure, number):
    cards = fits.Header(
        [
            ("IMAGETYP", kind, "kind of frame"),
            ("EXPTIME", exposure, "[s] exposure"),
            ("FRAMENO", number, "number of the frame in its set"),
            ("CCD-TEMP", 18.0, "[deg C] temperature of the sensor"),
            ("XPIXSZ", 3.0, "[um] width of a pixel"),
            ("YPIXSZ", 3.0, "[um] height of a pixel"),
            ("GAIN", 200, "gain setting"),
        ]
    )
    if camera.mosaic:
        cards["BAYERPAT"] = ("RGGB", "order of the colour mosaic")
    cards["COMMENT"] = "Invented frame, made by demo_data/make_camera_drawer.py"
    return cards


def main(drawer=HERE / "camera_drawer"):
    for name, (camera, seed) in CAMERAS.items():
        folder = drawer / name
        folder.mkdir(parents=True, exist_ok=True)
        for old in folder.glob("*.fits"):
            old.unlink()
        taken = take_frames(camera, np.random.default_rng(seed), shape=SHAPE, levels=5)
        sets = [("bias", 0 * u.s, taken.bias)]
        sets += [("dark", exposure, frames) for exposure, frames in taken.darks]
        sets += [("flat", exposure, frames) for exposure, frames in taken.flats]
        for kind, exposure, frames in sets:
            seconds = float(exposure.to_value(u.s))
            label = kind if kind == "bias" else f"{kind}_{seconds:g}s"
            for number, frame in enumerate(frames, 1):
                path = folder / f"{label}_{number:02d}.fits"
                fits.PrimaryHDU(frame, header(camera, kind, seconds, number)).writeto(path)


if __name__ == "__main__":
    main()
