"""Time of 1,000 guide frames of 450 x 250 pixels with 20 stars, against GalSim drawing the same scene.

Run by hand: python tests/benchmarks/bench_frames.py [frames]. Prints rows of a table: what | ours | other | ratio.
"""

import sys
import time
from pathlib import Path

import astropy.units as u
import galsim
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))
from helpers.starlight.simulated_frames import render_frames

COLUMNS, ROWS, STARS, SCALE, FWHM = 450, 250, 20, 0.458, 2.46
SKY, READ_NOISE, FULL_WELL, OFFSET, TOP = 2.3, 0.9, 12000.0, 20, 4095
SPOTS = {"kolmogorov": galsim.Kolmogorov(fwhm=FWHM), "moffat": galsim.Moffat(beta=2.5, fwhm=FWHM)}


def scene(frames):
    rng = np.random.default_rng(1)
    positions = rng.uniform([35, 35], [COLUMNS - 35, ROWS - 35], (STARS, 2))
    return positions, np.geomspace(300, 40000, STARS), rng.normal(0, 0.3, (frames, STARS, 2))


def ours(profile, positions, electrons, motion):
    return render_frames(
        positions,
        electrons * u.electron,
        motion * u.arcsec,
        FWHM * u.arcsec,
        SCALE * u.arcsec / u.pix,
        (COLUMNS, ROWS),
        np.random.default_rng(2),
        sky=SKY * u.electron / u.pix,
        read_noise=READ_NOISE * u.electron,
        full_well=FULL_WELL * u.electron,
        bit_depth=12,
        offset=OFFSET,
        profile=profile,
    )


def with_galsim(profile, method, positions, electrons, motion, half=25):
    """Stamps of about the size that render_frames uses, then noise; the quicker of GalSim's two ways is reported."""
    random = galsim.BaseDeviate(2)
    frames = np.empty((len(motion), ROWS, COLUMNS), np.uint16)
    stars = [SPOTS[profile].withFlux(light) for light in electrons]
    for number, moved in enumerate(motion):
        image = galsim.ImageF(COLUMNS, ROWS, scale=SCALE)
        for star, (x, y) in zip(stars, positions + moved / SCALE + 1, strict=True):
            centre = galsim.PositionD(x, y)
            middle = centre.round()
            bounds = galsim.BoundsI(middle.x - half, middle.x + half, middle.y - half, middle.y + half) & image.bounds
            keywords = {"rng": random} if method == "phot" else {}
            star.drawImage(image=image[bounds], center=centre, add_to_image=True, method=method, **keywords)
        if method == "phot":  # its photons are counted already: only the sky is still to be drawn
            sky = galsim.ImageF(COLUMNS, ROWS, init_value=SKY)
            sky.addNoise(galsim.PoissonNoise(random))
            image += sky
        else:
            image += SKY
            image.addNoise(galsim.PoissonNoise(random))
        image.addNoise(galsim.GaussianNoise(random, READ_NOISE))
        frames[number] = np.clip(np.floor(image.array * (TOP / FULL_WELL) + OFFSET + 0.5), 0, TOP)
    return frames


def seconds(function, *values):
    start = time.perf_counter()
    result = function(*values)
    return time.perf_counter() - start, result


def main(frames=1000):
    print("| what | ours | other | ratio |\n| --- | --- | --- | --- |")
    positions, electrons, motion = scene(frames)
    for profile in SPOTS:
        ours(profile, positions, electrons, motion[:2])  # the profile's table is made once
        mine, drawn = seconds(ours, profile, positions, electrons, motion)
        rest = {m: seconds(with_galsim, profile, m, positions, electrons, motion) for m in ("auto", "phot")}
        method = min(rest, key=lambda name: rest[name][0])
        other, reference = rest[method]
        what = f"{frames} frames, {STARS} stars, {profile}"
        print(f"| {what} | {mine:.2f} s | {other:.2f} s (GalSim, {method}) | {other / mine:.1f} |")
        light = [(part.astype(float) - OFFSET).sum() * FULL_WELL / TOP - part.size * SKY for part in (drawn, reference)]
        print(f"| light of all stars, {profile} | {light[0]:.4g} | {light[1]:.4g} | {light[0] / light[1]:.4f} |")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
