"""Recipe of the invented sensor curve sensor_curve.csv; run it from anywhere to make it anew.

Electrons per photon of guide camera B as a data sheet might print them: the mean over the pixels of its colour mosaic,
dyes included, every 25 nm, to a hundredth.
"""

import sys
from pathlib import Path

import astropy.units as u
import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from helpers import rig
from helpers.starlight import spectra


def main(folder=HERE):
    wavelength = np.arange(350, 1101, 25) * u.nm
    sensor = spectra.quantum_efficiency(rig.demo_rig("club", "B").guide_camera, wavelength)
    values = sensor * spectra.mosaic_transmission("mean", wavelength)
    lines = ["# Invented; made by make_sensor_curve.py. Wavelength in nm; electrons per photon, dyes included."]
    lines.append("wavelength,quantum_efficiency")
    lines += [f"{nm:.0f},{value:.2f}" for nm, value in zip(wavelength.value, values, strict=True)]
    (folder / "sensor_curve.csv").write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
