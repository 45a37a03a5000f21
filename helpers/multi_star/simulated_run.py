"""A run of guide frames whose truth is known: stars that air and mount move, drawn in small squares only."""

from dataclasses import dataclass, replace

import astropy.units as u
import numpy as np

from helpers.guide_field.stars import some_stars
from helpers.multi_star.own_frames import BOX, GuideRun, measure_run
from helpers.rig.parts import Rig
from helpers.seeing.named_air import atmosphere_for
from helpers.seeing.simulated_motion import simulate_motion
from helpers.shared.checks import count, instance, quantity, takes
from helpers.shared.limits import FRAMES
from helpers.starlight.simulated_frames import render_frames
from helpers.starlight.view import view_of_arrived

_WIDTHS = 8  # side of a square in widths of a star
_MEMORY = 0.97  # of the mount's wander from one frame to the next


@dataclass(frozen=True, eq=False)
class SimulatedRun:
    """A run as it was measured, and what was put in.

    run : GuideRun; moved, Quantity [arcsec] (n, N, 2): each star's motion by air and mount, without the turning and
    about its mean; missed, Quantity [arcsec] (n, N, 2): centre as measured less the true one; turning [arcsec / min].
    """

    run: GuideRun
    moved: u.Quantity
    missed: u.Quantity
    turning: u.Quantity


def _wander(rms, frames, rng):
    """A slow random walk that comes back, shape (frames, 1, 2)."""
    kicks = rms * rng.standard_normal((frames, 1, 2))
    kicks[1:] *= np.sqrt(1 - _MEMORY**2)
    for frame in range(1, frames):
        kicks[frame] += _MEMORY * kicks[frame - 1]
    return kicks


@takes(
    rig=instance(Rig),
    stars=some_stars,
    rng=instance(np.random.Generator),
    frames=count(minimum=1, maximum=FRAMES),
    wander=quantity(u.arcsec, minimum=0, maximum=5, ndim=0),
    turning=quantity(u.arcsec / u.min, minimum=-1e6, maximum=1e6, ndim=0),
)
def simulate_run(rig, stars, rng, frames=400, exposure=0.5 * u.s, wander=0.3 * u.arcsec, turning=60 * u.arcsec / u.min):
    """Guide frames of a rig, simulated and measured.

    Parameters
    ----------
    rig : Rig
    stars : GuideStars
        At least two.
    rng : numpy.random.Generator
    frames : int
    exposure : Quantity [time]
    wander : Quantity [angle]
        Slow motion of the mount, one-axis rms.
    turning : Quantity [angle / time]
        Of the field, x towards y.

    Returns
    -------
    SimulatedRun
        Of stars overhead; a colour mosaic is binned 2 x 2.

    Raises
    ------
    ValueError, TypeError, astropy.units.UnitsError
    """
    seen = view_of_arrived(rig, exposure)
    places = (stars.on_sensor / rig.guide_optics.focal_length).decompose().value * u.rad.to(u.arcsec)
    air = simulate_motion(
        places / 60 * u.arcmin, rig.guide_optics.aperture, atmosphere_for(rig.site), seen.exposure, frames, rng
    ).value
    moved = air + _wander(wander.value, frames, rng)
    minutes = (np.arange(frames) - (frames - 1) / 2) * seen.exposure.to_value(u.min)
    middle = places - places.mean(axis=0)
    turned = turning.to_value(u.rad / u.min) * minutes[:, None, None] * middle[:, ::-1] * [-1, 1]
    pictures, spots, scale = _squares(seen, stars, moved + turned, rng)
    run = measure_run(pictures, scale, seen.exposure, gain=seen.gain_setting.step / u.DN, places=spots)
    order = [int(np.argmin(np.hypot(*(spots - place).T))) for place in run.pixels]
    run = replace(run, places=(middle[order] - middle[order].mean(axis=0)) * u.arcsec)
    kept = np.round((run.time / seen.exposure).to_value(u.one)).astype(int)  # frames in which all were measured
    moved, true = (part[kept][:, order] - part[kept][:, order].mean(axis=0) for part in (moved, moved + turned))
    missed = run.centres.value - true
    return SimulatedRun(run, moved * u.arcsec, missed * u.arcsec, turning)


def _squares(seen, stars, motion, rng):
    """Squares round the stars side by side in each frame; the stars' places in them, and arcsec a pixel.

    Pixels are drawn as binning leaves them, which takes a quarter of the time: the colours of a mosaic then cancel.
    """
    camera = seen.rig.guide_camera
    binning = camera.binning * (2 if camera.mosaic and camera.binning == 1 else 1)
    again = binning // camera.binning
    scale = seen.pixel_scale * again
    side = 2 * max(int(np.ceil(_WIDTHS * (seen.fwhm / scale).value / 2)), BOX // 2 + 2)
    inside = side // 2 + rng.uniform(-0.5, 0.5, (len(stars), 2))
    inside[:, 0] += side * np.arange(len(stars))
    frames = render_frames(
        inside,
        seen.zero_point * 10 ** (-0.4 * stars.magnitudes),
        motion * u.arcsec,
        seen.fwhm,
        scale,
        (side * len(stars), side),
        rng,
        sky=seen.sky * again**2,
        dark=seen.dark * again**2,
        read_noise=seen.gain_setting.read_noise * binning,
        full_well=seen.gain_setting.full_well * binning**2,
        bit_depth=min(16, camera.bit_depth + round(2 * np.log2(binning))),
        shape_of_stars=seen.shape,
    )
    return frames, inside, scale
