"""Pictures of a star through drifting layers of air, one instant at a time.

The wavefront is a sum of plane waves, with amplitudes from the von Karman spectrum and wave vectors drawn at random
from rings and sectors of it (Charnotskii 2013, JOSA A 30, 479), so that no screen is stored and nothing repeats. The
picture is the squared Fourier transform of the pupil (Goodman, Introduction to Fourier Optics, section 6.2).
"""

import astropy.units as u
import numpy as np

from helpers.seeing.air import REFERENCE_WAVELENGTH, Atmosphere
from helpers.seeing.tilt_spectrum import phase_spectrum
from helpers.seeing.widths import fried_parameter
from helpers.shared.checks import count, instance, number, quantity, takes
from helpers.shared.limits import VALUES, check_work

_RING, _SECTORS = 0.2, 24  # width of a ring (natural logarithm of frequency); sectors of half a circle
_SAMPLES_PER_R0, _FEWEST, _MOST = 5, 32, 256  # pupil samples over a Fried parameter, and over the diameter


def _drawn_waves(r0_m, outer_scale_m, slowest, fastest, rng):
    """Wave vectors (K, 2) in cycles per metre over half a plane, and complex amplitudes (K,) in radian."""
    rings = int(np.ceil(np.log(fastest / slowest) / _RING))
    ring, sector = np.log(fastest / slowest) / rings, np.pi / _SECTORS
    shape = (rings, _SECTORS)
    frequency = slowest * np.exp(ring * (np.arange(rings)[:, None] + rng.random(shape)))
    angle = sector * (np.arange(_SECTORS) + rng.random(shape)) - np.pi / 2
    variance = 2 * phase_spectrum(frequency, r0_m, outer_scale_m) * frequency**2 * ring * sector
    amplitude = np.sqrt(variance) * rng.standard_normal((*shape, 2)).view(complex)[..., 0]
    vectors = frequency[..., None] * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    return vectors.reshape(-1, 2), amplitude.ravel()


def _pupil(samples, obstruction):
    """Coordinates in diameters, and the transmission 0 or 1, of a circular pupil with a central obstruction."""
    centre = (np.arange(samples) + 0.5) / samples - 0.5
    radius = np.hypot(centre[:, None], centre)
    return centre, ((radius <= 0.5) & (radius >= obstruction / 2)).astype(float)


@takes(
    diameter=quantity(u.m, minimum=1e-3, maximum=100, ndim=0),
    atmosphere=instance(Atmosphere),
    times=quantity(u.s, minimum=-1e6, maximum=1e6, ndim=1),
    rng=instance(np.random.Generator),
    pixel_scale=quantity(u.rad, above=0, maximum=1e-3, ndim=0),
    pixels=count(minimum=2, maximum=1024),
    wavelength=quantity(u.m, minimum=1e-7, maximum=1e-4, ndim=0),
    central_obstruction=number(minimum=0, maximum=0.9),
)
def star_images(
    diameter,
    atmosphere,
    times,
    rng,
    pixel_scale=0.2 * u.arcsec,
    pixels=64,
    wavelength=REFERENCE_WAVELENGTH,
    central_obstruction=0,
):
    """Instant pictures of one star, as the wind carries the layers of air past the telescope.

    Parameters
    ----------
    diameter : Quantity [length]
        Of the aperture; at most about 50 Fried parameters.
    atmosphere : Atmosphere
    times : Quantity [time], shape (n,)
        Of the pictures.
    rng : numpy.random.Generator
        Draws the air.
    pixel_scale : Quantity [angle]
        Size of a picture's pixel (per pixel).
    pixels : int
        Rows and columns of the pictures.
    wavelength : Quantity [length]
    central_obstruction : float
        Share of the diameter.

    Returns
    -------
    array, shape (n, pixels, pixels)
        Share of the star's light in each pixel; rows along y, columns along x. Light beyond the edge is missing from
        the sum.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
        A value is out of range, no finite number, or of the wrong physical type.
    """
    check_work("times", len(times) * pixels**2, VALUES / 4, "pixels in all pictures")
    diameter_m, scale_rad = diameter.value, pixel_scale.value
    r0_m = fried_parameter(atmosphere.fwhm, wavelength).value
    # Fine enough for the air, and for the widest angle: samples closer than wavelength / field keep its copies outside.
    wanted = max(_SAMPLES_PER_R0 / r0_m, 1.2 * pixels * scale_rad / wavelength.value) * diameter_m
    if wanted > _MOST:
        raise ValueError(
            f"diameter: expected at most {diameter_m * _MOST / wanted:.3g} m for this seeing and this width of "
            f"picture, "
            f"found {diameter_m:.3g} m"
        )
    samples = max(_FEWEST, int(np.ceil(wanted)))
    centre, pupil = _pupil(samples, central_obstruction)
    phases = _phases(centre * diameter_m, times.value, r0_m, atmosphere, rng)
    # Direct Fourier transform to the wanted pixels; the sum of squares over all directions is then 1 (Parseval).
    angles = scale_rad * (np.arange(pixels) - (pixels - 1) / 2)
    kernel = np.exp(-2j * np.pi * np.multiply.outer(angles, centre * diameter_m) / wavelength.value)
    normal = scale_rad * diameter_m / samples / wavelength.value / np.sqrt(pupil.sum())
    return np.stack([np.abs(normal * (kernel @ (pupil * np.exp(1j * phase)) @ kernel.T)) ** 2 for phase in phases])


def _phases(coordinate_m, times_s, r0_m, atmosphere, rng):
    """Yield the phase in radian over the pupil's square, shape (y, x), at each time."""
    outer_scale_m = atmosphere.outer_scale.value
    width = np.ptp(coordinate_m)
    slowest = 0.02 / min(outer_scale_m, 1e4 * width)
    fastest = max(0.5 * (len(coordinate_m) - 1) / width, 10 * slowest)
    vectors, amplitudes, turns = [], [], []
    for layer in atmosphere.layers:
        wave, amplitude = _drawn_waves(r0_m * layer.fraction**-0.6, outer_scale_m, slowest, fastest, rng)
        direction = layer.wind_direction.to_value(u.rad)
        speed = layer.wind_speed.value * np.array([np.cos(direction), np.sin(direction)])
        vectors.append(wave)
        amplitudes.append(amplitude)
        turns.append(wave @ speed)
    vectors, amplitudes, turns = np.concatenate(vectors), np.concatenate(amplitudes), np.concatenate(turns)
    along_x = np.exp(2j * np.pi * np.multiply.outer(vectors[:, 0], coordinate_m))
    along_y = np.exp(2j * np.pi * np.multiply.outer(coordinate_m, vectors[:, 1]))
    for time_s in times_s:
        yield ((along_y * (amplitudes * np.exp(-2j * np.pi * turns * time_s))) @ along_x).real
