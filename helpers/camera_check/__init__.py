"""Measuring a camera from its own bias, dark and flat frames: gain, noise, full well, dark current, pattern, bad
pixels.
"""

from helpers.camera_check.measure import (
    CameraMeasurement,
    Linearity,
    Measured,
    PhotonTransfer,
    linearity,
    measure_camera,
    measure_files,
    photon_transfer,
    read_frames,
)

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
