"""Named atmospheres with their sources, and the air above a site."""

import itertools

import astropy.units as u
import numpy as np

from helpers.rig.parts import Site
from helpers.seeing.air import REFERENCE_WAVELENGTH, Atmosphere, Layer
from helpers.shared.checks import instance, takes
from helpers.shared.optics import KOLMOGOROV_WIDTH


def _layers(*rows):
    """Layers from (height in m, fraction, wind speed in m/s, direction in deg)."""
    total = sum(row[1] for row in rows)
    return tuple(
        Layer(height * u.m, fraction / total, speed * u.m / u.s, direction * u.deg)
        for height, fraction, speed, direction in rows
    )


def _hufnagel_valley(height_m, high_wind=21, ground=1.7e-14):
    """Refractive-index structure constant in m^(-2/3) of the Hufnagel-Valley 5/7 model; height in m."""
    high = 0.00594 * (high_wind / 27) ** 2 * (1e-5 * height_m) ** 10 * np.exp(-height_m / 1000)
    return high + 2.7e-16 * np.exp(-height_m / 1500) + ground * np.exp(-height_m / 100)


def _bufton_wind(height_m, ground_wind=5):
    """Wind speed in m/s at a height in m."""
    return ground_wind + 30 * np.exp(-(((height_m - 9400) / 4800) ** 2))


def _slabs(edges_m):
    """Hufnagel-Valley air with Bufton wind in layers, each at the height and with the wind that keep its 5/3
    moments.
    """
    rows = []
    for low, high in itertools.pairwise(edges_m):
        height = np.linspace(low, high, 400)
        strength = _hufnagel_valley(height)
        mean_height = (np.sum(strength * height ** (5 / 3)) / np.sum(strength)) ** 0.6
        mean_wind = (np.sum(strength * _bufton_wind(height) ** (5 / 3)) / np.sum(strength)) ** 0.6
        rows.append((mean_height, np.mean(strength) * (high - low), mean_wind, 0))
    return _layers(*rows)


# Named atmospheres with their sources. The invented ones are teaching examples, not measurements of any place.
ATMOSPHERES = {
    # Invented: most of the turbulence lies near the ground; winds turn with height.
    "valley night": Atmosphere(
        2.5 * u.arcsec, 20 * u.m, _layers((50, 0.6, 5, 0), (1000, 0.2, 10, 40), (8000, 0.2, 25, 90))
    ),
    # Invented: a strong, fast layer at the height of the jet stream.
    "jet-stream night": Atmosphere(
        2.5 * u.arcsec, 25 * u.m, _layers((50, 0.35, 4, 0), (2000, 0.2, 12, 60), (10000, 0.45, 45, 90))
    ),
    # Invented: weak turbulence, light winds.
    "calm night": Atmosphere(
        1.2 * u.arcsec, 20 * u.m, _layers((30, 0.5, 2, 0), (1000, 0.3, 5, 30), (9000, 0.2, 12, 60))
    ),
    # Keck Adaptive Optics Note 303, Mauna Kea profile (heights, shares and winds as carried by hcipy's
    # make_keck_atmospheric_layers, with its r0 of 20 cm at 500 nm and outer scale of 20 m). Directions: chosen here.
    "high mountain": Atmosphere(
        (KOLMOGOROV_WIDTH * REFERENCE_WAVELENGTH / (20 * u.cm)).to_value(u.one) * u.rad,
        20 * u.m,
        _layers(
            (0, 0.369, 6.7, 0),
            (2100, 0.219, 13.9, 0),
            (4100, 0.127, 20.8, 0),
            (6500, 0.101, 29, 0),
            (9000, 0.046, 29, 0),
            (12000, 0.111, 29, 0),
            (14800, 0.027, 29, 0),
        ),
    ),
    # Hufnagel-Valley 5/7 (Hufnagel 1974, OSA Digest on Optical Propagation through Turbulence, WA1; Valley 1980,
    # Applied Optics 19, 574; constants as in Andrews & Phillips, Laser Beam Propagation through Random Media, eq.
    # 12.2): r0 of 5 cm at 500 nm. Wind: Bufton 1973, Applied Optics 12, 1785. Outer scale and directions are choices
    # made here.
    "Hufnagel-Valley": Atmosphere(
        (KOLMOGOROV_WIDTH * REFERENCE_WAVELENGTH / (5 * u.cm)).to_value(u.one) * u.rad,
        20 * u.m,
        _slabs((0, 100, 500, 2000, 6000, 12000, 25000)),
    ),
}


@takes(site=instance(Site))
def atmosphere_for(site):
    """The air above a site: its own seeing and outer scale, with the layers of its named atmosphere.

    Parameters
    ----------
    site : Site
        Part of a rig: `seeing`, `outer_scale` and `atmosphere` (a name in `ATMOSPHERES`).

    Returns
    -------
    Atmosphere

    Raises
    ------
    TypeError
        No site.
    ValueError
        An unknown name.
    """
    name = site.atmosphere
    if name not in ATMOSPHERES:
        raise ValueError(f"site.atmosphere: expected one of {', '.join(map(repr, ATMOSPHERES))}, found {name!r:.60}")
    return Atmosphere(site.seeing, site.outer_scale, ATMOSPHERES[name].layers)
