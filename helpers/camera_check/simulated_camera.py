"""Invented cameras with known properties and known faults, and the frames they take: the truth to check a
check with.
"""

from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np

from helpers.shared.checks import as_count, choice, count, flag, instance, number, quantity, take_fields, takes
from helpers.shared.limits import PIXELS_OF_A_CAMERA, check_work

_FROM_ZERO = {
    "read_noise": u.electron,
    "offset": u.DN,
    "dark_current": u.electron / u.s,
    "dsnu": u.electron,
    "row_noise": u.electron,
    "column_noise": u.electron,
    "light_leak": u.electron / u.s,
    "amplifier_glow": u.electron / u.s,
    "black_level_drift": u.electron,
}
GLOW_REACH = 12.0  # pixels; invented
_SHARES = ("prnu", "hot_pixels", "telegraph_pixels", "smoothing", "bend")


@dataclass(frozen=True)
class SimulatedCamera:
    """A camera that does exactly what it is told; the start values are a healthy one.

    Attributes
    ----------
    gain : Quantity [electron/DN]
    read_noise, row_noise, column_noise : Quantity [electron]
        Noise of single pixels, and what whole rows (columns) share, new in each frame.
    offset : Quantity [DN]
        Level without light.
    bit_depth : int
    file_step : int
        Distance of the numbers in the file: 16 for 12-bit numbers moved up to 16 bit.
    full_well : Quantity [electron]
    dark_current : Quantity [electron/s]
    dsnu : Quantity [electron]
        Fixed pattern without light, rms.
    prnu : float
        Fixed pattern of the response, rms share.
    hot_pixels, telegraph_pixels : float
        Share of pixels.
    mosaic : bool
        Colour mosaic: the four planes take 0.45, 1, 1 and 0.6 of the light.
    light_leak : Quantity [electron/s]
        Light that gets in at one edge.
    amplifier_glow : Quantity [electron/s]
        Glow of an amplifier beside the first pixel, where it is brightest; it fades by a factor e in `GLOW_REACH`
        pixels.
    black_level_drift : Quantity [electron]
        Change of the level without light from the first bias frame to the last.
    smoothing : float
        Share of each pixel that on-camera smoothing takes from each neighbour in its row.
    bend : float
        Share of the signal that is lost at full well.
    missing_code : int
        The converter never gives numbers with these last four bits; -1 for a healthy one.
    """

    gain: u.Quantity = 1.0 * u.electron / u.DN
    read_noise: u.Quantity = 2.0 * u.electron
    offset: u.Quantity = 100 * u.DN
    bit_depth: int = 12
    file_step: int = 1
    full_well: u.Quantity = 12000 * u.electron
    dark_current: u.Quantity = 0.02 * u.electron / u.s
    dsnu: u.Quantity = 0.3 * u.electron
    prnu: float = 0.008
    row_noise: u.Quantity = 0.05 * u.electron
    column_noise: u.Quantity = 0.03 * u.electron
    hot_pixels: float = 0.001
    telegraph_pixels: float = 0.0005
    mosaic: bool = False
    light_leak: u.Quantity = 0 * u.electron / u.s
    amplifier_glow: u.Quantity = 0 * u.electron / u.s
    black_level_drift: u.Quantity = 0 * u.electron
    smoothing: float = 0.0
    bend: float = 0.0
    missing_code: int = -1

    def __post_init__(self):
        take_fields(
            self,
            gain=quantity(u.electron / u.DN, minimum=1e-6, maximum=1e6, ndim=0),
            full_well=quantity(u.electron, minimum=1e-3, maximum=1e9, ndim=0),
            **{name: quantity(unit, minimum=0, maximum=1e9, ndim=0) for name, unit in _FROM_ZERO.items()},
            **{name: number(minimum=0, maximum=0.5) for name in _SHARES},
            mosaic=flag(),
            bit_depth=count(minimum=4, maximum=16),
            missing_code=count(minimum=-1, maximum=15),
        )
        take_fields(self, file_step=count(minimum=1, maximum=2 ** (16 - self.bit_depth)))

    @property
    def saturation(self):
        """Largest signal that the camera can tell, in electrons: the full well, or what the converter can count."""
        return min(self.full_well, (2**self.bit_depth - 1) * u.DN * self.gain - self.offset * self.gain)


# Each fault at a strength of 1, as changes to a camera.
FAULTS = {
    "none": lambda camera, strength: {},
    # From six times the noise, where nothing is cut off, to zero.
    "offset too low": lambda camera, strength: {"offset": (1 - strength) * 6 * camera.read_noise / camera.gain},
    "high read noise": lambda camera, strength: {"read_noise": (1 + 3 * strength) * camera.read_noise},
    "bad column driver": lambda camera, strength: {"column_noise": 4 * strength * camera.read_noise},
    "light leak": lambda camera, strength: {"light_leak": 10 * strength * camera.read_noise / (60 * u.s)},
    "amplifier glow": lambda camera, strength: {"amplifier_glow": 2 * strength * camera.read_noise / u.s},
    "missing codes": lambda camera, strength: {"missing_code": 7 if strength > 0 else -1},
    "smoothing": lambda camera, strength: {"smoothing": 0.25 * strength},
    "drifting black level": lambda camera, strength: {"black_level_drift": 6 * strength * camera.read_noise},
    "bent response": lambda camera, strength: {"bend": 0.4 * strength, "full_well": 1.05 * camera.saturation},
    "hot pixels": lambda camera, strength: {"hot_pixels": camera.hot_pixels + 0.05 * strength},
    "telegraph pixels": lambda camera, strength: {"telegraph_pixels": camera.telegraph_pixels + 0.05 * strength},
}


@takes(camera=instance(SimulatedCamera), fault=choice(FAULTS), strength=number(minimum=0, maximum=1))
def with_fault(camera, fault, strength=1.0):
    """The same camera with one fault.

    Parameters
    ----------
    camera : SimulatedCamera
    fault : str
        A key of `FAULTS`.
    strength : float
        0 (none) to 1 (gross).

    Returns
    -------
    SimulatedCamera

    Raises
    ------
    TypeError, ValueError
        Not a camera, an unknown fault, a strength out of range.
    """
    return replace(camera, **FAULTS[fault](camera, strength))


@dataclass(frozen=True)
class CameraFrames:
    """Frames of one camera: `bias` (n, rows, columns); `darks` and `flats` lists of (exposure, frames)."""

    bias: np.ndarray
    darks: list
    flats: list


class _Sensor:
    """The fixed pattern of one sensor, drawn once, and the frames taken with it."""

    def __init__(self, camera, shape, rng):
        self.camera, self.shape, self.rng = camera, shape, rng
        rows, columns = shape
        self.offset_e = rng.normal(0, camera.dsnu.value, shape)
        self.response = 1 + rng.normal(0, camera.prnu, shape)
        self.dark_e_per_s = camera.dark_current.value * rng.gamma(16, 1 / 16, shape)
        hot = rng.random(shape) < camera.hot_pixels
        self.dark_e_per_s[hot] += rng.exponential(10, hot.sum())
        self.restless = rng.random(shape) < camera.telegraph_pixels
        x = np.linspace(0, 1, columns)
        self.leak_e_per_s = camera.light_leak.value * np.exp(-3 * x)[None, :] * np.ones((rows, 1))
        down, across = np.ogrid[:rows, :columns]
        self.leak_e_per_s += camera.amplifier_glow.value * np.exp(-np.hypot(down, across) / GLOW_REACH)
        y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j]
        self.lamp = 1 - 0.08 * (x**2 + y**2)  # a lamp is never even
        if camera.mosaic:
            for (i, j), share in {(0, 0): 0.45, (0, 1): 1, (1, 0): 1, (1, 1): 0.6}.items():
                self.lamp[i::2, j::2] *= share

    def frame(self, light_e, exposure_s, black_e=0.0):
        camera, rng = self.camera, self.rng
        rows, columns = self.shape
        mean = light_e * self.lamp * self.response + (self.dark_e_per_s + self.leak_e_per_s) * exposure_s
        electrons = rng.poisson(np.maximum(mean, 0)).astype(float) if mean.any() else np.zeros(self.shape)
        electrons = np.minimum(electrons, camera.full_well.value)
        electrons -= camera.bend * electrons**2 / camera.full_well.value
        electrons += self.offset_e + black_e
        electrons += rng.normal(0, camera.read_noise.value, self.shape)
        electrons += rng.normal(0, camera.row_noise.value, (rows, 1)) + rng.normal(
            0, camera.column_noise.value, columns
        )
        jumps = self.restless & (rng.random(self.shape) < 0.4)
        electrons += jumps * 15 * camera.read_noise.value
        if camera.smoothing:
            side = np.pad(electrons, ((0, 0), (1, 1)), mode="edge")
            share = camera.smoothing
            electrons = (1 - 2 * share) * electrons + share * (side[:, :-2] + side[:, 2:])
        codes = np.rint(electrons / camera.gain.value + camera.offset.value)
        codes = np.clip(codes, 0, 2**camera.bit_depth - 1).astype(np.uint16)
        if camera.missing_code >= 0:
            codes += codes % 16 == camera.missing_code
        return codes * np.uint16(camera.file_step)


def _as_size(name, value):
    """Rows and columns of a frame."""
    pair = isinstance(value, (tuple, list)) or (type(value) is np.ndarray and value.ndim == 1)
    if not pair or len(value) != 2:
        raise TypeError(f"{name}: expected two whole numbers (rows, columns), found {value!r:.60}")
    return tuple(as_count(name, size, minimum=16, maximum=100_000) for size in value)


_SEVERAL = count(minimum=2, maximum=1_000_000)


@takes(
    camera=instance(SimulatedCamera),
    rng=instance(np.random.Generator),
    shape=_as_size,
    bias=_SEVERAL,
    darks=_SEVERAL,
    flats=_SEVERAL,
    dark_exposures=quantity(u.s, minimum=1e-6, maximum=1e6, ndim=1),
    levels=count(minimum=1, maximum=1_000_000),
)
def take_frames(camera, rng, shape=(48, 64), bias=8, darks=4, flats=2, dark_exposures=(10, 60) * u.s, levels=6):
    """Take the frames of a camera check with an invented camera.

    Parameters
    ----------
    camera : SimulatedCamera
    rng : numpy.random.Generator
    shape : (rows, columns)
    bias, darks, flats : int
        Frames of each kind: in all, for each exposure, for each level.
    dark_exposures : Quantity [time], shape (n,)
    levels : int
        Light levels of the flats, evenly spaced, the brightest at 90 % of saturation.

    Returns
    -------
    CameraFrames

    Raises
    ------
    ValueError, TypeError
        Not a camera or generator, fewer than two frames of a kind, frames too small, or more than 100,000,000 pixels in
        all.
    """
    pixels = (bias + darks * dark_exposures.size + flats * levels) * shape[0] * shape[1]
    check_work("shape, bias, darks, dark_exposures, flats, levels", pixels, PIXELS_OF_A_CAMERA, "pixels in all")
    sensor = _Sensor(camera, shape, rng)
    drift = np.linspace(0, camera.black_level_drift.value, bias)
    brightest = 0.9 * camera.saturation.value
    flat_exposures = np.arange(1, levels + 1) * 0.5
    return CameraFrames(
        bias=np.stack([sensor.frame(0, 0, black) for black in drift]),
        darks=[(t * u.s, np.stack([sensor.frame(0, t) for _ in range(darks)])) for t in dark_exposures.value],
        flats=[
            (t * u.s, np.stack([sensor.frame(brightest * t / flat_exposures[-1], 0) for _ in range(flats)]))
            for t in flat_exposures
        ],
    )
