"""The most work that one call may ask for; more is refused in words instead of running for hours.

One place for all rooms. Declarations use a limit as `count(minimum=1, maximum=limits.DRAWS)` or
`quantity(u.s, most_values=limits.SETTINGS)`; `check_work` is for what several arguments decide together. Each is far
above what a workbook asks for, and keeps a call below about 20 s and 2 GB, unless it shows how far it is.
"""

RESAMPLES = 1_000_000  # random trials of a line of arithmetic, such as a mean
DRAWS = 100_000  # random trials of some formulas, such as nights that are invented
WEIGHED_DRAWS = 200_000  # of all causes of a difference between two logs; some seconds
LONG_DRAWS = 10_000  # random trials of a whole prediction; shown as they go, and can be stopped
DRAWS_OF_EACH = 2_000  # the same for each of several changes
CHANGES = 100  # of a rig that are compared
RUNS = 1_000  # nights that are simulated step by step
FRAMES = 100_000  # pictures of a run
STEPS = 2_000_000  # of one simulated series
STARS = 400  # of which every pair counts
ROWS = 2_000_000  # of a log, or of a list of stars
JUDGED_ROWS = 100_000  # of a log whose loop is judged: more than a long night
NIGHT_ROWS = 4_000_000  # exposures of a simulated night with two cameras
PLACES = 50_000_000  # of rows along a log, or of stars at all angles of a sensor; some seconds
PLACES_OF_A_NIGHT = 6_000_000  # stars and target x steps x runs: about a minute
PATHS = 20_000_000  # simulated exposures of all settings of a loop and all runs
CELLS = 5_000_000  # exposures x mirror sizes x places of the sky: a quarter of a minute
SPOTS = 50_000  # widths of a star behind an aperture; some seconds
FOLLOWED = 5_000  # places of a star that is followed past a hot pixel, one after the other
SETTINGS = 10_000  # values of an argument that are worked out one by one
SIDE = 20_000  # pixels along a frame
PIXELS = 1_500_000_000  # of all frames of a run together
PIXELS_OF_A_PICTURE = 200_000_000  # of one main frame in which stars are looked for
PIXELS_OF_STARS = 500_000_000  # of all moved pictures of a star together: about a minute
PIXELS_OF_A_CAMERA = 100_000_000  # of all frames of an invented camera together: about a quarter of a minute
VALUES = 100_000_000  # numbers of an array that a call makes: 0.8 GB


def check_work(name, amount, most, what):
    """ValueError that names an argument if it asks for more than `most` of what a call has to make.

    Parameters
    ----------
    name : str
    amount, most : number
    what : str
        In the plural, such as "pixels".
    """
    if amount > most:
        raise ValueError(f"{name}: expected at most {most:,.0f} {what}, found {amount:,.0f}")
