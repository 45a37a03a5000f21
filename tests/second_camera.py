"""A second simulated camera, written from the definition of a sensor and not from our SimulatedCamera.

Light comes as Poisson electrons into wells, each of its own depth; what is above a well is lost; the amplifier adds
normal noise; the converter counts whole steps, from an offset, up to its highest number. A mosaic lets each dye pass
its share. The lamp is uneven across the field and flickers from frame to frame.
"""

from dataclasses import dataclass, field

import numpy as np

DYES = np.array([[0.45, 1.0], [1.0, 0.6]])


@dataclass
class SecondCamera:
    """A camera; plain numbers in electrons, seconds and DN."""

    rng: np.random.Generator
    gain: float
    read_noise: float
    well: float
    bits: int = 12
    offset: float = 100
    mosaic: bool = False
    uneven: float = 0.15
    flicker: float = 0.0
    dark: float = 0.02
    bend: float = 0.0
    shape: tuple = (96, 128)
    faults: dict = field(default_factory=dict)

    def __post_init__(self):
        rng, (rows, columns) = self.rng, self.shape
        y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j]
        tilt = rng.uniform(-1, 1, 2)
        self.lamp = 1 - self.uneven * (0.5 * (x**2 + y**2) / 2 + 0.25 * (1 + (tilt[0] * x + tilt[1] * y) / 2))
        if self.mosaic:
            self.lamp = self.lamp * np.tile(DYES, (rows // 2, columns // 2))
        self.response = rng.normal(1, 0.008, self.shape)
        self.wells = self.well * rng.normal(1, 0.01, self.shape)
        self.pedestal = rng.normal(0, 0.2 * self.read_noise, self.shape)
        self.leak = self.dark * rng.lognormal(0, 0.2, self.shape)
        hot = rng.random(self.shape) < self.faults.get("hot", 5e-4)
        self.leak[hot] += rng.uniform(2, 20, hot.sum())
        self.jumpy = rng.random(self.shape) < self.faults.get("telegraph", 2e-4)

    @property
    def saturation(self):
        """Electrons at which the first of well and converter is full."""
        return min(self.well, (2**self.bits - 1 - self.offset) * self.gain)

    def frame(self, light=0.0, seconds=0.0, black=0.0):
        rng, faults, noise = self.rng, self.faults, self.read_noise
        lamp = light * max(0.0, 1 + self.flicker * rng.standard_normal())
        expected = lamp * self.lamp * self.response + seconds * self.leak
        held = np.minimum(rng.poisson(expected), self.wells)
        held = held * (1 - self.bend * held / self.well)
        signal = held + self.pedestal + black + rng.normal(0, noise * faults.get("noise", 1.0), self.shape)
        signal += noise * faults.get("rows", 0.03) * rng.standard_normal((self.shape[0], 1))
        signal += noise * faults.get("columns", 0.03) * rng.standard_normal(self.shape[1])
        signal += 12 * noise * (self.jumpy & (rng.random(self.shape) < 0.35))
        smooth = faults.get("smooth", 0.0)
        if smooth:
            signal = (1 - smooth) * signal + smooth / 2 * (np.roll(signal, 1, 1) + np.roll(signal, -1, 1))
        numbers = np.clip(np.floor(signal / self.gain + self.offset + 0.5), 0, 2**self.bits - 1)
        return (numbers * faults.get("step", 1)).astype(np.uint16)

    def frames(self, levels, bias=16, darks=8):
        """Bias, darks and two flats at each level (shares of saturation), as `measure_camera` takes them."""
        drift = np.linspace(0, self.faults.get("drift", 0.0) * self.read_noise, bias)
        of_bias = np.stack([self.frame(black=black) for black in drift])
        of_darks = [(t, np.stack([self.frame(seconds=t) for _ in range(darks)])) for t in (10.0, 60.0)]
        of_flats = [(2.0 * s, np.stack([self.frame(light=s * self.saturation) for _ in range(2)])) for s in levels]
        return of_bias, of_darks, of_flats


def random_camera(rng, faults=None, **changes):
    """A camera at random: 0.05 to 4 e/DN, well or converter full first, mono or mosaic, a lamp that flickers to 1 %."""
    gain = 10 ** rng.uniform(np.log10(0.05), np.log10(4))
    bits = int(rng.choice([12, 14, 16])) if gain > 0.25 else int(rng.choice([14, 16]))
    # Noise of at least half a step: less is hidden by rounding, and no frames can tell it.
    noise = max(rng.uniform(0.8, 4), 0.55 * gain)
    offset = np.ceil(rng.uniform(18, 40) * noise / gain + 4)
    converter = (2**bits - 1 - offset) * gain
    well = np.clip(converter * 10 ** rng.uniform(-0.5, 0.4), 1500, 60_000)
    chosen = {
        "gain": gain,
        "read_noise": noise,
        "well": well,
        "bits": bits,
        "offset": offset,
        "mosaic": bool(rng.random() < 0.5),
        "uneven": 0.15,
        "flicker": rng.uniform(0, 0.01),
        "dark": 10 ** rng.uniform(-2.5, -1),
    }
    return SecondCamera(rng, **{**chosen, **changes}, faults=faults or {})


def random_levels(rng):
    """Six levels from a tenth to nine tenths of saturation, and one to three more, up to three times it."""
    return [*np.linspace(0.1, 0.9, 6), *rng.uniform(0.9, 3.0, rng.integers(1, 4))]
