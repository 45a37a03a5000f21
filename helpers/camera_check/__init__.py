"""Measuring a camera from its own bias, dark and flat frames: gain, noise, full well, dark current, pattern, bad
pixels.
"""

from helpers.camera_check.files import read_frames
from helpers.camera_check.measure import CameraMeasurement, measure_camera, measure_files
from helpers.camera_check.photon_transfer import Linearity, Measured, PhotonTransfer, linearity, photon_transfer

__all__ = [
    "CameraMeasurement",
    "Linearity",
    "Measured",
    "PhotonTransfer",
    "linearity",
    "measure_camera",
    "measure_files",
    "photon_transfer",
    "read_frames",
]
